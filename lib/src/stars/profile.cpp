#include "stars/profile.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

constexpr double kStep = 0.125;    // knots in half-flux radii: shapes are smooth on this scale
constexpr double kFarthest = 8.0;  // half-flux radii; beyond, 0.4 % of a Moffat 2.5 star is left
constexpr double kNormalAt = 2.0;  // annuli are compared in units of the light inside this radius
constexpr double kSteepestWing = 8.0;
// Kolmogorov seeing falls as r^(-11/3), the shallowest that a star does (Roddier 1981, from
// memory).
constexpr double kShallowestWing = 11.0 / 3.0;
constexpr double kEnoughSignal = 4.0;  // annulus over its own standard error
constexpr double kSmallest = 1e-4;

}  // namespace

GrowthProfile GrowthProfile::gaussian() {
  std::vector<double> fraction;
  for (double x = 0; x <= 4.0; x += kStep) fraction.push_back(1 - std::exp2(-x * x));
  return {kStep, std::move(fraction), kSteepestWing};
}

GrowthProfile::GrowthProfile(double step, std::vector<double> fraction, double power)
    : step_(step), fraction_(std::move(fraction)), power_(power) {}

double GrowthProfile::fraction(double x) const {
  if (!(x > 0)) return 0.0;
  const double place = x / step_;
  const auto last = fraction_.size() - 1;
  if (place >= static_cast<double>(last)) {
    const double edge = step_ * static_cast<double>(last);
    return 1 - (1 - fraction_[last]) * std::pow(x / edge, 2 - power_);
  }
  const auto below = static_cast<std::size_t>(place);
  // Growth is nearly linear in the square of the radius over one step near the centre, and in the
  // radius elsewhere; the square is used throughout.
  const double x0 = step_ * static_cast<double>(below);
  const double x1 = x0 + step_;
  const double t = (x * x - x0 * x0) / (x1 * x1 - x0 * x0);
  return std::lerp(fraction_[below], fraction_[below + 1], t);
}

double GrowthProfile::slope(double x) const {
  return (fraction(x + step_) - fraction(std::max(0.0, x - step_))) /
         (x + step_ - std::max(0.0, x - step_));
}

double GrowthProfile::radius_of(double wanted) const {
  double low = 0;
  double high = 64;
  for (int round = 0; round < 50; ++round) {
    const double middle = 0.5 * (low + high);
    (fraction(middle) < wanted ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

double GrowthProfile::central_ratio() const {
  constexpr double kCore = 0.375;
  const double centre = fraction(kCore) / (kCore * kCore);
  const double rim = slope(1.0) / 2.0;  // d fraction / d(x^2) at x = 1
  return rim > kSmallest ? centre / rim : 0.0;
}

std::optional<GrowthProfile> stacked_profile(std::span<const ProfileStar> stars) {
  const auto knots = static_cast<std::size_t>(kFarthest / kStep);
  std::vector<double> fraction{0.0};
  std::vector<double> annulus_light;
  std::vector<double> light;
  std::vector<double> noise;
  std::size_t inner_stars = 0;
  double last_light = 0;
  for (std::size_t k = 0; k < knots; ++k) {
    const double inner = kStep * static_cast<double>(k);
    const double outer = inner + kStep;
    light.clear();
    noise.clear();
    for (const ProfileStar& star : stars) {
      if (outer * star.hfr_px > star.growth->limit_px()) continue;
      const double unit = star.growth->flux(kNormalAt * star.hfr_px);
      if (!(unit > 0)) continue;
      const double inner_px = inner * star.hfr_px;
      const double outer_px = outer * star.hfr_px;
      // Within the star itself every pixel counts; outside, neighbours are kept out.
      light.push_back((outer <= kNormalAt
                           ? star.growth->flux(outer_px) - star.growth->flux(inner_px)
                           : star.growth->annulus_flux(inner_px, outer_px, star.sky_noise_adu)) /
                      unit);
      const double area =
          std::numbers::pi * (outer * outer - inner * inner) * star.hfr_px * star.hfr_px;
      noise.push_back(star.sky_noise_adu * std::sqrt(area) / unit);
    }
    if (k == 0) inner_stars = light.size();
    if (light.empty() || light.size() * 2 < inner_stars) break;
    const double value = median(light);
    // A median's standard error is 1.2533 times the mean's.
    const double error = 1.2533 * median(noise) / std::sqrt(static_cast<double>(light.size()));
    if (outer > kNormalAt && !(value > kEnoughSignal * error)) break;
    fraction.push_back(fraction.back() + value);
    annulus_light.push_back(value / (outer * outer - inner * inner));  // brightness up to a factor
    last_light = annulus_light.back();
  }
  if (fraction.size() < static_cast<std::size_t>(kNormalAt / kStep) || !(fraction.back() > 0)) {
    return std::nullopt;
  }
  // Slope of the wing over its outer half octave, within what seeing can do.
  const double edge = kStep * static_cast<double>(fraction.size() - 1);
  const auto from = static_cast<std::size_t>(0.7 * static_cast<double>(annulus_light.size()));
  double power = kSteepestWing;
  if (annulus_light[from] > last_light && last_light > 0) {
    const double r0 = kStep * (static_cast<double>(from) + 0.5);
    power = std::log(annulus_light[from] / last_light) / std::log((edge - kStep / 2) / r0);
  }
  power = std::clamp(power, kShallowestWing, kSteepestWing);
  // Brightness b at the edge (light per unit of x^2) leaves 2 b edge^2 / (power - 2) beyond it.
  const double beyond = std::max(0.0, 2 * last_light * edge * edge / (power - 2));
  const double whole = fraction.back() + beyond;
  for (double& f : fraction) f /= whole;
  return GrowthProfile(kStep, std::move(fraction), power);
}

}  // namespace starwaist::stars
