// Best focus of points that alone give none, by a slope of the arms that is known beforehand.
//
// Far from focus a star grows by c(e) / (2 N p) for each um (see rig.h), so that two rings on both
// sides of focus give its place: x0 = (x- H+ + x+ H-) / (H- + H+) where both lie on straight arms
// (practice of robotic telescopes). Here the curve takes the place of straight arms, and what is
// not known is integrated over: the size in focus, the slope to its error, each size's error, and
// from four points on which of them are bad. The slope is the rig's, or what other runs of the same
// telescope show (KnownArms), which show the size in focus too. Nothing in so few points checks
// that, so the answer is never trusted.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/statement.h"

namespace starwaist::curve {

struct KnownSlopeAnswer {
  // Absent where the points leave several places open, bound none, or contradict the slope.
  std::optional<double> best_focus_steps;
  std::optional<double> sigma_steps;  // half of the 68 % interval
  Interval interval_68_steps;
  Interval interval_95_steps;
  std::optional<double> probability_in_zone;
  ModelFit model;  // the likeliest curve
  // What the answer rests on, or why there is none, with numbers. Empty where nothing is to be said
  // beyond what the points themselves show.
  Statement reason;
  std::vector<double> bad;  // probability of each point to be bad; empty where not looked for
};

// `points`: the usable ones, 1 to 3, half-flux radii. Absent where the rig is not known.
std::optional<KnownSlopeAnswer> locate_by_rig(const std::vector<CurvePoint>& points,
                                              const Rig& rig);

// The shape that arms are of.
inline constexpr CurveModel kModelOfArms = CurveModel::blur;

// `points`: the usable ones, any number, sizes of the measure that `arms` are of. Absent without a
// point. An answer is given where one place holds 95 % of the probability and the 95 % interval is
// no longer than the sampled range (for two and three points than the distance from focus at which
// a star is as large as the largest one seen, where that is more).
std::optional<KnownSlopeAnswer> locate_by_arms(const std::vector<CurvePoint>& points,
                                               const KnownArms& arms, const Rig& rig);

}  // namespace starwaist::curve
