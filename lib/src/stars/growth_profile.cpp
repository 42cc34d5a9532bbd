#include "stars/growth_profile.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>

#include "core/parallel.h"
#include "numerics/robust.h"
#include "numerics/root.h"
#include "stars/aperture.h"
#include "stars/summary.h"
#include "stars/wings.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

constexpr double kStep = 0.125;    // knots in half-flux radii: shapes are smooth on this scale
constexpr double kFarthest = 8.0;  // half-flux radii; beyond, 0.4 % of a Moffat 2.5 star is left
constexpr double kNormalAt = 2.0;  // annuli are compared in units of the light inside this radius
constexpr double kSteepestWing = 12.0;
constexpr double kKnownTo = 0.004;  // of the light: where the summing of annuli ends
constexpr double kSmallest = 1e-4;
// Of the halo that a clear ring of a pupil gives: dust and the rim's finish add to it or take from
// it. Common practice, no source.
constexpr double kHaloUnknown = 0.15;
// Of a star's light, what vanes throw out of it: theirs is 8 / pi (width over diameter) / (1 + e)
// for four of them (Babinet; own derivation). From none (a corrector plate, a lens) to widths of
// 0.6 % (common practice, no source) 0 to 1.1 %.
constexpr double kVanes = 0.003;
constexpr double kVanesSigma = 0.0035;
// A spike of a vane of this width reaches 1 / 0.4 % wavelengths times f-ratio, and the halo is some
// 0.3 of these.
constexpr double kSpikeOfHalo = 800;

}  // namespace

GrowthProfile GrowthProfile::gaussian() {
  std::vector<double> fraction;
  for (double x = 0; x <= 4.0; x += kStep) fraction.push_back(1 - std::exp2(-x * x));
  constexpr double kUnlikeAGaussian = 0.05;
  return {kStep, std::move(fraction), kSteepestWing, kUnlikeAGaussian};
}

GrowthProfile::GrowthProfile(double step, std::vector<double> fraction, double power,
                             double whole_sigma, double halo_sigma)
    : step_(step),
      fraction_(std::move(fraction)),
      power_(power),
      whole_sigma_(whole_sigma),
      halo_sigma_(halo_sigma) {}

double GrowthProfile::size_sigma_of(double whole_sigma) const {
  // The whole's error e moves the half by e / 2, and the radius by that over the slope there.
  const double rise = slope(1.0);
  return rise > kSmallest ? 0.5 * whole_sigma / rise : 0.0;
}

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
  constexpr numerics::Bracket kReach{.low = 0, .high = 64};
  constexpr int kHalvings = 50;
  return numerics::bisect(kReach, kHalvings, [&](double x) { return fraction(x) < wanted; });
}

double GrowthProfile::central_ratio() const {
  constexpr double kCore = 0.375;
  const double centre = fraction(kCore) / (kCore * kCore);
  const double rim = slope(1.0) / 2.0;  // d fraction / d(x^2) at x = 1
  return rim > kSmallest ? centre / rim : 0.0;
}

namespace {

// A star of the stack, its light sorted into annuli.
class StackedStar {
 public:
  explicit StackedStar(const ProfileStar& star)
      : star_(&star), growth_(star.stamp, star.centre, star.reach_px) {
    unit_ = growth_.flux(kNormalAt * star.hfr_px);
    const double cx = star.centre.x_px - star.stamp.x_begin_px;
    const double cy = star.centre.y_px - star.stamp.y_begin_px;
    const double annulus_px = kStep * star.hfr_px;
    const double reach_px = std::min(star.reach_px, kFarthest * star.hfr_px);
    values_.resize(static_cast<std::size_t>(reach_px / annulus_px) + 1);
    for (int y = 0; y < star.stamp.height_px; ++y) {
      const float* row = star.stamp.row(y);
      for (int x = 0; x < star.stamp.width_px; ++x) {
        const double square = (x - cx) * (x - cx) + (y - cy) * (y - cy);
        if (square >= reach_px * reach_px || !std::isfinite(row[x])) continue;
        values_[static_cast<std::size_t>(std::sqrt(square) / annulus_px)].push_back(row[x]);
      }
    }
  }

  // In the units of the light inside kNormalAt, from the mean of the annulus' pixels within three
  // spreads of their median, so that a neighbour in a part of it does not count; within the star
  // itself, and where few pixels lie in it, the plain difference of the growth curve.
  [[nodiscard]] std::optional<double> light(std::size_t annulus) const {
    constexpr std::size_t kFewest = 12;
    const double inner_px = kStep * static_cast<double>(annulus) * star_->hfr_px;
    const double outer_px = kStep * static_cast<double>(annulus + 1) * star_->hfr_px;
    if (outer_px > growth_.limit_px() || !(unit_ > 0)) return std::nullopt;
    const auto& values = values_[annulus];
    if (outer_px <= kNormalAt * star_->hfr_px || values.size() < kFewest) {
      return (growth_.flux(outer_px) - growth_.flux(inner_px)) / unit_;
    }
    const double area = std::numbers::pi * (outer_px * outer_px - inner_px * inner_px);
    return clipped_mean(values, star_->sky_noise_adu).value * area / unit_;
  }
  [[nodiscard]] const ProfileStar& star() const { return *star_; }
  [[nodiscard]] double unit() const { return unit_; }

 private:
  const ProfileStar* star_;
  GrowthCurve growth_;
  double unit_ = 0;
  std::vector<std::vector<float>> values_;  // of the pixels in each annulus
};

Annulus stacked_annulus(const std::vector<std::optional<StackedStar>>& stars, std::size_t annulus) {
  const double inner = kStep * static_cast<double>(annulus);
  const double outer = inner + kStep;
  std::vector<double> light;
  std::vector<double> noise;
  std::vector<double> pedestal;
  for (const auto& stacked : stars) {
    const auto share = stacked->light(annulus);
    if (!share) continue;
    light.push_back(*share);
    const ProfileStar& star = stacked->star();
    const double area_per_x2 = std::numbers::pi * star.hfr_px * star.hfr_px;
    noise.push_back(star.sky_noise_adu * std::sqrt(area_per_x2 * (outer * outer - inner * inner)) /
                    stacked->unit());
    pedestal.push_back(star.sky_sigma_adu * area_per_x2 / stacked->unit());
  }
  const auto mean = numerics::robust_mean(light, noise);
  if (!mean) return {};
  return {mean->value, mean->sigma, median(pedestal), light.size()};
}

// Light beyond an edge that no annulus shows, relative, and its standard error.
struct Unseen {
  double share = 0;
  double sigma = 0;
};

Unseen unseen_beyond(double edge_px, double halo_px) {
  // Of the light that diffraction throws out where nothing is known of the optics: f-ratios of 2 to
  // 10 on pixels of 3 to 9 um have halos of 0.05 to 0.4 px.
  constexpr double kUnknownHaloPx = 0.15;
  if (!(halo_px > 0)) return {0, kUnknownHaloPx / edge_px};
  // The light of a slit beyond x of its first zero goes as 1 / (1 + 2 x), nearly.
  const double spikes = 1 / (1 + 2 * edge_px / (kSpikeOfHalo * halo_px));
  return {kVanes * spikes, std::hypot(kVanesSigma * spikes, kHaloUnknown * halo_px / edge_px)};
}

}  // namespace

std::optional<GrowthProfile> stacked_profile(std::span<const ProfileStar> stars, double halo_px,
                                             int threads) {
  std::vector<std::optional<StackedStar>> stacked(stars.size());
  core::parallel_for(stars.size(), threads, [&](std::size_t i) { stacked[i].emplace(stars[i]); });
  std::vector<Annulus> all(static_cast<std::size_t>(kFarthest / kStep));
  core::parallel_for(all.size(), threads,
                     [&](std::size_t k) { all[k] = stacked_annulus(stacked, k); });
  const auto unseen = std::find_if(all.begin(), all.end(), [&](const Annulus& annulus) {
    return annulus.stars == 0 || annulus.stars * 2 < stars.size();
  });
  all.erase(unseen, all.end());
  // Green sites alone scatter from annulus to annulus what their sum hardly knows.
  const bool counts_inner = std::all_of(
      stars.begin(), stars.end(), [](const ProfileStar& s) { return s.stamp.own_share() == 1; });
  std::vector<double> fraction{0.0};
  double square_sigma = 0;
  double inner_square = 0;  // of the annuli that are measured in units of their own sum
  double edge_pedestal = 0;
  for (std::size_t k = 0; k < all.size(); ++k) {
    const double outer = kStep * static_cast<double>(k + 1);
    const Annulus& annulus = all[k];
    const double variance = square_sigma + annulus.sigma * annulus.sigma;
    const double beyond = counts_inner ? variance : variance - inner_square;
    const double pedestal = annulus.pedestal_sigma * outer * outer;
    // Every annulus counts, bright or not (to keep only those that stand out would add light),
    // until the sum is no longer known well.
    if (outer > kNormalAt && std::sqrt(beyond + pedestal * pedestal) > kKnownTo) break;
    fraction.push_back(fraction.back() + annulus.light);
    square_sigma = variance;
    if (outer <= kNormalAt) inner_square = variance;
    edge_pedestal = pedestal;
  }
  if (fraction.size() < static_cast<std::size_t>(kNormalAt / kStep) || !(fraction.back() > 0)) {
    return std::nullopt;
  }
  std::vector<double> sizes;
  for (const ProfileStar& star : stars) sizes.push_back(star.hfr_px);
  const Wing wing = wing_of(all, fraction.size() - 1, kStep, halo_px / median(sizes));
  const double edge_px = kStep * static_cast<double>(fraction.size() - 1) * median(sizes);
  const Unseen unseen_light = unseen_beyond(edge_px, halo_px);
  const double whole = (fraction.back() + wing.beyond) * (1 + unseen_light.share);
  square_sigma += wing.sigma * wing.sigma + edge_pedestal * edge_pedestal - inner_square;
  // Noise may make the far sums fall: a growth curve does not.
  for (std::size_t k = 1; k < fraction.size(); ++k) {
    fraction[k] = std::clamp(fraction[k] / whole, fraction[k - 1], 1.0);
  }
  // In units of the half-flux radius that follows from the whole.
  const GrowthProfile in_first_units(kStep, fraction, wing.power, 0);
  return GrowthProfile(kStep / in_first_units.radius_of(0.5), std::move(fraction), wing.power,
                       std::sqrt(square_sigma) / whole, unseen_light.sigma);
}

}  // namespace starwaist::stars
