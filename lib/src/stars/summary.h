// Many stars to one number.
#pragma once

#include <optional>
#include <span>
#include <vector>

namespace starwaist::stars {

struct RobustMean {
  double value = 0;
  double sigma = 0;       // standard error: each value's own and the scatter between them
  std::size_t count = 0;  // values that took part
};

// Huber's M-estimate of location (k = 1.345: 95 % efficient on a Gaussian sample, Huber 1981) with
// weights 1 / (sigma_i^2 + tau^2), tau the scatter that the values show beyond their own sigmas.
// Values further than four scales from the median are left out. Absent for an empty sample.
// Precondition: equal sizes, sigmas > 0.
std::optional<RobustMean> robust_mean(std::span<const double> values,
                                      std::span<const double> sigmas);

}  // namespace starwaist::stars
