// Marginal likelihood of hypotheses about which points are bad.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>
#include <limits>
#include <vector>

#include "curve/curve_samples.h"
#include "curve/few_points.h"
#include "curve/noise.h"
#include "curve/outliers.h"
#include "curve/priors.h"
#include "curve/shape_fit.h"

namespace starwaist::curve {

// What is thought of a run's points beforehand; see priors.h.
struct PointPrior {
  double noise_degrees;
  BadPointPrior bad;
  double lopsided;  // probability
};

// Marginal likelihood of a hypothesis: the good points' likelihood integrated over the curve's
// parameters (Laplace) and over the noise's variance (scaled inverse chi-squared prior), times the
// bad points' broad density. Constants that all hypotheses share are left out.
class Evidence {
 public:
  Evidence(const Samples& all, const NoiseModel& noise);

  // ln density of a bad point's size.
  [[nodiscard]] double bad_point(std::size_t i, double curve_size) const {
    return prior_.bad.log_density(all_.y[i], curve_size);
  }
  // What the curve's parameters are known by beforehand, in the unit of the residuals.
  [[nodiscard]] const ShapeParameters& precision() const { return precision_; }
  // `points`: the sum of ln weight of the good points and of bad_point. `information`: determinant,
  // of the points and of what is known beforehand.
  [[nodiscard]] double of(std::size_t bad, double points, double sum_of_squares, double information,
                          double t0) const {
    return by_count_[bad] + points - 0.5 * std::log(information) -
           0.5 * t0 * t0 / (kCurveSpread.centre * kCurveSpread.centre) -
           0.5 * (degrees(bad) + prior_.noise_degrees) *
               std::log(prior_.noise_degrees * usual_ + sum_of_squares);
  }
  [[nodiscard]] double degrees(std::size_t bad) const {
    return static_cast<double>(all_.count() - bad) - kFreeShapeParameters;
  }
  // Of a shape and its kind; with the constant of the density of a.
  [[nodiscard]] double log_prior(ShapeFitters& shape, bool lopsided) const {
    return std::log(shape.odds * (lopsided ? prior_.lopsided : 1 - prior_.lopsided) /
                    shape.of(lopsided).sigma_a());
  }

 private:
  const Samples& all_;
  PointPrior prior_;
  double usual_;  // variance of a residual weighted by a candidate of the noise
  std::array<double, 4> by_count_{};
  ShapeParameters precision_;
};

constexpr double kNothing = -std::numeric_limits<double>::infinity();  // ln 0

// The sums of a linear least-squares problem.
struct Sums {
  Eigen::Matrix<double, kShapeParameters, kShapeParameters> information;
  ShapeParameters gradient;
  double squares = 0;

  void add(const ShapeParameters& jacobian, double residual, double weight) {
    for (int r = 0; r < kShapeParameters; ++r) {
      const double weighted = weight * jacobian[r];
      for (int c = 0; c <= r; ++c) information(r, c) += weighted * jacobian[c];
      gradient[r] += weighted * residual;
    }
    squares += weight * residual * residual;
  }
};

// The curve linearised at one fit, and the ways in which the errors may be spread about it.
struct Linearised {
  struct Row {
    ShapeParameters jacobian;
    double residual;
  };

  // `all`: with weights of 1.
  Linearised(const Samples& all, const ShapeFitter& fitter, const ShapeFit& at,
             const Evidence& evidence);

  double t0;
  std::vector<Row> rows;
  std::vector<double> sizes;  // of the curve at each point
  Sums known;                 // of the parameters beforehand
  NoiseCandidates noise;
};

// ln evidence of one hypothesis about its own curve; minus infinity where the good points determine
// no curve.
double log_evidence(const Linearised& curve, const Evidence& evidence, const FewPoints& bad);

}  // namespace starwaist::curve
