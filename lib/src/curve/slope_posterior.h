// Where best focus may be by what is thought of the curve beforehand and by a few points:
// everything that is not known is integrated over on a grid.
#pragma once

#include <optional>
#include <utility>
#include <vector>

#include "curve/curve_shape.h"
#include "curve/focus_grid.h"
#include "curve/priors.h"
#include "starwaist/curve.h"

namespace starwaist::curve {

// What is thought of the curve before any point is seen; best focus may be anywhere.
struct SlopeBelief {
  Shape shape;
  std::vector<TriedValue> sizes_px;  // in focus
  std::vector<TriedValue> slopes_px_per_step;
  std::vector<TriedValue> lopsidedness{{0, 0}};
  // Errors of a size beside its own sigma, over the curve: of every point, and what the seeing adds
  // in focus. How much larger both are in this run is tried.
  double scatter = 0;
  double scatter_of_seeing = 0;
  std::vector<TriedValue> scatter_factors;
  std::optional<BadPointPrior> bad;  // absent: every point is good
};

struct Likeliest {
  double log_likelihood = -1e300;
  double size_px = 0;
  double slope_px_per_step = 0;
  double lopsidedness = 0;
  double place_steps = 0;
};

struct SlopePosterior {
  FocusGrid grid;
  Likeliest likeliest;
  std::vector<double> of_error;  // probability of each of SlopeBelief::scatter_factors
  std::vector<double> bad;       // probability of each point to be bad; empty where none may be
};

// Evenly placed, in steps.
struct Places {
  double first;
  double last;
  int count;
};

// `points`: usable ones.
SlopePosterior slope_posterior(const std::vector<CurvePoint>& points, const SlopeBelief& belief,
                               const Places& places);

}  // namespace starwaist::curve
