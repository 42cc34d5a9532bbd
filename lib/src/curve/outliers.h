// Which points are bad? Weighed, not decided: each hypothesis "these points are bad, the others
// good" is fitted and weighted by its marginal likelihood, and the answer is averaged over them.
// The noise belongs to the hypothesis: each is weighed with every candidate of noise.h and keeps
// the average of those that its own good points speak for. (A noise estimated once, with a bad
// point inside, is large where that point lies and makes it look good and its neighbours bad.)
// So does the shape: beside a bad point a wrong shape may fit better than the right one.
//
// A 3-sigma clip can reject nothing from ten points or fewer (the largest possible deviation is
// (n - 1) / sqrt(n) sigma; Shiffler 1988, from memory), and a hard trim followed by a refit makes
// intervals too short even on clean data.
#pragma once

#include <vector>

#include "curve/curve_samples.h"
#include "curve/noise.h"
#include "curve/shape_fit.h"

namespace starwaist::curve {

struct Hypothesis {
  std::size_t shape = 0;         // which of the shapes
  std::vector<std::size_t> bad;  // indices of the samples, rising
  bool lopsided = false;         // the curve's arms may be moved against its core
  double weight = 0;             // sums to 1 over the hypotheses
  std::vector<double> weights;   // of the samples, 1 / sigma; 0 where bad
  ShapeFit fit;
};

// One shape without and with its lopsidedness.
struct ShapeFitters {
  explicit ShapeFitters(const Shape& shape, double prior_odds = 1)
      : even(shape, kEven), lopsided(shape, kLopsided), odds(prior_odds) {}
  ShapeFitter& of(bool is_lopsided) { return is_lopsided ? lopsided : even; }
  ShapeFitter even;
  ShapeFitter lopsided;
  double odds;  // of the shape against the others, before seeing the data
};

// Hypotheses with a notable weight, heaviest first; at least one. `clean` is a fit of all points by
// the shape number `first` with the weights of the samples; `noise` is where those are from.
std::vector<Hypothesis> weigh_hypotheses(const std::vector<ShapeFitters*>& shapes,
                                         std::size_t first, const Samples& samples,
                                         const NoiseModel& noise, const ShapeFit& clean);

// Probability of each sample to be bad.
std::vector<double> probability_bad(const std::vector<Hypothesis>& hypotheses, std::size_t count);

}  // namespace starwaist::curve
