#include "curve/evidence.h"

#include <algorithm>

#include "numerics/log_sum.h"
#include "numerics/small_cholesky.h"

namespace starwaist::curve {
namespace {

constexpr PointPrior kWithOwnSigmas{kNoiseDegrees, kBadPoint, kLopsidedShare};
constexpr PointPrior kWithoutSigmas{kNoiseDegreesWithoutSigmas, kBadPointWithoutSigmas,
                                    kLopsidedShareWithoutSigmas};

// Logarithm of a product, taken once for many factors.
class LogOfProduct {
 public:
  void times(double factor) {
    constexpr double kLarge = 1e100;
    product_ *= factor;
    if (product_ < kLarge && product_ > 1 / kLarge) return;
    sum_ += std::log(product_);
    product_ = 1;
  }
  [[nodiscard]] double value() const { return sum_ + std::log(product_); }

 private:
  double product_ = 1;
  double sum_ = 0;
};

}  // namespace

Evidence::Evidence(const Samples& all, const NoiseModel& noise)
    : all_(all),
      prior_(all.has_own_sigmas() ? kWithOwnSigmas : kWithoutSigmas),
      usual_(all.has_own_sigmas() ? 1.0 : std::min(noise.factor, 1.0)) {
  const double n = static_cast<double>(all.count());
  for (std::size_t bad = 0; bad < by_count_.size(); ++bad) {
    const double k = static_cast<double>(bad);
    const double degrees = n - k - kFreeShapeParameters;
    by_count_[bad] = k * std::log(prior_.bad.share) + (n - k) * std::log(1 - prior_.bad.share) +
                     std::lgamma(0.5 * (prior_.noise_degrees + degrees)) -
                     0.5 * degrees * std::log(M_PI);
  }
  const Eigen::Vector3d spread(kCurveSpread.centre, kCurveSpread.log_size, kCurveSpread.log_slope);
  precision_ << spread.cwiseInverse().cwiseAbs2(), 0.0;  // a has its row
}

Linearised::Linearised(const Samples& all, const ShapeFitter& fitter, const ShapeFit& at,
                       const Evidence& evidence)
    : t0(at.parameters[0]), rows(all.count()) {
  const ShapeResiduals residuals(all, fitter.shape(), fitter.sigma_a());
  Eigen::VectorXd values(residuals.count());
  Eigen::Matrix<double, Eigen::Dynamic, kShapeParameters> jacobian(residuals.count(),
                                                                   kShapeParameters);
  residuals.evaluate(at.parameters.data(), values.data(), jacobian.data());
  std::vector<double> by_seeing(rows.size());
  sizes.resize(rows.size());
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const auto k = static_cast<Eigen::Index>(i);
    rows[i] = {jacobian.row(k), values[k]};
    sizes[i] = all.y[i] + values[k];
    by_seeing[i] = jacobian(k, 1);  // H0 follows the seeing, and the slope does not
  }
  noise = noise_candidates(all, sizes, by_seeing);
  known.information = evidence.precision().asDiagonal();
  known.gradient.setZero();
  for (Eigen::Index k = static_cast<Eigen::Index>(rows.size()); k < values.size(); ++k) {
    known.add(jacobian.row(k), values[k], 1.0);
  }
}

double log_evidence(const Linearised& curve, const Evidence& evidence, const FewPoints& bad) {
  double bad_points = 0;
  for (std::size_t b = 0; b < bad.count; ++b) {
    bad_points += evidence.bad_point(bad.points[b], curve.sizes[bad.points[b]]);
  }
  std::vector<double> of_candidate(curve.noise.count(), kNothing);
  for (std::size_t c = 0; c < of_candidate.size(); ++c) {
    const auto variance = curve.noise.variances(c);
    Sums sums = curve.known;
    LogOfProduct variances;
    for (std::size_t i = 0; i < curve.rows.size(); ++i) {
      if (bad.holds(i)) continue;
      sums.add(curve.rows[i].jacobian, curve.rows[i].residual, 1 / variance[i]);
      variances.times(variance[i]);
    }
    const numerics::SmallCholesky<kShapeParameters> factor(sums.information);
    if (!(factor.least_pivot() > 0)) continue;
    const double squares =
        std::max(sums.squares - factor.forward(sums.gradient).squaredNorm(), 0.0);
    const double value =
        curve.noise.log_prior[c] + evidence.of(bad.count, bad_points - 0.5 * variances.value(),
                                               squares, factor.determinant(), curve.t0);
    if (std::isfinite(value)) of_candidate[c] = value;
  }
  return numerics::log_sum(of_candidate);
}

}  // namespace starwaist::curve
