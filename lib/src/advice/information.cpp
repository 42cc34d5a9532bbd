#include "advice/information.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "curve/priors.h"
#include "numerics/root.h"

namespace starwaist::advice {

curve::Shape shape_of(SizeMeasure size, const Rig& rig) {
  if (size != SizeMeasure::hfr) return curve::Shape::hyperbola();
  return curve::Shape::blur(SeeingProfile::kolmogorov,
                            rig.obstruction.value_or(curve::kUsualObstruction));
}

PointNoise noise_of_frame(const ObservingConditions& conditions) {
  return {conditions.measuring_error, conditions.seeing_scatter * conditions.seeing_share, 1};
}

void Information::add(const curve::Shape& shape, double u, const PointNoise& noise) {
  const curve::ShapeValue v = shape.at(u);
  const double share = curve::seeing_share(v, u);
  const double seeing = noise.seeing * share;
  const double variance = (noise.measuring * noise.measuring + seeing * seeing) / noise.frames;
  const double sigma = std::sqrt(variance);
  const std::array<double, 3> row{-v.slope / v.h / sigma, share / sigma, u * v.slope / v.h / sigma};
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = 0; j < 3; ++j) matrix_[i][j] += row[i] * row[j];
  }
}

void Information::add(const Information& part, int times) {
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = 0; j < 3; ++j) matrix_[i][j] += times * part.matrix_[i][j];
  }
}

std::optional<double> Information::sigma_of(int parameter) const {
  const Eigen::Matrix3d matrix{{matrix_[0][0], matrix_[0][1], matrix_[0][2]},
                               {matrix_[1][0], matrix_[1][1], matrix_[1][2]},
                               {matrix_[2][0], matrix_[2][1], matrix_[2][2]}};
  // Scaled to a diagonal of ones, so that the rank does not depend on the noise.
  const Eigen::Vector3d length = matrix.diagonal().cwiseSqrt();
  if (!(length.minCoeff() > 0)) return std::nullopt;
  const Eigen::Matrix3d scaled =
      length.cwiseInverse().asDiagonal() * matrix * length.cwiseInverse().asDiagonal();
  const Eigen::LDLT<Eigen::Matrix3d> factors(scaled);
  constexpr double kSmallestPivot = 1e-10;
  if (!(factors.vectorD().minCoeff() > kSmallestPivot)) return std::nullopt;
  const double variance = factors.solve(Eigen::Vector3d::Unit(parameter))[parameter] /
                          (length[parameter] * length[parameter]);
  return variance > 0 ? std::optional(std::sqrt(variance)) : std::nullopt;
}

double fit_cost(int points) {
  // bench/plan_bench, part cost: 1.19 at 5 points, 1.22 at 9, 1.30 at 15, 1.35 at 21, nearly the
  // same for half ranges of 2 to 3 B and seeing scatters of 1.5 to 6 %.
  return 1.15 + 0.0095 * std::min(points, 40);
}

double distance_of_ratio(const curve::Shape& shape, double ratio) {
  constexpr int kHalvings = 60;
  // h(u) >= u
  return numerics::bisect({0, ratio + 1}, kHalvings,
                          [&](double u) { return shape.at(u).h < ratio; });
}

}  // namespace starwaist::advice
