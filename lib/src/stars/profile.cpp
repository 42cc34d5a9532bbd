#include "stars/profile.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <numbers>
#include <tuple>
#include <utility>

#include "core/parallel.h"
#include "stars/aperture.h"
#include "stars/summary.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

constexpr double kStep = 0.125;    // knots in half-flux radii: shapes are smooth on this scale
constexpr double kFarthest = 8.0;  // half-flux radii; beyond, 0.4 % of a Moffat 2.5 star is left
constexpr double kNormalAt = 2.0;  // annuli are compared in units of the light inside this radius
constexpr double kSteepestWing = 12.0;
// Kolmogorov seeing falls as r^(-11/3), the shallowest that a star does (Roddier 1981, from
// memory).
constexpr double kShallowestWing = 11.0 / 3.0;
constexpr double kKnownTo = 0.004;  // of the light: where the summing of annuli ends
constexpr double kSmallest = 1e-4;

}  // namespace

GrowthProfile GrowthProfile::gaussian() {
  std::vector<double> fraction;
  for (double x = 0; x <= 4.0; x += kStep) fraction.push_back(1 - std::exp2(-x * x));
  constexpr double kUnlikeAGaussian = 0.05;
  return {kStep, std::move(fraction), kSteepestWing, kUnlikeAGaussian};
}

GrowthProfile::GrowthProfile(double step, std::vector<double> fraction, double power,
                             double whole_sigma)
    : step_(step), fraction_(std::move(fraction)), power_(power), whole_sigma_(whole_sigma) {}

double GrowthProfile::common_size_sigma() const {
  // The whole's error e moves the half by e / 2, and the radius by that over the slope there.
  const double rise = slope(1.0);
  return rise > kSmallest ? 0.5 * whole_sigma_ / rise : 0.0;
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

namespace {

// The stack's light in one annulus, in units of each star's light inside kNormalAt.
struct Annulus {
  double light = 0;
  double sigma = 0;           // random error
  double pedestal_sigma = 0;  // error that all annuli share through the sky, per unit of x^2
  std::size_t stars = 0;
};

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
  if (light.empty()) return {};
  // A median's standard error is 1.2533 times the mean's.
  const double n = static_cast<double>(light.size());
  return {median(light), 1.2533 * median(noise) / std::sqrt(n), median(pedestal), light.size()};
}

// Light beyond the last knot, in the annuli's units, its error, and the exponent it falls with.
struct Wing {
  double beyond = 0;
  double sigma = 0;
  double power = kSteepestWing;
};

// A ring's edge is its own: from the brightness over the outer third of the knots, none where that
// does not stand above its noise.
Wing ring_wing(const std::vector<Annulus>& annuli) {
  const std::size_t last = annuli.size();
  const auto sum = [&](std::size_t from, std::size_t to) {
    double light = 0;
    double variance = 0;
    for (std::size_t k = from; k < to; ++k) {
      light += annuli[k].light;
      variance += annuli[k].sigma * annuli[k].sigma;
    }
    const double x0 = kStep * static_cast<double>(from);
    const double x1 = kStep * static_cast<double>(to);
    const double pedestal = annuli[last - 1].pedestal_sigma * (x1 * x1 - x0 * x0);
    const double error = std::sqrt(variance + pedestal * pedestal);
    return std::tuple{light > 3 * error ? light / (x1 * x1 - x0 * x0) : 0.0,
                      std::sqrt(0.5 * (x0 * x0 + x1 * x1)), error};
  };
  const auto [inner_light, inner_x, inner_error] = sum(3 * last / 5, 4 * last / 5);
  const auto [outer_light, outer_x, outer_error] = sum(4 * last / 5, last);
  Wing wing;
  wing.sigma = outer_error;  // what may hide there may also lie beyond
  if (!(outer_light > 0) || !(inner_light > outer_light)) return wing;
  // A profile steepens outward (a Gaussian's exponent grows with x^2, a Moffat's hardly any more):
  // in between, in proportion to x from the middle of the two groups to the edge.
  const double edge = kStep * static_cast<double>(last);
  const double measured = std::log(inner_light / outer_light) / std::log(outer_x / inner_x);
  wing.power =
      std::clamp(measured * edge / std::sqrt(inner_x * outer_x), kShallowestWing, kSteepestWing);
  // Brightness b at x leaves 2 b x^2 (edge / x)^(2 - power) / (power - 2) beyond the edge.
  wing.beyond = 2 * outer_light * outer_x * outer_x * std::pow(edge / outer_x, 2 - wing.power) /
                (wing.power - 2);
  wing.sigma = 0.5 * wing.beyond;  // a power law is no more than a guess
  return wing;
}

// Light beyond x half-flux radii of a star.
using Beyond = std::function<double(double)>;

// `unit`: the half-flux radius.
Beyond moffat_beyond(double beta, double unit) {
  const double square_alpha = unit * unit / (std::exp2(1 / (beta - 1)) - 1);
  return [=](double x) { return std::pow(1 + x * x / square_alpha, 1 - beta); };
}

// Kolmogorov's seeing, of transfer function exp(-3.44 nu^(5/3)) (Fried 1966, from memory) and
// half-flux radius 0.5548 in the same units: at the annuli's knots by Simpson's rule.
const std::vector<double>& kolmogorov_table() {
  static const std::vector<double> table = [] {
    constexpr double kHalfFluxRadius = 0.55481;
    constexpr int kPanels = 400;
    constexpr double kHighest = 2.4;  // the transfer function is 4e-7 there
    const double step = kHighest / kPanels;
    std::vector<double> beyond;
    for (int k = 0; k <= static_cast<int>(1.1 * kFarthest / kStep); ++k) {
      const double r = kStep * k * kHalfFluxRadius;
      double sum = 0;
      for (int i = 1; i <= kPanels; ++i) {
        const double nu = step * i;
        const double weight = i == kPanels ? 1.0 : i % 2 == 1 ? 4.0 : 2.0;
        sum +=
            weight * std::exp(-3.44 * std::pow(nu, 5.0 / 3)) * ::j1(2 * std::numbers::pi * r * nu);
      }
      beyond.push_back(1 - 2 * std::numbers::pi * r * sum * step / 3);
    }
    return beyond;
  }();
  return table;
}

Beyond kolmogorov_beyond(double unit) {
  const std::vector<double>& table = kolmogorov_table();
  return [&table, unit](double x) {
    const double place = x / (unit * kStep);
    const auto below = std::min(static_cast<std::size_t>(place), table.size() - 2);
    return std::lerp(table[below], table[below + 1], place - static_cast<double>(below));
  };
}

// How well a star's light fits the annuli: chi squared, and what it leaves beyond the last.
struct Trial {
  double chi_squared = 0;
  double beyond = 0;
  double power = 0;
  double prior = 0;
};

Trial tried(const std::vector<Annulus>& annuli, const Beyond& left, double prior) {
  constexpr double kModel = 0.004;  // of the light in an annulus: no star is quite the model
  const auto core = static_cast<std::size_t>(1.0 / kStep);
  double mm = 0;
  double md = 0;
  double dd = 0;
  const auto add = [&](double model, double light, double sigma) {
    const double weight = 1 / (sigma * sigma + kModel * kModel * light * light);
    mm += weight * model * model;
    md += weight * model * light;
    dd += weight * light * light;
  };
  // The core counts as one.
  double inside = 0;
  double variance = 0;
  for (std::size_t k = 0; k < core; ++k) {
    inside += annuli[k].light;
    variance += annuli[k].sigma * annuli[k].sigma;
  }
  double before = left(kStep * static_cast<double>(core - 1));
  double at_edge = left(1.0);  // of the last annulus counted
  add(1 - at_edge, inside, std::sqrt(variance));
  for (std::size_t k = core; k < annuli.size(); ++k) {
    before = std::exchange(at_edge, left(kStep * static_cast<double>(k + 1)));
    add(before - at_edge, annuli[k].light, annuli[k].sigma);
  }
  const double edge = kStep * static_cast<double>(annuli.size());
  const double amplitude = md / mm;
  return {dd - amplitude * md, amplitude * at_edge,
          2 + std::log(before / at_edge) / std::log(edge / (edge - kStep)), prior};
}

// A star that is brightest in its centre: Moffat profiles of all exponents and Kolmogorov's seeing
// (whose wings are wider than those of the Moffat profile with its core), averaged over what the
// annuli allow. Where only the core stands out of the noise, much is still known from it, while a
// power law through the last annuli would be far too shallow.
Wing peaked_wing(const std::vector<Annulus>& annuli) {
  constexpr int kExponents = 44;
  constexpr double kSteepest = 0.05;  // 1 / (beta - 1): beta 21 to 1.9
  constexpr double kShallowest = 1.125;
  // The radii's unit is each star's half-flux radius as first measured, when the light beyond the
  // aperture was a guess: the true one may be larger.
  constexpr std::array kUnits{0.96, 0.98, 1.0, 1.02, 1.04, 1.06, 1.08, 1.1, 1.12, 1.15};
  std::vector<Trial> trials;
  for (const double unit : kUnits) {
    for (int i = 0; i < kExponents; ++i) {
      const double g = kSteepest + (kShallowest - kSteepest) * i / (kExponents - 1);
      trials.push_back(tried(annuli, moffat_beyond(1 + 1 / g, unit), 1.0 / kExponents));
    }
    trials.push_back(tried(annuli, kolmogorov_beyond(unit), 1.0));
  }
  double least = trials.front().chi_squared;
  for (const Trial& t : trials) least = std::min(least, t.chi_squared);
  double weights = 0;
  double sum = 0;
  double squares = 0;
  Wing wing;
  wing.power = 0;
  for (const Trial& t : trials) {
    const double weight = t.prior * std::exp(-0.5 * (t.chi_squared - least));
    weights += weight;
    sum += weight * t.beyond;
    squares += weight * t.beyond * t.beyond;
    wing.power += weight * t.power;
  }
  wing.beyond = sum / weights;
  wing.sigma = std::sqrt(std::max(0.0, squares / weights - wing.beyond * wing.beyond));
  wing.power = std::clamp(wing.power / weights, kShallowestWing, 2 * kSteepestWing);
  return wing;
}

}  // namespace

std::optional<GrowthProfile> stacked_profile(std::span<const ProfileStar> stars, int threads) {
  std::vector<std::optional<StackedStar>> stacked(stars.size());
  core::parallel_for(stars.size(), threads, [&](std::size_t i) { stacked[i].emplace(stars[i]); });
  std::vector<Annulus> all(static_cast<std::size_t>(kFarthest / kStep));
  core::parallel_for(all.size(), threads,
                     [&](std::size_t k) { all[k] = stacked_annulus(stacked, k); });
  std::vector<double> fraction{0.0};
  std::vector<Annulus> annuli;
  double variance = 0;
  for (std::size_t k = 0; k < all.size(); ++k) {
    const double outer = kStep * static_cast<double>(k + 1);
    const Annulus& annulus = all[k];
    if (annulus.stars == 0 || annulus.stars * 2 < stars.size()) break;
    variance += annulus.sigma * annulus.sigma;
    const double pedestal = annulus.pedestal_sigma * outer * outer;
    // Every annulus counts, bright or not (to keep only those that stand out would add light),
    // until the sum is no longer known well.
    if (outer > kNormalAt && std::sqrt(variance + pedestal * pedestal) > kKnownTo) break;
    fraction.push_back(fraction.back() + annulus.light);
    annuli.push_back(annulus);
  }
  if (fraction.size() < static_cast<std::size_t>(kNormalAt / kStep) || !(fraction.back() > 0)) {
    return std::nullopt;
  }
  // A filled-in ring is something of both.
  constexpr double kRing = 1.0;
  constexpr double kPeaked = 1.5;
  const double ratio = GrowthProfile(kStep, fraction, kSteepestWing, 0).central_ratio();
  const double peaked = std::clamp((ratio - kRing) / (kPeaked - kRing), 0.0, 1.0);
  const Wing of_ring = ring_wing(annuli);
  const Wing of_peak = peaked_wing(annuli);
  const Wing wing{std::lerp(of_ring.beyond, of_peak.beyond, peaked),
                  std::lerp(of_ring.sigma, of_peak.sigma, peaked),
                  std::lerp(of_ring.power, of_peak.power, peaked)};
  const double whole = fraction.back() + wing.beyond;
  const double edge = kStep * static_cast<double>(annuli.size());
  double square_sigma =
      wing.sigma * wing.sigma + std::pow(annuli.back().pedestal_sigma * edge * edge, 2);
  for (const Annulus& annulus : annuli) square_sigma += annulus.sigma * annulus.sigma;
  // Noise may make the far sums fall: a growth curve does not.
  for (std::size_t k = 1; k < fraction.size(); ++k) {
    fraction[k] = std::clamp(fraction[k] / whole, fraction[k - 1], 1.0);
  }
  // In units of the half-flux radius that follows from the whole.
  const GrowthProfile in_first_units(kStep, fraction, wing.power, 0);
  return GrowthProfile(kStep / in_first_units.radius_of(0.5), std::move(fraction), wing.power,
                       std::sqrt(square_sigma) / whole);
}

}  // namespace starwaist::stars
