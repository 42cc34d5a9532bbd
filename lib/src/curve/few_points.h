// Best focus from one, two or three sizes when the rig is known.
//
// Far from focus a star grows by c(e) / (2 N p) for each um (see rig.h), so that two rings on both
// sides of focus give its place: x0 = (x- H+ + x+ H-) / (H- + H+) where both lie on straight arms
// (practice of robotic telescopes). Here the blur curve takes the place of straight arms, and what
// is not known is integrated over: the size in focus, the rig's slope to a tenth, each size's
// error. Nothing in so few points checks the rig, so the answer is never trusted.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "starwaist/curve.h"

namespace starwaist::curve {

struct FewPointsAnswer {
  // Absent where the points leave two places open; `reason` then names both.
  std::optional<double> best_focus_steps;
  std::optional<double> sigma_steps;  // half of the 68 % interval
  Interval interval_68_steps;
  Interval interval_95_steps;
  std::optional<double> probability_in_zone;
  ModelFit model;      // the curve of the likeliest size in focus
  std::string reason;  // why this is not trusted, with numbers
};

// `points`: the usable ones, 1 to 3, half-flux radii. Absent where the rig is not known.
std::optional<FewPointsAnswer> locate_by_rig(const std::vector<CurvePoint>& points, const Rig& rig);

}  // namespace starwaist::curve
