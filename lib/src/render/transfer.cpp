#include "render/transfer.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numbers>

namespace starwaist::render {

namespace {
constexpr double kPi = std::numbers::pi;
}

double sinc(double x) {
  const double y = kPi * x;
  return std::abs(y) < 1e-6 ? 1.0 : std::sin(y) / y;
}

double seeing_transfer(SeeingProfile profile, double moffat_beta, double width_um,
                       double frequency_per_um) {
  const double s = frequency_per_um * width_um;
  if (!(s > 0)) return 1;
  switch (profile) {
    case SeeingProfile::kolmogorov: {
      constexpr double kWidthInLambdaOverR0 = 0.9758634299;
      return std::exp(-3.44 * std::pow(s / kWidthInLambdaOverR0, 5.0 / 3));
    }
    case SeeingProfile::gaussian:
      return std::exp(-kPi * kPi * s * s / (4 * std::numbers::ln2));
    case SeeingProfile::moffat: {
      const double order = moffat_beta - 1;
      const double z = kPi * s / std::sqrt(std::exp2(1 / moffat_beta) - 1);
      if (z < 1e-4) return 1;  // leading term is -z^2 / (4 (beta - 2)) or smaller for beta > 2
      if (z > 600) return 0;
      return 2 * std::exp(order * std::log(z / 2) - std::lgamma(order)) *
             std::cyl_bessel_k(order, z);
    }
  }
  return 1;
}

SeeingTable::SeeingTable(SeeingProfile profile, double moffat_beta, double width_um,
                         double highest_per_um) {
  constexpr int kSteps = 8192;
  per_step_ = highest_per_um / kSteps;
  values_.resize(kSteps + 2);
  constexpr double kNothingLeft = 1e-13;  // all profiles fall for good
  for (std::size_t i = 0; i < values_.size(); ++i) {
    values_[i] =
        seeing_transfer(profile, moffat_beta, width_um, per_step_ * static_cast<double>(i));
    if (values_[i] < kNothingLeft) break;
  }
}

double SeeingTable::at(double frequency_per_um) const {
  const double place = frequency_per_um / per_step_;
  const auto below = std::min(static_cast<std::size_t>(place), values_.size() - 2);
  return std::lerp(values_[below], values_[below + 1], place - static_cast<double>(below));
}

double clear_pupil_transfer(double frequency_lambda_n) {
  const double s = std::min(frequency_lambda_n, 1.0);
  return 2 / kPi * (std::acos(s) - s * std::sqrt(1 - s * s));
}

}  // namespace starwaist::render
