// Which points are bad? Weighed, not decided: each hypothesis "these points are bad, the others
// good" is fitted and weighted by its marginal likelihood, and the answer is averaged over them.
//
// A 3-sigma clip can reject nothing from ten points or fewer (the largest possible deviation is
// (n - 1) / sqrt(n) sigma; Shiffler 1988, from memory), and a hard trim followed by a refit makes
// intervals too short even on clean data.
#pragma once

#include <vector>

#include "curve/noise.h"
#include "curve/samples.h"
#include "curve/shape_fit.h"

namespace starwaist::curve {

struct Hypothesis {
  std::vector<std::size_t> bad;  // indices of the samples, rising
  bool lopsided = false;         // the curve's arms may be moved against its core
  double weight = 0;             // sums to 1 over the hypotheses
  ShapeFit fit;
};

// One shape without and with its lopsidedness.
struct ShapeFitters {
  explicit ShapeFitters(const Shape& shape) : even(shape, kEven), lopsided(shape, kLopsided) {}
  ShapeFitter& of(bool is_lopsided) { return is_lopsided ? lopsided : even; }
  ShapeFitter even;
  ShapeFitter lopsided;
};

// Hypotheses with a notable weight, heaviest first; at least one. `clean` is the even curve's fit
// of all points.
std::vector<Hypothesis> weigh_hypotheses(ShapeFitters& fitters, const Samples& samples,
                                         const NoiseModel& noise, const ShapeFit& clean);

// Probability of each sample to be bad.
std::vector<double> probability_bad(const std::vector<Hypothesis>& hypotheses, std::size_t count);

// The samples with some left out: one copy for all the sets that are asked of it.
class LeavingOut {
 public:
  explicit LeavingOut(const Samples& all) : all_(all), rest_(all) {}
  // Valid until the next call.
  const Samples& points(const std::vector<std::size_t>& bad);

 private:
  const Samples& all_;
  Samples rest_;
  std::vector<std::size_t> left_out_;
};

}  // namespace starwaist::curve
