#include "stars/aperture.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

constexpr double kHalfDiagonal = 0.70710678118654752;  // of the unit square

}  // namespace

double circle_overlap(double dx, double dy, double r) {
  const double distance = std::hypot(dx, dy);
  if (distance + kHalfDiagonal <= r) return 1.0;
  if (distance - kHalfDiagonal >= r) return 0.0;
  // Chords across the square along the axis in which the rim is steeper, so that the integrand is
  // smooth.
  double along = std::abs(dx);
  double across = std::abs(dy);
  if (along < across) std::swap(along, across);
  constexpr std::array kNodes{0.0, 0.2692346550528415, -0.2692346550528415, 0.4530899229693320,
                              -0.4530899229693320};
  constexpr std::array kWeights{0.2844444444444444, 0.2393143352496832, 0.2393143352496832,
                                0.1184634425280945, 0.1184634425280945};
  double area = 0;
  for (std::size_t i = 0; i < kNodes.size(); ++i) {
    const double y = across + kNodes[i];
    const double square = r * r - y * y;
    if (square <= 0) continue;
    const double half_chord = std::sqrt(square);
    const double low = std::max(along - 0.5, -half_chord);
    const double high = std::min(along + 0.5, half_chord);
    if (high > low) area += kWeights[i] * (high - low);
  }
  return area;
}

Stamp sharpened(const Stamp& stamp) {
  // Second and fourth central differences of 1 / sinc: 1 - d2/24 + 3 d4/640, along x and then y.
  constexpr float kCentre = 1.0F + 2.0F / 24.0F + 6.0F * 3.0F / 640.0F;
  constexpr float kNext = -1.0F / 24.0F - 4.0F * 3.0F / 640.0F;
  constexpr float kSecond = 3.0F / 640.0F;
  const auto filtered = [](const Stamp& in, int dx, int dy) {
    Stamp out = in;
    const std::ptrdiff_t stride = dx + static_cast<std::ptrdiff_t>(dy) * in.width_px;
    for (int y = 2 * dy; y + 2 * dy < in.height_px; ++y) {
      for (int x = 2 * dx; x + 2 * dx < in.width_px; ++x) {
        const float* p = in.pixels.data() + static_cast<std::ptrdiff_t>(y) * in.width_px + x;
        const float v = kCentre * p[0] + kNext * (p[stride] + p[-stride]) +
                        kSecond * (p[2 * stride] + p[-2 * stride]);
        // Beside a pixel without a value the sample stays as it is.
        if (std::isfinite(v)) out.pixels[static_cast<std::size_t>(p - in.pixels.data())] = v;
      }
    }
    return out;
  };
  return filtered(filtered(stamp, 1, 0), 0, 1);
}

GrowthCurve::GrowthCurve(const Stamp& stamp, double x_px, double y_px, double limit_px)
    : limit_px_(limit_px) {
  const double cx = x_px - stamp.x_begin_px;
  const double cy = y_px - stamp.y_begin_px;
  const double reach = limit_px + kHalfDiagonal;
  const int x_first = std::max(0, static_cast<int>(std::floor(cx - reach)));
  const int x_last = std::min(stamp.width_px - 1, static_cast<int>(std::ceil(cx + reach)));
  const int y_first = std::max(0, static_cast<int>(std::floor(cy - reach)));
  const int y_last = std::min(stamp.height_px - 1, static_cast<int>(std::ceil(cy + reach)));
  const auto rings = static_cast<std::size_t>(reach) + 1;
  const auto ring_of = [rings](const Pixel& p) {
    return std::min(static_cast<std::size_t>(p.distance), rings - 1);
  };
  std::vector<std::size_t> count(rings + 1, 0);
  std::vector<Pixel> found;
  found.reserve(static_cast<std::size_t>(std::max(0, x_last - x_first + 1)) *
                static_cast<std::size_t>(std::max(0, y_last - y_first + 1)));
  for (int y = y_first; y <= y_last; ++y) {
    for (int x = x_first; x <= x_last; ++x) {
      const double dx = x - cx;
      const double dy = y - cy;
      const double distance = std::hypot(dx, dy);
      if (distance >= reach) continue;
      found.push_back({static_cast<float>(dx), static_cast<float>(dy), static_cast<float>(distance),
                       stamp.at(x, y)});
      ++count[ring_of(found.back())];
    }
  }
  ring_begin_.assign(rings + 1, 0);
  for (std::size_t k = 0; k < rings; ++k) ring_begin_[k + 1] = ring_begin_[k] + count[k];
  pixels_.resize(found.size());
  std::vector<std::size_t> next(ring_begin_.begin(), ring_begin_.end() - 1);
  for (const Pixel& p : found) {
    pixels_[next[ring_of(p)]++] = p;
  }
  flux_below_.assign(rings + 1, 0.0);
  double last_mean = 0;
  for (std::size_t k = 0; k < rings; ++k) {
    double sum = 0;
    std::size_t valid = 0;
    for (std::size_t i = ring_begin_[k]; i < ring_begin_[k + 1]; ++i) {
      if (!std::isfinite(pixels_[i].value)) continue;
      sum += pixels_[i].value;
      ++valid;
    }
    if (valid > 0) last_mean = sum / static_cast<double>(valid);
    for (std::size_t i = ring_begin_[k]; i < ring_begin_[k + 1]; ++i) {
      if (!std::isfinite(pixels_[i].value)) pixels_[i].value = static_cast<float>(last_mean);
    }
    flux_below_[k + 1] =
        flux_below_[k] + last_mean * static_cast<double>(ring_begin_[k + 1] - ring_begin_[k]);
  }
}

double GrowthCurve::flux(double r_px) const {
  const double r = std::clamp(r_px, 0.0, limit_px_);
  const std::size_t rings = flux_below_.size() - 1;
  // Rings whose pixels all lie inside, and beyond them those that the rim crosses.
  const double inside = std::floor(r - kHalfDiagonal);
  const std::size_t first =
      inside > 0 ? std::min(static_cast<std::size_t>(inside), rings) : std::size_t{0};
  const std::size_t last = std::min(static_cast<std::size_t>(r + kHalfDiagonal) + 1, rings);
  double sum = flux_below_[first];
  for (std::size_t i = ring_begin_[first]; i < ring_begin_[last]; ++i) {
    sum += pixels_[i].value * circle_overlap(pixels_[i].dx, pixels_[i].dy, r);
  }
  return sum;
}

double GrowthCurve::radius_of(double target) const {
  const std::size_t rings = flux_below_.size() - 1;
  // The whole-ring sums bracket the answer to about a pixel; bisection with secant steps refines.
  double low = 0;
  double low_flux = 0;
  double high = limit_px_;
  double high_flux = flux(limit_px_);
  for (std::size_t k = 1; k < rings; ++k) {
    const double r = static_cast<double>(k);
    if (r >= limit_px_) break;
    if (flux_below_[std::min(k + 1, rings)] < target) continue;
    const double f = flux(r);
    if (f >= target) {
      high = r;
      high_flux = f;
      break;
    }
    low = r;
    low_flux = f;
  }
  if (high_flux < target) return limit_px_;
  for (int round = 0; round < 40 && high - low > 1e-4; ++round) {
    double r = high_flux > low_flux
                   ? low + (high - low) * (target - low_flux) / (high_flux - low_flux)
                   : 0.5 * (low + high);
    const double margin = 0.02 * (high - low);
    r = std::clamp(r, low + margin, high - margin);
    const double f = flux(r);
    if (f < target) {
      low = r;
      low_flux = f;
    } else {
      high = r;
      high_flux = f;
    }
  }
  return high_flux > low_flux ? low + (high - low) * (target - low_flux) / (high_flux - low_flux)
                              : 0.5 * (low + high);
}

double GrowthCurve::mean_radius(double r_px) const {
  const double r = std::clamp(r_px, 0.0, limit_px_);
  double flux_sum = 0;
  double moment = 0;
  for (const Pixel& p : pixels_) {
    if (p.distance > r + kHalfDiagonal) continue;
    const double flux = p.value * circle_overlap(p.dx, p.dy, r);
    flux_sum += flux;
    // A point sample stands for its cell: the mean distance over the unit square is
    // d + 1 / (24 d) to second order, and 0.3826 at its centre.
    const double distance = std::max<double>(p.distance, 0.3826);
    moment += flux * (distance > 0.5 ? distance + 1.0 / (24.0 * distance) : distance);
  }
  return flux_sum > 0 ? moment / flux_sum : 0.0;
}

double GrowthCurve::annulus_flux(double inner_px, double outer_px, double noise_adu) const {
  std::vector<double> values;
  const std::size_t rings = flux_below_.size() - 1;
  const auto first = std::min(static_cast<std::size_t>(std::max(inner_px, 0.0)), rings);
  const auto last = std::min(static_cast<std::size_t>(outer_px) + 1, rings);
  for (std::size_t i = ring_begin_[first]; i < ring_begin_[last]; ++i) {
    if (pixels_[i].distance >= inner_px && pixels_[i].distance < outer_px) {
      values.push_back(pixels_[i].value);
    }
  }
  if (values.size() < 12) return flux(outer_px) - flux(inner_px);
  const double centre = median(values);
  // The star's own photons and its unevenness round the annulus widen the spread.
  const double reach = 3 * std::max(noise_adu, robust_sigma(values));
  double sum = 0;
  std::size_t count = 0;
  for (const double v : values) {
    if (std::abs(v - centre) > reach) continue;
    sum += v;
    ++count;
  }
  const double area = std::numbers::pi * (outer_px * outer_px - inner_px * inner_px);
  return (count > 0 ? sum / static_cast<double>(count) : centre) * area;
}

}  // namespace starwaist::stars
