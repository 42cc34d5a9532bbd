#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <set>

#include "field/field_shape.h"

namespace starwaist::over_field {

namespace {

constexpr int kSide = 3;

std::size_t zone_of(const std::array<double, 2>& place) {
  const auto cell = [](double fraction) {
    return static_cast<std::size_t>(std::clamp(static_cast<int>(fraction * kSide), 0, kSide - 1));
  };
  return cell(place[1]) * kSide + cell(place[0]);
}

}  // namespace

std::vector<FieldZone> zones_of(const StarsOfField& data, const StarCurve& curve,
                                const FieldShape& state, double widening) {
  constexpr int kZones = kSide * kSide;
  const auto n = static_cast<Eigen::Index>(data.rows.size());
  FieldProblem problem;
  problem.columns = Eigen::MatrixXd::Zero(n, kZones + kShapes);
  problem.target.resize(n);
  std::array<double, kZones> smooth{};
  std::array<int, kZones> rows{};
  std::array<std::set<std::size_t>, kZones> stars;
  for (Eigen::Index k = 0; k < n; ++k) {
    const StarInFrame& row = data.rows[static_cast<std::size_t>(k)];
    const std::size_t zone = zone_of(data.place[row.star]);
    const double offset = offset_of(row, state.shape);
    const double place = data.position_steps[row.frame] - offset;
    problem.columns(k, static_cast<Eigen::Index>(zone)) = -curve.slope(place);
    for (int c = 0; c < kShapes; ++c) {
      problem.columns(k, kZones + c) =
          curve.sharpness_share(place) * row.shapes[static_cast<std::size_t>(c)];
    }
    problem.target(k) = row.log_size - curve.log_size(place);
    smooth[zone] += offset;
    ++rows[zone];
    stars[zone].insert(row.star);
  }
  problem.prior = Eigen::VectorXd::Zero(kZones + kShapes);
  // All zones together may move without the sizes showing it: held near the smooth shape.
  problem.prior.head(kZones).setConstant(1 / (curve.core_steps() * curve.core_steps()));
  problem.prior.tail(kShapes).setConstant(25.0);
  const FieldSolution s = fit_field(data, problem);
  // Errors against the mean of the zones.
  const Eigen::MatrixXd centring = Eigen::MatrixXd::Identity(kZones, kZones) -
                                   Eigen::MatrixXd::Constant(kZones, kZones, 1.0 / kZones);
  const Eigen::MatrixXd covariance =
      centring * s.covariance.topLeftCorner(kZones, kZones) * centring;
  // What all zones have in common is the smooth shape's.
  double common = 0;
  for (int z = 0; z < kZones; ++z) {
    common += rows[static_cast<std::size_t>(z)] * s.values(z) / static_cast<double>(n);
  }
  std::vector<FieldZone> zones;
  constexpr std::size_t kFewestInZone = 3;
  for (int z = 0; z < kZones; ++z) {
    const auto at = static_cast<std::size_t>(z);
    if (stars[at].size() < kFewestInZone) continue;
    FieldZone zone;
    zone.row = z / kSide;
    zone.column = z % kSide;
    zone.best_focus_steps = curve.centre_steps() + smooth[at] / rows[at] + s.values(z) - common;
    zone.sigma_steps = widening * std::sqrt(covariance(z, z));
    zone.stars = static_cast<int>(stars[at].size());
    zones.push_back(zone);
  }
  return zones;
}

}  // namespace starwaist::over_field
