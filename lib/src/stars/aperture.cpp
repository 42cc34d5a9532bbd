#include "stars/aperture.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

#include "stars/summary.h"

namespace starwaist::stars {
namespace {

constexpr double kHalfDiagonal = 0.70710678118654752;  // of the unit square
constexpr int kFine = 5;                               // samples a pixel of the interpolated core
constexpr double kFineLimitPx = 4.0;                   // radius of the core

// The interpolated core and the centre in its own indices.
struct FineCore {
  Stamp mosaic;
  double x = 0;
  double y = 0;
};

// Lanczos interpolation of the pixels round a centre; absent where one of them has no value.
std::optional<FineCore> fine_core(const Stamp& stamp, double x, double y, double limit_px) {
  constexpr int kMargin = 5;  // kernel reach beyond the core
  const int reach = static_cast<int>(std::ceil(limit_px)) + kMargin;
  const int x_begin = static_cast<int>(std::lround(x)) - reach;
  const int y_begin = static_cast<int>(std::lround(y)) - reach;
  const int side = 2 * reach + 1;
  // Beyond the stamp the border is repeated: only the kernel's tails reach there.
  cv::Mat pixels(side, side, CV_32F);
  for (int row = 0; row < side; ++row) {
    for (int column = 0; column < side; ++column) {
      const float v = stamp.at(std::clamp(x_begin + column, 0, stamp.width_px - 1),
                               std::clamp(y_begin + row, 0, stamp.height_px - 1));
      if (!std::isfinite(v)) return std::nullopt;
      pixels.at<float>(row, column) = v;
    }
  }
  cv::Mat fine;
  cv::resize(pixels, fine, cv::Size(), kFine, kFine, cv::INTER_LANCZOS4);
  FineCore core;
  core.mosaic.width_px = fine.cols;
  core.mosaic.height_px = fine.rows;
  core.mosaic.pixels.assign(fine.ptr<float>(0), fine.ptr<float>(0) + fine.total());
  core.mosaic = sharpened(core.mosaic);
  core.x = (x - x_begin + 0.5) * kFine - 0.5;
  core.y = (y - y_begin + 0.5) * kFine - 0.5;
  return core;
}

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

RingSums::RingSums(const Stamp& mosaic, double x, double y, double limit) : limit_(limit) {
  const double reach = limit + kHalfDiagonal;
  const int x_first = std::max(0, static_cast<int>(std::floor(x - reach)));
  const int x_last = std::min(mosaic.width_px - 1, static_cast<int>(std::ceil(x + reach)));
  const int y_first = std::max(0, static_cast<int>(std::floor(y - reach)));
  const int y_last = std::min(mosaic.height_px - 1, static_cast<int>(std::ceil(y + reach)));
  const auto rings = static_cast<std::size_t>(reach) + 1;
  const auto ring_of = [rings](const Square& s) {
    return std::min(static_cast<std::size_t>(s.distance), rings - 1);
  };
  std::vector<std::size_t> count(rings, 0);
  std::vector<Square> found;
  found.reserve(static_cast<std::size_t>(std::max(0, x_last - x_first + 1)) *
                static_cast<std::size_t>(std::max(0, y_last - y_first + 1)));
  for (int row = y_first; row <= y_last; ++row) {
    for (int column = x_first; column <= x_last; ++column) {
      const double dx = column - x;
      const double dy = row - y;
      const double distance = std::sqrt(dx * dx + dy * dy);
      if (distance >= reach) continue;
      found.push_back({static_cast<float>(dx), static_cast<float>(dy), static_cast<float>(distance),
                       mosaic.at(column, row)});
      ++count[ring_of(found.back())];
    }
  }
  ring_begin_.assign(rings + 1, 0);
  for (std::size_t k = 0; k < rings; ++k) ring_begin_[k + 1] = ring_begin_[k] + count[k];
  squares_.resize(found.size());
  std::vector<std::size_t> next(ring_begin_.begin(), ring_begin_.end() - 1);
  for (const Square& s : found) squares_[next[ring_of(s)]++] = s;
  flux_below_.assign(rings + 1, 0.0);
  double last_mean = 0;
  for (std::size_t k = 0; k < rings; ++k) {
    double sum = 0;
    std::size_t valid = 0;
    for (std::size_t i = ring_begin_[k]; i < ring_begin_[k + 1]; ++i) {
      if (!std::isfinite(squares_[i].value)) continue;
      sum += squares_[i].value;
      ++valid;
    }
    if (valid > 0) last_mean = sum / static_cast<double>(valid);
    for (std::size_t i = ring_begin_[k]; i < ring_begin_[k + 1]; ++i) {
      if (!std::isfinite(squares_[i].value)) squares_[i].value = static_cast<float>(last_mean);
    }
    flux_below_[k + 1] =
        flux_below_[k] + last_mean * static_cast<double>(ring_begin_[k + 1] - ring_begin_[k]);
  }
}

double RingSums::flux(double radius) const {
  const double r = std::clamp(radius, 0.0, limit_);
  const std::size_t rings = flux_below_.size() - 1;
  // Rings whose squares all lie inside, and beyond them those that the rim crosses.
  const double inside = std::floor(r - kHalfDiagonal);
  const std::size_t first =
      inside > 0 ? std::min(static_cast<std::size_t>(inside), rings) : std::size_t{0};
  const std::size_t last = std::min(static_cast<std::size_t>(r + kHalfDiagonal) + 1, rings);
  double sum = flux_below_[first];
  for (std::size_t i = ring_begin_[first]; i < ring_begin_[last]; ++i) {
    sum += squares_[i].value * circle_overlap(squares_[i].dx, squares_[i].dy, r);
  }
  return sum;
}

double RingSums::moment(double radius) const {
  const double r = std::clamp(radius, 0.0, limit_);
  double moment = 0;
  for (const Square& s : squares_) {
    if (s.distance > r + kHalfDiagonal) continue;
    const double flux = s.value * circle_overlap(s.dx, s.dy, r);
    // The mean distance over the unit square is d + 1 / (24 d) to second order; the mean over a
    // square centred on the origin is 0.3826.
    moment += flux * (s.distance > 0.5F ? s.distance + 1.0 / (24.0 * s.distance)
                                        : std::max<double>(s.distance, 0.3826));
  }
  return moment;
}

std::vector<double> RingSums::values_between(double inner, double outer) const {
  std::vector<double> values;
  const std::size_t rings = flux_below_.size() - 1;
  const auto first = std::min(static_cast<std::size_t>(std::max(inner, 0.0)), rings);
  const auto last = std::min(static_cast<std::size_t>(outer) + 1, rings);
  for (std::size_t i = ring_begin_[first]; i < ring_begin_[last]; ++i) {
    if (squares_[i].distance >= inner && squares_[i].distance < outer) {
      values.push_back(squares_[i].value);
    }
  }
  return values;
}

GrowthCurve::GrowthCurve(const Stamp& stamp, double x_px, double y_px, double limit_px,
                         double size_px)
    : limit_px_(limit_px),
      pixels_(sharpened(stamp), x_px - stamp.x_begin_px, y_px - stamp.y_begin_px, limit_px) {
  if (size_px >= kFineBelowPx) return;
  const double fine_limit = std::min(kFineLimitPx, limit_px);
  const auto core = fine_core(stamp, x_px - stamp.x_begin_px, y_px - stamp.y_begin_px, fine_limit);
  if (!core) return;
  fine_.emplace(core->mosaic, core->x, core->y, kFine * fine_limit);
  fine_limit_px_ = fine_limit;
  // The fine mosaic holds kFine^2 samples of each pixel.
  fine_excess_ = fine_->flux(kFine * fine_limit) / (kFine * kFine) - pixels_.flux(fine_limit);
  fine_excess_moment_ =
      fine_->moment(kFine * fine_limit) / (kFine * kFine * kFine) - pixels_.moment(fine_limit);
}

double GrowthCurve::flux(double r_px) const {
  if (fine_ && r_px <= fine_limit_px_) return fine_->flux(kFine * r_px) / (kFine * kFine);
  return pixels_.flux(r_px) + fine_excess_;
}

double GrowthCurve::radius_of(double target) const {
  double low = 0;
  double low_flux = 0;
  double high = limit_px_;
  double high_flux = flux(limit_px_);
  // First whole radius that reaches the target; noise may make the curve fall again beyond it.
  for (double r = 1; r < limit_px_; r += 1) {
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
  const double r = std::max(r_px, fine_limit_px_);
  const double flux_inside = flux(r);
  return flux_inside > 0 ? (pixels_.moment(r) + fine_excess_moment_) / flux_inside : 0.0;
}

double GrowthCurve::annulus_flux(double inner_px, double outer_px, double noise_adu) const {
  const std::vector<double> values = pixels_.values_between(inner_px, outer_px);
  if (values.size() < 12) return flux(outer_px) - flux(inner_px);
  const double area = std::numbers::pi * (outer_px * outer_px - inner_px * inner_px);
  return clipped_mean(values, noise_adu).value * area;
}

}  // namespace starwaist::stars
