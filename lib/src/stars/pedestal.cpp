#include "stars/pedestal.h"

#include <cmath>
#include <cstddef>

#include "numerics/line.h"
#include "numerics/robust.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

// A straight line through points with errors, Huber-weighted against neighbours in the annuli.
struct Line {
  double intercept = 0;
  double slope = 0;
  double scatter2 = 0;  // variance beyond the points' own
  double intercept_sigma = 0;
};

Line robust_line(const std::vector<double>& x, const std::vector<double>& y,
                 const std::vector<double>& variance) {
  Line line{median(y), 0, 0, 0};
  std::vector<double> residual(y.size());
  std::vector<double> weight(y.size());
  for (int round = 0; round < 20; ++round) {
    for (std::size_t i = 0; i < y.size(); ++i) {
      residual[i] = y[i] - line.intercept - line.slope * x[i];
    }
    const double spread = robust_sigma(residual);
    // The square of a robust spread of n values is itself known to 2.3 / sqrt(n): scatter within
    // two such errors of the points' own variance is none.
    const double allowed = 1 + 4.6 / std::sqrt(static_cast<double>(y.size()));
    line.scatter2 = numerics::variance_beyond(spread, variance, allowed);
    for (std::size_t i = 0; i < y.size(); ++i) {
      const double v = variance[i] + line.scatter2;
      weight[i] = numerics::huber_weight(residual[i] / std::sqrt(v)) / v;
    }
    const auto fitted = numerics::weighted_line(x, y, weight);
    if (!fitted) return line;
    line.slope = fitted->slope;
    line.intercept = fitted->intercept;
    line.intercept_sigma = fitted->intercept_sigma;
  }
  return line;
}

// The mesh is good to some hundredths of the noise: 4096 pixels a cell, smoothed over nine cells,
// and the stars' far wings in it.
constexpr double kMeshSigma = 0.02;

}  // namespace

Pedestal::Pedestal(double noise_adu) : level_sigma_adu_(kMeshSigma * noise_adu) {}

Pedestal::Pedestal(const std::vector<AnnulusOfStar>& stars, double noise_adu)
    : Pedestal(noise_adu) {
  constexpr std::size_t kFewest = 8;
  std::vector<double> light;
  std::vector<double> value;
  std::vector<double> variance;
  for (const AnnulusOfStar& star : stars) {
    light.push_back(star.flux_adu);
    value.push_back(star.annulus.value_adu);
    variance.push_back(star.annulus.sigma_adu * star.annulus.sigma_adu);
  }
  // Too few to learn from, and an annulus alone would count its star's wings as sky.
  if (value.size() < kFewest) return;
  const double unit = median(light);
  for (double& l : light) l /= unit;
  const Line line = robust_line(light, value, variance);
  // The annuli correct the mesh as far as they know better.
  const double mesh2 = level_sigma_adu_ * level_sigma_adu_;
  const double gain = mesh2 / (mesh2 + line.intercept_sigma * line.intercept_sigma);
  level_adu_ = line.intercept * gain;
  // Where the annuli contradict the mesh, stars' far wings lie in both: neither is the sky itself.
  constexpr double kOfContradiction = 0.5;
  level_sigma_adu_ =
      std::hypot(line.intercept_sigma * std::sqrt(gain), kOfContradiction * level_adu_);
  wing_per_flux_ = line.slope / unit;
  scatter2_ = line.scatter2;
}

SkyOffset Pedestal::at(const std::optional<AnnulusSky>& annulus, double flux_adu) const {
  if (!annulus) {
    return {level_adu_, std::hypot(level_sigma_adu_, std::sqrt(scatter2_)), level_sigma_adu_};
  }
  const double e2 = annulus->sigma_adu * annulus->sigma_adu;
  const double trust = scatter2_ > 0 ? scatter2_ / (scatter2_ + e2) : 0.0;
  const double own = annulus->value_adu - wing_per_flux_ * flux_adu;
  const double shared = (1 - trust) * level_sigma_adu_;
  return {std::lerp(level_adu_, own, trust), std::hypot(shared, std::sqrt(trust * e2)), shared};
}

}  // namespace starwaist::stars
