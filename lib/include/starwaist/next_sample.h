// The position to sample next, while a run is being taken.
//
// Module: advice.
#pragma once

#include <optional>
#include <span>
#include <string>

#include "starwaist/conditions.h"
#include "starwaist/curve.h"
#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/rig.h"
#include "starwaist/statement.h"

namespace starwaist {

struct NextSampleOptions {
  // Where no point is there yet, the first one is here.
  double start_steps = 0;
  // The run may end at this standard deviation; absent: half the zone with 95 %, or B / 10.
  std::optional<double> wanted_sigma_steps;
  int most_points = 25;
};

struct NextSample {
  bool enough = false;                        // best focus is known as well as wanted
  std::optional<double> next_position_steps;  // absent where enough, or where limits leave none
  bool bracketing = false;                    // best focus is not yet enclosed
  std::optional<double> best_focus_steps;     // so far
  std::optional<double> sigma_steps;          // so far, as the points' places and the noise give it
  std::optional<double> sigma_after_steps;    // once the next point is there
  Statement reason;                           // in plain words
};

template <>
struct Fields<NextSample> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(NextSample, enough, "", "whether best focus is known as well as wanted"),
      STARWAIST_FIELD(NextSample, next_position_steps, "steps", "where the next frame adds most"),
      STARWAIST_FIELD(NextSample, bracketing, "", "whether best focus is not yet enclosed"),
      STARWAIST_FIELD(NextSample, best_focus_steps, "steps", "best focus so far"),
      STARWAIST_FIELD(NextSample, sigma_steps, "steps", "its standard deviation"),
      STARWAIST_FIELD(NextSample, sigma_after_steps, "steps",
                      "the same once the next frame is there"),
      STARWAIST_FIELD(NextSample, reason, "", "why there, or why no more"));
};
static_assert(describes_every_field<NextSample>());

// The position at which one more frame lowers the variance of best focus most, given the points so
// far, averaged over where best focus may yet be. Until best focus is enclosed (a clearly larger
// star on both sides of the smallest) it goes downhill: by the distance that a star of this size
// stands off tonight's curve, else by doubled steps. The run is enough once the standard
// deviation is the wanted one and the points are as many and as placed as the verdict `trusted`
// needs. `conditions`: with a curve of about tonight's size; their best focus is not used.
// Positions are whole steps within the rig's limits.
// Errors: invalid_argument for points or conditions that are not finite and positive.
Result<NextSample> next_sample(std::span<const CurvePoint> points,
                               const ObservingConditions& conditions, const Rig& rig,
                               const NextSampleOptions& options = {});

}  // namespace starwaist
