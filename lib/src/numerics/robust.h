// Means and spreads that a share of bad values cannot spoil.
//
// For stars (one size from many, the sky), field, diagnosis, curve, drift, night and advice.
// Values, sigmas and results share one unit, whatever it is. The medians and robust_sigma are
// public, in starwaist/statistics.h.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <optional>
#include <span>

namespace starwaist::numerics {

// Standard deviation of a Gaussian sample over its median absolute deviation: 1 / Phi^-1(3/4).
inline constexpr double kSigmaOfMad = 1.4826022;
// The same to five digits: the surface of the sky and the loss of light over a night were settled
// with it, and their answers keep its last digits.
inline constexpr double kSigmaOfMadRounded = 1.4826;
// Standard error of a Gaussian sample's median over that of its mean: sqrt(pi / 2).
inline constexpr double kMedianErrorOverMean = 1.2533;
// Phi(-1): the share of a Gaussian sample more than one sigma below its middle. A spread read there
// is blind to whatever only adds.
inline constexpr double kOneSigmaBelow = 0.158655;

// Standard deviation from distances |v - centre| to a known centre. Precondition: not empty.
double sigma_of_distances(std::span<const double> distances);

// Scatter beyond what is known of each value, as a variance: robust spread squared less the middle
// one of the values' own variances, never negative. `allowed`: factor on the own variances within
// which scatter counts as none. Precondition: not empty.
double variance_beyond(double spread, std::span<const double> own_variances, double allowed = 1);

// 95 % efficient on a Gaussian sample (Huber 1964, from memory).
inline constexpr double kHuber = 1.345;
// Huber's weight of a residual of z standard deviations: 1 within `limit`, limit / |z| beyond it.
// Another limit where z is no Gaussian of one dimension.
inline double huber_weight(double z, double limit = kHuber) {
  const double size = std::abs(z);
  return size > limit ? limit / size : 1.0;
}

// 95 % efficient on a Gaussian sample (Beaton & Tukey 1974, from memory).
inline constexpr double kBisquare = 4.685;
// Tukey's bisquare (biweight) of a residual of z standard deviations: (1 - u^2)^2 with
// u = z / kBisquare, and 0 where |u| >= 1. Given u^2, which the caller's loss needs as well.
inline double bisquare_weight(double u_squared) {
  const double inside = 1 - u_squared;
  return u_squared < 1 ? inside * inside : 0.0;
}

// Sums of a weighted mean whose weights are 1 / variance times a robust weight.
class RobustSums {
 public:
  // `value` as it enters the mean; `residual`: its distance from the centre so far.
  void add(double weight, double value, double residual) {
    weight_ += weight;
    weighted_ += weight * value;
    squares_ += weight * weight * residual * residual;
    ++count_;
  }
  [[nodiscard]] bool empty() const { return !(weight_ > 0); }
  [[nodiscard]] std::size_t count() const { return count_; }
  [[nodiscard]] double mean() const { return weighted_ / weight_; }
  // Standard error of the mean: the sandwich estimate sqrt(sum w^2 r^2) / sum w (Huber 1967, from
  // memory) with its small-sample factor n / (n - 1), never below what the weights promise.
  [[nodiscard]] double sigma() const {
    const auto n = static_cast<double>(count_);
    const double sandwich = n > 1 ? std::sqrt(squares_ * n / (n - 1)) / weight_ : 0.0;
    return std::max(sandwich, 1.0 / std::sqrt(weight_));
  }

 private:
  double weight_ = 0;
  double weighted_ = 0;
  double squares_ = 0;
  std::size_t count_ = 0;
};

struct RobustMean {
  double value = 0;
  double sigma = 0;       // standard error: each value's own and the scatter between them
  std::size_t count = 0;  // values that took part
};

// Huber's M-estimate of location (Huber 1981) with weights 1 / (sigma_i^2 + tau^2), tau the scatter
// that the values show beyond their own sigmas. Values further than four scales from the median are
// left out. Absent for an empty sample. Precondition: equal sizes, sigmas > 0.
std::optional<RobustMean> robust_mean(std::span<const double> values,
                                      std::span<const double> sigmas);

}  // namespace starwaist::numerics
