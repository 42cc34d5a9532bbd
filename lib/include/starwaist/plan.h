// Tonight's settings of a focus run: step, points, frames, exposure, and the position to sample
// next.
//
// Module: advice. May include: core, optics, curve.
//
// Everything rests on one prediction: the standard deviation of best focus from points at given
// positions. It is that of the information in the points (Fisher) on the curve that a defocused
// star has, best focus, size in focus and slope all free. A point's relative variance is
//   m^2 + (j f d ln H / d ln s)^2
// with m the error of measuring, j the scatter of the seeing s from frame to frame, f the share of
// the smallest size that is the seeing's, and d ln H / d ln s = 1 / (1 + u^2) for a sum of
// variances, u = (x - x0) / B, B = smallest size / slope of the arms: seeing is felt near focus and
// fades in the rings. What fit_curve loses against that bound is added: its error is 1.15 + 0.0095
// n times the bound at n points, measured on curves by wave optics (bench/plan_bench).
#pragma once

#include <optional>
#include <span>
#include <string>
#include <tuple>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/rig.h"

namespace starwaist {

// The focus curve and the noise of a night.
struct NightFacts {
  SizeMeasure size = SizeMeasure::hfr;
  double smallest_px = 0;         // size in best focus
  double slope_px_per_step = 0;   // of the arms
  double measuring_error = 0.01;  // of a size, relative, one frame of `exposure_s`
  double seeing_scatter = 0.03;   // of the seeing's width from frame to frame, relative
  double seeing_share = 1;        // d ln size / d ln seeing in focus: below 1 where pixel and
                                  // diffraction make part of the size
  double exposure_s = 3;          // to which measuring_error belongs
  bool noise_measured = false;    // by a run; else usual values
  std::optional<double> best_focus_steps;        // where a run showed it
  std::optional<double> best_focus_sigma_steps;  // of that
  std::vector<std::string> notes;                // what was assumed, in plain words

  // B: the curve's own width in steps.
  [[nodiscard]] double core_steps() const { return smallest_px / slope_px_per_step; }
};

// Size in focus from seeing, diffraction and pixel, by a sum of squares of half-flux radii
// (approximate), px. `seeing_px`: half-flux radius of the seeing alone. Diffraction 0.534832 lambda
// N for a clear pupil (closed form of the Airy pattern), one pixel's square 0.398942 px.
double focused_half_flux_radius_px(double seeing_px, double focal_ratio, double wavelength_um,
                                   double pixel_um);

// From the rig alone. `slope_px_per_step`: a measured slope of the arms, which then gives the um
// per step. A seeing or focal length that nobody said is assumed, and said so.
// Errors: invalid_argument where the f-ratio, or both of um per step and slope, are unknown.
Result<NightFacts> night_from_optics(const Rig& rig,
                                     std::optional<double> slope_px_per_step = std::nullopt);

// From one or more runs of this night: curve and scatter as the runs show them, the scatter weighed
// with what is usual (3 % of seeing, a factor of two either way) as far as the points leave it
// open. `exposure_s` of the frames where known.
// Errors: no_data where no run gives a curve with a minimum and arms.
Result<NightFacts> night_from_runs(std::span<const FitResult> runs, const Rig& rig,
                                   std::optional<double> exposure_s = std::nullopt);

// The rig with the um per step that the night's slope implies, where it was not known and f-ratio
// and pixel are (slope = c / (2 N p) times um per step).
Rig rig_with_measured_step(const Rig& rig, const NightFacts& night);

// Predicted standard deviation of best focus (steps) for one frame at each position, best focus at
// `best_focus_steps`; absent where the positions determine no curve. `fit_cost` false: the bound
// alone.
std::optional<double> predicted_sigma_steps(const NightFacts& night, const Rig& rig,
                                            std::span<const double> positions_steps,
                                            double best_focus_steps, bool fit_cost = true);

struct PlanOptions {
  double download_s = 2;  // after each exposure
  double move_s = 3;      // for each position, settling included
  // That best focus ends within half of the critical focus zone. Ignored with wanted_sigma_steps.
  double probability = 0.95;
  std::optional<double> wanted_sigma_steps;
  std::optional<double> exposure_s;    // fixed by the user
  std::optional<double> centre_steps;  // where to centre the sweep; else the night's best focus
  double seeing_tolerance = 0.05;      // growth of the star that the seeing's zone allows
};

struct PlanAlternative {
  int points = 0;
  double step_steps = 0;
  int frames_per_point = 1;
  double exposure_s = 0;
  double expected_sigma_steps = 0;
  std::optional<double> probability_in_zone;
  double minutes = 0;
  double edge_size_ratio = 0;
  bool trusted = true;  // whether its 95 % interval is narrow enough for the verdict `trusted`
};

template <>
struct Fields<PlanAlternative> {
  static constexpr auto list = std::make_tuple(
      STARWAIST_FIELD(PlanAlternative, points, "", "positions"),
      STARWAIST_FIELD(PlanAlternative, step_steps, "steps", "between them"),
      STARWAIST_FIELD(PlanAlternative, frames_per_point, "", "frames at each"),
      STARWAIST_FIELD(PlanAlternative, exposure_s, "s", "of each frame"),
      STARWAIST_FIELD(PlanAlternative, expected_sigma_steps, "steps",
                      "predicted standard deviation of best focus"),
      STARWAIST_FIELD(PlanAlternative, probability_in_zone, "",
                      "that best focus ends within half the zone"),
      STARWAIST_FIELD(PlanAlternative, minutes, "min", "of the whole run"),
      STARWAIST_FIELD(PlanAlternative, edge_size_ratio, "", "outermost size over the smallest"),
      STARWAIST_FIELD(PlanAlternative, trusted, "", "whether the verdict can be trusted"));
};
static_assert(describes_every_field<PlanAlternative>());

// The contract's `plan` object without its schema.
struct FocusPlan {
  double step_steps = 0;
  int points = 0;
  double half_range_steps = 0;
  int frames_per_point = 1;
  double exposure_s = 0;
  double expected_sigma_steps = 0;
  std::optional<double> critical_focus_zone_um;
  std::optional<double> critical_focus_zone_steps;
  std::optional<double> um_per_step;
  double edge_size_ratio = 0;
  std::optional<double> probability_in_zone;
  double minutes = 0;
  double seeing_zone_tolerance = 0;      // growth of the star at the ends of the seeing's zone
  std::optional<double> seeing_zone_um;  // full width
  double seeing_zone_steps = 0;          // full width
  double core_width_steps = 0;           // B
  double smallest_size_px = 0;
  double slope_px_per_step = 0;
  double measuring_error = 0;           // relative, one frame of exposure_s
  double seeing_scatter = 0;            // relative
  std::optional<double> centre_steps;   // of the sweep, where known
  std::vector<double> positions_steps;  // where the centre is known
  std::vector<PlanAlternative> alternatives;
  std::vector<std::string> notes;
};

template <>
struct Fields<FocusPlan> {
  static constexpr auto list = std::make_tuple(
      STARWAIST_FIELD(FocusPlan, step_steps, "steps", "between positions"),
      STARWAIST_FIELD(FocusPlan, points, "", "positions"),
      STARWAIST_FIELD(FocusPlan, half_range_steps, "steps", "from centre to the ends"),
      STARWAIST_FIELD(FocusPlan, frames_per_point, "", "frames at each position"),
      STARWAIST_FIELD(FocusPlan, exposure_s, "s", "of each frame"),
      STARWAIST_FIELD(FocusPlan, expected_sigma_steps, "steps",
                      "predicted standard deviation of best focus"),
      STARWAIST_FIELD(FocusPlan, critical_focus_zone_um, "um", "full width, 4 lambda N^2"),
      STARWAIST_FIELD(FocusPlan, critical_focus_zone_steps, "steps", "full width"),
      STARWAIST_FIELD(FocusPlan, um_per_step, "um", "travel of the focus for one step"),
      STARWAIST_FIELD(FocusPlan, edge_size_ratio, "", "outermost size over the smallest"),
      STARWAIST_FIELD(FocusPlan, probability_in_zone, "",
                      "that best focus ends within half the zone"),
      STARWAIST_FIELD(FocusPlan, minutes, "min", "of the whole run"),
      STARWAIST_FIELD(FocusPlan, seeing_zone_tolerance, "",
                      "growth of the star at the ends of the seeing's zone"),
      STARWAIST_FIELD(FocusPlan, seeing_zone_um, "um",
                      "full width in which stars grow by less than the tolerance"),
      STARWAIST_FIELD(FocusPlan, seeing_zone_steps, "steps", "the same"),
      STARWAIST_FIELD(FocusPlan, core_width_steps, "steps",
                      "smallest size over the slope of the arms"),
      STARWAIST_FIELD(FocusPlan, smallest_size_px, "px", "star in best focus"),
      STARWAIST_FIELD(FocusPlan, slope_px_per_step, "px/step", "of the arms"),
      STARWAIST_FIELD(FocusPlan, measuring_error, "", "relative error of one frame's size"),
      STARWAIST_FIELD(FocusPlan, seeing_scatter, "",
                      "relative scatter of the seeing from frame to frame"),
      STARWAIST_FIELD(FocusPlan, centre_steps, "steps", "middle of the sweep"),
      STARWAIST_FIELD(FocusPlan, positions_steps, "steps", "where to take the frames"),
      STARWAIST_FIELD(FocusPlan, alternatives, "", "other plans"),
      STARWAIST_FIELD(FocusPlan, notes, "", "remarks"));
};
static_assert(describes_every_field<FocusPlan>());

// The quickest plan that reaches the wanted sigma: that with which best focus ends within half of
// the zone with `probability` (normal errors), or wanted_sigma_steps, or, where the zone is not
// known, half of the seeing's zone in place of it. Searched over points (at least those that the
// verdict `trusted` needs), whole steps with outermost sizes of two to three times the smallest,
// frames a point and exposures. Where none reaches it, the most accurate within 15 minutes, and a
// note.
// Every position lies within the rig's limits.
// Errors: invalid_argument for options that are not positive or limits that leave no room.
Result<FocusPlan> plan_run(const NightFacts& night, const Rig& rig,
                           const PlanOptions& options = {});

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
  std::string reason;                         // in plain words
};

template <>
struct Fields<NextSample> {
  static constexpr auto list = std::make_tuple(
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
// stands off the night's curve, else by doubled steps. The run is enough once the standard
// deviation is the wanted one and the points are as many and as placed as the verdict `trusted`
// needs. `night`: from plan, with a curve of about tonight's size; its best focus is not used.
// Positions are whole steps within the rig's limits.
// Errors: invalid_argument for points or a night that are not finite and positive.
Result<NextSample> next_sample(std::span<const CurvePoint> points, const NightFacts& night,
                               const Rig& rig, const NextSampleOptions& options = {});

}  // namespace starwaist
