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

SizeRow size_row(const curve::Shape& shape, double u) {
  const curve::ShapeValue v = shape.at(u);
  const double share = curve::seeing_share(v, u);
  return {{-v.slope / v.h, share, u * v.slope / v.h}, share, shape.at(u, 0).by_a / v.h};
}

double variance_of(const SizeRow& row, const PointNoise& noise) {
  const double seeing = noise.seeing * row.by_seeing;
  return (noise.measuring * noise.measuring + seeing * seeing) / noise.frames;
}

void Information::add(const SizeRow& row, double weight) {
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = 0; j < 3; ++j) {
      matrix_[i][j] += weight * row.by_parameter[i] * row.by_parameter[j];
    }
  }
}

void Information::add(const curve::Shape& shape, double u, const PointNoise& noise) {
  const SizeRow row = size_row(shape, u);
  add(row, 1 / variance_of(row, noise));
}

std::optional<std::array<double, 3>> Information::solved(
    const std::array<double, 3>& vector) const {
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
  const Eigen::Vector3d right(vector[0], vector[1], vector[2]);
  const Eigen::Vector3d left = factors.solve(right.cwiseQuotient(length)).cwiseQuotient(length);
  return std::array<double, 3>{left[0], left[1], left[2]};
}

std::optional<double> Information::sigma_of(std::size_t parameter) const {
  std::array<double, 3> unit{};
  unit[parameter] = 1;
  const auto column = solved(unit);
  if (!column) return std::nullopt;
  const double variance = (*column)[parameter];
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
