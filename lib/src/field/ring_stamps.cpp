#include "field/ring_stamps.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <utility>

#include "numerics/normal_equations.h"
#include "starwaist/statistics.h"

namespace starwaist::donuts {
namespace {

constexpr double kLeastSnr = 30;  // of a star that shows its shadow
constexpr std::size_t kMostStars = 48;
constexpr double kStampRadii = 1.8;  // half-width of a stamp

// Least squares with what stands out (a neighbour, a hot pixel) left out. `places`: 1, x, y.
Eigen::Vector3d sky_plane(const std::vector<double>& values,
                          const std::vector<Eigen::Vector3d>& places) {
  Eigen::Vector3d plane(median(values), 0, 0);
  double spread = robust_sigma(values);
  for (int round = 0; round < 4; ++round) {
    numerics::NormalEquations<3> equations;
    std::vector<double> left;
    for (std::size_t i = 0; i < values.size(); ++i) {
      const double residual = values[i] - plane.dot(places[i]);
      left.push_back(residual);
      if (std::abs(residual) > 2.5 * spread) continue;
      equations.add(places[i], values[i]);
    }
    spread = std::max(1e-9, robust_sigma(left));
    plane = equations.solve();
  }
  return plane;
}

// One star's light on pixels of `bin` frame pixels, centred, a plane of sky taken off, total 1.
std::optional<DonutImage> stamp_of(const PixelBuffer& pixels, const Star& star, double radius_px,
                                   double bin) {
  const int half = static_cast<int>(std::ceil(kStampRadii * radius_px / bin));
  const int size = 2 * half + 1;
  const double sky_inner = 1.8 * radius_px;
  const double sky_outer = 2.3 * radius_px + 2;
  const int reach = static_cast<int>(std::ceil(std::max(sky_outer, half * bin + bin))) + 1;
  const int cx = static_cast<int>(std::lround(star.x_px));
  const int cy = static_cast<int>(std::lround(star.y_px));
  if (cx < reach || cy < reach || cx + reach >= pixels.width_px() ||
      cy + reach >= pixels.height_px()) {
    return std::nullopt;
  }
  std::vector<double> values;
  std::vector<Eigen::Vector3d> places;
  for (int y = cy - reach; y <= cy + reach; ++y) {
    for (int x = cx - reach; x <= cx + reach; ++x) {
      const double r = std::hypot(x - star.x_px, y - star.y_px);
      const double v = pixels.at(x, y);
      if (!std::isfinite(v)) return std::nullopt;
      if (r < sky_inner || r > sky_outer) continue;
      values.push_back(v);
      places.emplace_back(1, (x - star.x_px) / radius_px, (y - star.y_px) / radius_px);
    }
  }
  if (values.size() < 20) return std::nullopt;
  const Eigen::Vector3d plane = sky_plane(values, places);
  // Sampled between the pixels by twofold linear interpolation, a bin's samples averaged.
  const auto value_at = [&](double x, double y) {
    const int x0 = static_cast<int>(std::floor(x));
    const int y0 = static_cast<int>(std::floor(y));
    const double tx = x - x0;
    const double ty = y - y0;
    const double top = std::lerp(pixels.at(x0, y0), pixels.at(x0 + 1, y0), tx);
    const double bottom = std::lerp(pixels.at(x0, y0 + 1), pixels.at(x0 + 1, y0 + 1), tx);
    const Eigen::Vector3d place(1, (x - star.x_px) / radius_px, (y - star.y_px) / radius_px);
    return std::lerp(top, bottom, ty) - plane.dot(place);
  };
  DonutImage image;
  image.size = size;
  image.values.resize(static_cast<std::size_t>(size) * static_cast<std::size_t>(size));
  const int samples = std::max(1, static_cast<int>(std::lround(bin)));
  double total = 0;
  for (int y = 0; y < size; ++y) {
    for (int x = 0; x < size; ++x) {
      double sum = 0;
      for (int j = 0; j < samples; ++j) {
        for (int i = 0; i < samples; ++i) {
          sum += value_at(star.x_px + (x - half + (i + 0.5) / samples - 0.5) * bin,
                          star.y_px + (y - half + (j + 0.5) / samples - 0.5) * bin);
        }
      }
      sum /= samples * samples;
      image.values[image.index(x, y)] = static_cast<float>(sum);
      total += sum;
    }
  }
  if (!(total > 0)) return std::nullopt;
  for (float& v : image.values) v = static_cast<float>(v / total);
  return image;
}

// Whole stars that are bright enough to show their shadow.
std::vector<const Star*> bright_stars(const FrameMeasurement& measured) {
  std::vector<const Star*> bright;
  for (const Star& star : measured.stars) {
    const bool whole = star.hfr_px && !star.saturated && !star.blended && !star.at_edge;
    if (whole && star.snr >= kLeastSnr && !star.followed) bright.push_back(&star);
  }
  return bright;
}

}  // namespace

DonutImage stack_of(const std::vector<DonutImage>& stamps, const std::vector<double>& snr,
                    std::size_t first, std::size_t stride) {
  DonutImage stack;
  stack.size = stamps.front().size;
  std::vector<double> weights;
  for (std::size_t s = first; s < stamps.size(); s += stride) {
    constexpr double kPlenty = 100;
    weights.push_back(std::pow(std::min(snr[s], kPlenty), 2));
  }
  std::vector<double> values(weights.size());
  for (std::size_t i = 0; i < stamps.front().values.size(); ++i) {
    for (std::size_t k = 0; k < values.size(); ++k) {
      values[k] = stamps[first + k * stride].values[i];
    }
    stack.values.push_back(static_cast<float>(weighted_median(values, weights)));
  }
  return stack;
}

std::optional<Stamps> stamps_of(const Frame& frame, const FrameMeasurement& measured) {
  const std::vector<const Star*> bright = bright_stars(measured);
  if (bright.size() < kFewestShadows) return std::nullopt;
  std::vector<double> sizes;
  for (const Star* star : bright) sizes.push_back(*star->hfr_px);
  Stamps stamps;
  stamps.radius_px = radius_of(median(sizes));
  if (stamps.radius_px < kLeastRadiusPx) return std::nullopt;
  constexpr double kFitRadiusPx = 9;  // enough to resolve the shadow, few enough pixels to be quick
  stamps.bin = std::max(1.0, std::floor(stamps.radius_px / kFitRadiusPx));
  for (const Star* star : bright) {
    if (stamps.images.size() == kMostStars) break;
    auto stamp = stamp_of(frame.pixels, *star, stamps.radius_px, stamps.bin);
    if (!stamp) continue;
    stamps.images.push_back(std::move(*stamp));
    stamps.snr.push_back(star->snr);
  }
  if (stamps.images.size() < kFewestShadows) return std::nullopt;
  return stamps;
}

}  // namespace starwaist::donuts
