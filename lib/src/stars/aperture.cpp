#include "stars/aperture.h"

#include <algorithm>
#include <array>
#include <boost/math/quadrature/gauss.hpp>
#include <cmath>
#include <cstddef>
#include <limits>
#include <numbers>

namespace starwaist::stars {
namespace {

// The smoothing kernel. In frequency: the sum of s^k / k! for k = 0 to 5 times exp(-s), which is
// flat at 1 and halves at s = 5.6702; put a little above the sampling limit, where stars have
// little left. In space its transform: Laguerre polynomials times a Gaussian (their sum is the
// associated polynomial of the same order). So a Gaussian, Moffat or Kolmogorov star is sized
// within 1.4 % at 0.93 px, 0.8 % at 1.02 px and 0.3 % from 1.16 px on, and with its place in the
// pixel the size varies by less than 2.1, 0.9 and 0.3 % (the largest of each for Moffat 2.5).
constexpr int kOrder = 5;
constexpr double kHalfPassed = 5.6702;
constexpr double kCutoffPerPx = 0.56;
// Of green sites alone, whose limit lies between 0.35 along the diagonals and 0.5 along rows: a
// lower one would size a star of 1.3 px 0.5 % large, a higher one would let more of the grid in
// (sites_error).
constexpr double kGreenCutoffPerPx = 0.50;

double kernel(double square_distance, double cutoff_per_px) {
  // s = 2 pi^2 sigma^2 nu^2.
  const double variance =
      kHalfPassed / (2 * std::numbers::pi * std::numbers::pi * cutoff_per_px * cutoff_per_px);
  const double x = square_distance / (2 * variance);
  // Associated Laguerre polynomial L_5^(1).
  static_assert(kOrder == 5);
  const double polynomial = 6 + x * (-15 + x * (10 + x * (-2.5 + x * (0.25 - x / 120.0))));
  return std::exp(-x) * polynomial / (2 * std::numbers::pi * variance);
}

// d w / d r: the kernel integrated over the circle of radius r, seen from distance d.
double rim(double d, double r, double cutoff_per_px) {
  const double gap = std::abs(d - r);
  if (r <= 0 || gap >= kRimReachPx) return 0.0;
  if (d < 1e-9) return 2 * std::numbers::pi * r * kernel(r * r, cutoff_per_px);
  // Square of the distance to the rim at angle t: (d - r)^2 + 4 d r sin^2(t / 2).
  const double sine = std::sqrt((kRimReachPx * kRimReachPx - gap * gap) / (4 * d * r));
  const double widest = sine >= 1 ? std::numbers::pi : 2 * std::asin(sine);
  return 2 * r *
         boost::math::quadrature::gauss<double, 20>::integrate(
             [&](double t) {
               const double s = std::sin(0.5 * t);
               return kernel(gap * gap + 4 * d * r * s * s, cutoff_per_px);
             },
             0.0, widest);
}

constexpr int kKnotsAPx = 4;  // growth curve, radii
constexpr int kBinsAPx = 16;  // light by distance
constexpr int kBinsAKnot = kBinsAPx / kKnotsAPx;
constexpr int kRimKnots = static_cast<int>(kRimReachPx * kKnotsAPx);
// Knots between which a bin's weight goes from 0 to 1, and one more: a multiple of four.
constexpr int kWindow = 2 * kRimKnots + 2;
constexpr int kFarPx = 12;  // from here on the rim's curvature is a small correction

// Weights of a distance bin in the knots first_knot(bin) .. first_knot(bin) + kWindow - 1; none
// before, 1 after.
class WeightTable {
 public:
  using Row = std::array<float, kWindow>;

  static const WeightTable& of_all_pixels() {
    static const WeightTable table(kCutoffPerPx);
    return table;
  }
  static const WeightTable& of_green_sites() {
    static const WeightTable table(kGreenCutoffPerPx);
    return table;
  }

  static int first_knot(int bin) { return bin / kBinsAKnot - kRimKnots; }

  // Row for a bin: exact near the centre; far out A + B / d, both by the place within a knot, put
  // together in `far`.
  const Row& row(int bin, Row& far) const {
    if (bin < kFarPx * kBinsAPx) return near_[static_cast<std::size_t>(bin)];
    const auto phase = static_cast<std::size_t>(bin % kBinsAKnot);
    const float inverse = static_cast<float>(kBinsAPx) / static_cast<float>(bin);
    for (std::size_t i = 0; i < far.size(); ++i) {
      far[i] = straight_[phase][i] + inverse * curved_[phase][i];
    }
    return far;
  }

 private:
  explicit WeightTable(double cutoff_per_px) {
    for (int bin = 0; bin < kFarPx * kBinsAPx; ++bin) {
      near_[static_cast<std::size_t>(bin)] = integrated(bin, cutoff_per_px);
    }
    for (int phase = 0; phase < kBinsAKnot; ++phase) {
      const int close = kFarPx * kBinsAPx + phase;
      const int distant = 3 * kFarPx * kBinsAPx + phase;
      const Row a = integrated(close, cutoff_per_px);
      const Row b = integrated(distant, cutoff_per_px);
      const double inverse_a = static_cast<double>(kBinsAPx) / close;
      const double inverse_b = static_cast<double>(kBinsAPx) / distant;
      for (std::size_t i = 0; i < a.size(); ++i) {
        const double slope = (a[i] - b[i]) / (inverse_a - inverse_b);
        curved_[static_cast<std::size_t>(phase)][i] = static_cast<float>(slope);
        straight_[static_cast<std::size_t>(phase)][i] =
            static_cast<float>(b[i] - slope * inverse_b);
      }
    }
  }

  // Simpson's rule from knot to knot.
  static Row integrated(int bin, double cutoff_per_px) {
    const double d = static_cast<double>(bin) / kBinsAPx;
    constexpr double kStep = 1.0 / kKnotsAPx;
    std::array<double, kWindow> sum{};
    double before = 0;
    for (int i = 1; i < kWindow; ++i) {
      const double r = kStep * (first_knot(bin) + i);
      const double here = rim(d, r, cutoff_per_px);
      sum[static_cast<std::size_t>(i)] =
          sum[static_cast<std::size_t>(i - 1)] +
          kStep / 6 * (before + 4 * rim(d, r - kStep / 2, cutoff_per_px) + here);
      before = here;
    }
    Row row{};
    for (std::size_t i = 0; i < row.size(); ++i) {
      row[i] = static_cast<float>(sum[i] / sum.back());
    }
    return row;
  }

  std::array<Row, kFarPx * kBinsAPx> near_{};
  std::array<Row, kBinsAKnot> straight_{};
  std::array<Row, kBinsAKnot> curved_{};
};

// A sample without a value counts as the mean of those in its ring of one pixel. `missing`: the
// distances of those samples.
void fill_in(const Stamp& stamp, Centre centre, double reach_px, const std::vector<float>& missing,
             std::vector<float>& bins) {
  const auto cx = static_cast<float>(centre.x_px - stamp.x_begin_px);
  const auto cy = static_cast<float>(centre.y_px - stamp.y_begin_px);
  const auto reach = static_cast<float>(reach_px);
  const auto ring_of = [](float distance) { return static_cast<std::size_t>(distance); };
  const auto rings = static_cast<std::size_t>(reach_px) + 2;
  std::vector<double> sum(rings, 0.0);
  std::vector<double> seen(rings, 0.0);
  const int y_first = std::max(0, static_cast<int>(std::ceil(cy - reach)));
  const int y_last = std::min(stamp.height_px - 1, static_cast<int>(std::floor(cy + reach)));
  for (int y = y_first; y <= y_last; ++y) {
    for (int x = 0; x < stamp.width_px; ++x) {
      const float dx = static_cast<float>(x) - cx;
      const float dy = static_cast<float>(y) - cy;
      const float distance = std::sqrt(dx * dx + dy * dy);
      const float value = stamp.at(x, y);
      if (distance > reach || !std::isfinite(value) || !stamp.is_own(x, y)) continue;
      sum[ring_of(distance)] += value;
      seen[ring_of(distance)] += 1;
    }
  }
  double last_mean = 0;
  for (std::size_t ring = 0; ring < rings; ++ring) {
    if (seen[ring] > 0) last_mean = sum[ring] / seen[ring];
    sum[ring] = last_mean;
  }
  for (const float distance : missing) {
    bins[static_cast<std::size_t>(distance * kBinsAPx)] +=
        static_cast<float>(sum[ring_of(distance)]);
  }
}

// The samples of row y that are a site's own, from column `begin` on.
struct Steps {
  int first = 0;
  int step = 1;
};

Steps own_steps(const Stamp& stamp, int begin, int y) {
  const bool here = stamp.is_own(begin, y);
  const bool next = stamp.is_own(begin + 1, y);
  if (here && next) return {begin, 1};
  if (!here && !next) return {std::numeric_limits<int>::max(), 1};
  return {here ? begin : begin + 1, 2};
}

// Light by distance from the centre, each sample shared between the two nearest bins.
std::vector<float> light_by_distance(const Stamp& stamp, Centre centre, double reach_px) {
  // A bin's light and the part of it that the next bin gets; neighbours in a row, which often share
  // a bin, have sums of their own, so that no sum waits for the one before.
  struct Light {
    float value = 0;
    float upper = 0;
  };
  const auto count = static_cast<std::size_t>(std::ceil(reach_px * kBinsAPx)) + 2;
  std::vector<Light> light(2 * count);
  const auto cx = static_cast<float>(centre.x_px - stamp.x_begin_px);
  const auto cy = static_cast<float>(centre.y_px - stamp.y_begin_px);
  const auto reach = static_cast<float>(reach_px);
  const int y_first = std::max(0, static_cast<int>(std::ceil(cy - reach)));
  const int y_last = std::min(stamp.height_px - 1, static_cast<int>(std::floor(cy + reach)));
  std::vector<float> missing;                                          // distances
  std::vector<float> place(static_cast<std::size_t>(stamp.width_px));  // of a row, in bins
  for (int y = y_first; y <= y_last; ++y) {
    const float dy = static_cast<float>(y) - cy;
    const float half = std::sqrt(std::max(0.0F, reach * reach - dy * dy));
    const int x_first = std::max(0, static_cast<int>(std::ceil(cx - half)));
    const int x_last = std::min(stamp.width_px - 1, static_cast<int>(std::floor(cx + half)));
    const float* row = stamp.row(y);
    for (int x = x_first; x <= x_last; ++x) {
      const float dx = static_cast<float>(x) - cx;
      place[static_cast<std::size_t>(x)] = std::sqrt(dx * dx + dy * dy) * kBinsAPx;
    }
    const Steps own = own_steps(stamp, x_first, y);
    for (int x = own.first; x <= x_last; x += own.step) {
      const float here = place[static_cast<std::size_t>(x)];
      const float value = row[x];
      if (!std::isfinite(value)) {
        missing.push_back(here / kBinsAPx);
        continue;
      }
      const int bin = static_cast<int>(here);
      Light& into =
          light[2 * static_cast<std::size_t>(bin) + static_cast<std::size_t>((x / own.step) & 1)];
      into.value += value;
      into.upper += (here - static_cast<float>(bin)) * value;
    }
  }
  std::vector<float> bins(count, 0.0F);
  for (std::size_t bin = 0; bin + 1 < count; ++bin) {
    const float upper = light[2 * bin].upper + light[2 * bin + 1].upper;
    bins[bin] += light[2 * bin].value + light[2 * bin + 1].value - upper;
    bins[bin + 1] += upper;
  }
  if (!missing.empty()) fill_in(stamp, centre, reach_px, missing, bins);
  if (const double share = stamp.own_share(); share < 1) {
    for (float& bin : bins) bin /= static_cast<float>(share);
  }
  return bins;
}

// Lagrange's polynomial through six equidistant values, 0 <= t <= 1 between the third and the
// fourth. The curve holds frequencies up to half a cycle a pixel, an eighth of a cycle a knot:
// four points would err by 1 % there, six by 0.1 % of what lies at that frequency.
double interpolated(const std::array<double, 6>& v, double t) {
  const double a = t + 2;
  const double b = t + 1;
  const double c = t - 1;
  const double d = t - 2;
  const double e = t - 3;
  return -v[0] * b * t * c * d * e / 120 + v[1] * a * t * c * d * e / 24 -
         v[2] * a * b * c * d * e / 12 + v[3] * a * b * t * d * e / 12 -
         v[4] * a * b * t * c * e / 24 + v[5] * a * b * t * c * d / 120;
}

}  // namespace

double circle_weight(double distance_px, double radius_px) {
  const double first = std::max(0.0, distance_px - kRimReachPx);
  if (radius_px <= first) return 0.0;
  constexpr int kPanels = 200;
  const double end = std::min(radius_px, distance_px + kRimReachPx);
  const double step = (end - first) / kPanels;
  double sum = rim(distance_px, first, kCutoffPerPx) + rim(distance_px, end, kCutoffPerPx);
  for (int i = 1; i < kPanels; ++i)
    sum += (i % 2 == 0 ? 2 : 4) * rim(distance_px, first + step * i, kCutoffPerPx);
  return sum * step / 3;
}

GrowthCurve::GrowthCurve(const Stamp& stamp, Centre centre, double limit_px) : limit_px_(limit_px) {
  const std::vector<float> bins = light_by_distance(stamp, centre, limit_px + kRimReachPx);
  const auto knots = static_cast<std::size_t>(std::ceil(limit_px * kKnotsAPx)) + 4;
  // Knot k stands at index k + kRimKnots, so that no bin's window leaves the arrays.
  const std::size_t whole = bins.size() / kBinsAKnot + 2 * kWindow + knots;
  std::vector<float> partial(whole, 0.0F);
  std::vector<double> entire(whole, 0.0);
  const WeightTable& table =
      stamp.own_share() < 1 ? WeightTable::of_green_sites() : WeightTable::of_all_pixels();
  WeightTable::Row far{};
  for (std::size_t bin = 0; bin < bins.size(); ++bin) {
    const float light = bins[bin];
    if (light == 0) continue;
    const int first_knot = WeightTable::first_knot(static_cast<int>(bin)) + kRimKnots;
    const auto first = static_cast<std::size_t>(first_knot);
    if (first >= knots + kRimKnots) break;
    const WeightTable::Row& row = table.row(static_cast<int>(bin), far);
    float* out = partial.data() + first;
    for (std::size_t i = 0; i < row.size(); ++i) out[i] += light * row[i];
    entire[first + kWindow] += light;
  }
  knots_.resize(knots);
  double inside = 0;
  for (std::size_t i = 0; i < kRimKnots; ++i) inside += entire[i];
  for (std::size_t k = 0; k < knots; ++k) {
    inside += entire[k + kRimKnots];
    knots_[k] = inside + static_cast<double>(partial[k + kRimKnots]);
  }
  knots_[0] = 0;
}

double GrowthCurve::flux(double r_px) const {
  const double place = std::clamp(r_px, 0.0, limit_px_) * kKnotsAPx;
  const auto last = static_cast<std::ptrdiff_t>(knots_.size()) - 4;
  const auto k = std::min(static_cast<std::ptrdiff_t>(place), last);
  std::array<double, 6> around{};
  for (std::ptrdiff_t i = 0; i < 6; ++i) {
    // The curve starts as r^2: even about 0.
    around[static_cast<std::size_t>(i)] = knots_[static_cast<std::size_t>(std::abs(k + i - 2))];
  }
  return interpolated(around, place - static_cast<double>(k));
}

double GrowthCurve::radius_of(double target) const {
  // The first knot that reaches the target; noise may make the curve fall again beyond it.
  const auto count = static_cast<std::size_t>(std::ceil(limit_px_ * kKnotsAPx)) + 1;
  std::size_t k = 1;
  while (k < count && knots_[k] < target) ++k;
  constexpr double kKnotPx = 1.0 / kKnotsAPx;
  double low = kKnotPx * static_cast<double>(k - 1);
  double high = std::min(limit_px_, low + kKnotPx);
  double low_flux = flux(low);
  double high_flux = flux(high);
  if (k == count || high_flux < target) return limit_px_;
  for (int round = 0; round < 20 && high - low > 1e-5; ++round) {
    const double margin = 0.02 * (high - low);
    const double r = std::clamp(low + (high - low) * (target - low_flux) / (high_flux - low_flux),
                                low + margin, high - margin);
    const double f = flux(r);
    (f < target ? low : high) = r;
    (f < target ? low_flux : high_flux) = f;
  }
  return high_flux > low_flux ? low + (high - low) * (target - low_flux) / (high_flux - low_flux)
                              : 0.5 * (low + high);
}

double GrowthCurve::mean_radius(double r_px) const {
  const double total = flux(r_px);
  if (!(total > 0)) return 0.0;
  // The integral of r dF is r F less that of F dr: trapezoids and the first end correction of Euler
  // and Maclaurin.
  constexpr double kStep = 1.0 / kKnotsAPx;
  const auto whole = static_cast<std::size_t>(r_px * kKnotsAPx);
  const double rest = r_px - kStep * static_cast<double>(whole);
  double area = 0;
  for (std::size_t k = 1; k <= whole; ++k) area += 0.5 * kStep * (knots_[k - 1] + knots_[k]);
  area += 0.5 * rest * (knots_[whole] + total);
  const double slope = (total - flux(r_px - kStep)) / kStep;
  area -= kStep * kStep / 12 * slope;
  return r_px - area / total;
}

}  // namespace starwaist::stars
