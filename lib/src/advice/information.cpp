#include "advice/information.h"

#include <algorithm>
#include <cmath>

namespace starwaist::advice {

curve::Shape shape_of(const NightFacts& night, const Rig& rig) {
  if (night.size != SizeMeasure::hfr) return curve::Shape::hyperbola();
  return curve::Shape::blur(SeeingProfile::kolmogorov, rig.obstruction.value_or(kUsualObstruction));
}

void Information::add(const curve::Shape& shape, double u, const PointNoise& noise) {
  const curve::ShapeValue v = shape.at(u);
  const double share = curve::seeing_share(v, u);
  const double seeing = noise.seeing * share;
  const double variance = (noise.measuring * noise.measuring + seeing * seeing) / noise.frames;
  const Eigen::Vector3d row =
      Eigen::Vector3d(-v.slope / v.h, share, u * v.slope / v.h) / std::sqrt(variance);
  matrix_ += row * row.transpose();
}

std::optional<double> Information::sigma() const {
  // Scaled to a diagonal of ones, so that the rank does not depend on the noise.
  const Eigen::Vector3d length = matrix_.diagonal().cwiseSqrt();
  if (!(length.minCoeff() > 0)) return std::nullopt;
  const Eigen::Matrix3d scaled =
      length.cwiseInverse().asDiagonal() * matrix_ * length.cwiseInverse().asDiagonal();
  const Eigen::LDLT<Eigen::Matrix3d> factors(scaled);
  constexpr double kSmallestPivot = 1e-10;
  if (!(factors.vectorD().minCoeff() > kSmallestPivot)) return std::nullopt;
  const double variance = factors.solve(Eigen::Vector3d::Unit(0))[0] / (length[0] * length[0]);
  return variance > 0 ? std::optional(std::sqrt(variance)) : std::nullopt;
}

double fit_cost(int points) {
  // bench/plan_bench, part cost: 1.19 at 5 points, 1.22 at 9, 1.30 at 15, 1.35 at 21, nearly the
  // same for half ranges of 2 to 3 B and seeing scatters of 1.5 to 6 %.
  return 1.15 + 0.0095 * std::min(points, 40);
}

double distance_of_ratio(const curve::Shape& shape, double ratio) {
  double low = 0;
  double high = ratio + 1;  // h(u) >= u
  for (int i = 0; i < 60; ++i) {
    const double middle = 0.5 * (low + high);
    (shape.at(middle).h < ratio ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

}  // namespace starwaist::advice
