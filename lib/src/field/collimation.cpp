#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>
#include <numbers>

#include "field/donut.h"
#include "starwaist/field.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr double kLeastSnr = 30;        // of a star that shows its shadow
constexpr double kLeastRadiusPx = 3.5;  // a smaller shadow is lost between the pixels
constexpr double kLeastDip = 0.12;      // of the middle against the ring
constexpr std::size_t kMostStars = 48;
constexpr std::size_t kFewestStars = 4;
constexpr std::size_t kMostGroups = 8;
constexpr double kStampRadii = 1.7;  // half-width of a stamp

// Outer radius of a typical ring of this half-flux radius: e = 0.3.
double radius_of(double hfr_px) { return hfr_px / std::sqrt((1 + 0.3 * 0.3) / 2); }

// One star's light on pixels of `bin` frame pixels, centred, a plane of sky taken off, total 1.
std::optional<donuts::DonutImage> stamp_of(const PixelBuffer& pixels, const Star& star,
                                           double radius_px, double bin) {
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
  // Least squares with what stands out (a neighbour, a hot pixel) left out.
  Eigen::Vector3d plane(median(values), 0, 0);
  double spread = robust_sigma(values);
  for (int round = 0; round < 4; ++round) {
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    std::vector<double> left;
    for (std::size_t i = 0; i < values.size(); ++i) {
      const double residual = values[i] - plane.dot(places[i]);
      left.push_back(residual);
      if (std::abs(residual) > 2.5 * spread) continue;
      normal += places[i] * places[i].transpose();
      right += values[i] * places[i];
    }
    spread = std::max(1e-9, robust_sigma(left));
    plane = normal.ldlt().solve(right);
  }
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
  donuts::DonutImage image;
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
      image.values[static_cast<std::size_t>(y * size + x)] = static_cast<float>(sum);
      total += sum;
    }
  }
  if (!(total > 0)) return std::nullopt;
  for (float& v : image.values) v = static_cast<float>(v / total);
  return image;
}

struct Stack {
  donuts::DonutImage image;
  int stars = 0;
};

// Pixel by pixel the weighted mean, each star's weight its signal's square, held level above a
// signal that shows the shadow well by itself.
Stack stack_of(const std::vector<donuts::DonutImage>& stamps, const std::vector<double>& snr,
               std::size_t first, std::size_t stride) {
  Stack stack;
  stack.image.size = stamps.front().size;
  stack.image.values.assign(stamps.front().values.size(), 0.0F);
  double sum = 0;
  for (std::size_t s = first; s < stamps.size(); s += stride) {
    constexpr double kPlenty = 100;
    const double w = std::pow(std::min(snr[s], kPlenty), 2);
    for (std::size_t i = 0; i < stamps[s].values.size(); ++i) {
      stack.image.values[i] += static_cast<float>(w * stamps[s].values[i]);
    }
    sum += w;
    ++stack.stars;
  }
  for (float& v : stack.image.values) v = static_cast<float>(v / sum);
  return stack;
}

}  // namespace

std::optional<Collimation> shadow_offset(const Frame& frame, const FrameMeasurement& measured) {
  std::vector<const Star*> bright;
  for (const Star& star : measured.stars) {
    if (has_dependable_size(star) && star.snr >= kLeastSnr && !star.followed) {
      bright.push_back(&star);
    }
  }
  if (bright.size() < kFewestStars) return std::nullopt;
  std::vector<double> sizes;
  for (const Star* star : bright) sizes.push_back(*star->hfr_px);
  const double radius = radius_of(median(sizes));
  if (radius < kLeastRadiusPx) return std::nullopt;
  constexpr double kFitRadiusPx = 9;  // enough to resolve the shadow, few enough pixels to be quick
  const double bin = std::max(1.0, std::floor(radius / kFitRadiusPx));
  std::vector<donuts::DonutImage> stamps;
  std::vector<double> snr;
  for (const Star* star : bright) {
    if (stamps.size() == kMostStars) break;
    auto stamp = stamp_of(frame.pixels, *star, radius, bin);
    if (!stamp) continue;
    stamps.push_back(std::move(*stamp));
    snr.push_back(star->snr);
  }
  if (stamps.size() < kFewestStars) return std::nullopt;
  const Stack all = stack_of(stamps, snr, 0, 1);
  if (donuts::central_dip(all.image, radius / bin) < kLeastDip) return std::nullopt;
  const auto fit = donuts::fit_donut(all.image, radius / bin);
  constexpr double kLeastShadow = 0.12;
  if (!fit || fit->hole_of_radius < kLeastShadow || fit->hole_of_radius > 0.8) return std::nullopt;
  // Groups of stars by themselves: their scatter is the stack's error.
  const std::size_t groups = std::min(kMostGroups, stamps.size());
  std::vector<double> x;
  std::vector<double> y;
  for (std::size_t g = 0; g < groups; ++g) {
    const auto part = donuts::fit_donut(stack_of(stamps, snr, g, groups).image, fit->radius_px);
    if (!part) continue;
    x.push_back(part->shadow_x());
    y.push_back(part->shadow_y());
  }
  if (x.size() < kFewestStars) return std::nullopt;
  const auto mean = [](const std::vector<double>& v) {
    double sum = 0;
    for (const double value : v) sum += value;
    return sum / static_cast<double>(v.size());
  };
  const double mean_x = mean(x);
  const double mean_y = mean(y);
  double squares = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    squares += std::pow(x[i] - mean_x, 2) + std::pow(y[i] - mean_y, 2);
  }
  const auto count = static_cast<double>(x.size());
  Collimation out;
  out.shadow_offset = std::hypot(fit->shadow_x(), fit->shadow_y());
  out.sigma = std::sqrt(squares / (2 * (count - 1)) / count);
  out.angle_deg = std::atan2(fit->shadow_y(), fit->shadow_x()) * 180 / std::numbers::pi;
  out.stars = static_cast<int>(stamps.size());
  out.outer_radius_px = fit->radius_px * bin;
  out.inner_over_outer = fit->hole_of_radius;
  out.file = measured.file;
  out.position_steps = measured.position_steps.value_or(0);
  return out;
}

std::optional<Collimation> find_collimation(
    std::span<const FrameMeasurement> frames, double best_focus_steps,
    const std::function<std::optional<Frame>(std::size_t)>& read) {
  std::vector<std::size_t> order;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (frames[i].position_steps && frames[i].hfr_px) order.push_back(i);
  }
  const auto from_focus = [&](std::size_t i) {
    return *frames[i].position_steps - best_focus_steps;
  };
  std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    const double da = from_focus(a);
    const double db = from_focus(b);
    if ((da > 0) != (db > 0)) return da > 0;
    return std::abs(da) != std::abs(db) ? std::abs(da) > std::abs(db) : a < b;
  });
  double smallest = std::numeric_limits<double>::infinity();
  for (const std::size_t i : order) smallest = std::min(smallest, *frames[i].hfr_px);
  // Nearer to focus the seeing fills the shadow (a two percent dip from 1.4 smallest sizes on, by
  // the blur of an obstructed pupil with a Gaussian).
  constexpr double kLeastGrowth = 1.5;
  for (const std::size_t i : order) {
    if (radius_of(*frames[i].hfr_px) < kLeastRadiusPx ||
        *frames[i].hfr_px < kLeastGrowth * smallest) {
      continue;
    }
    const auto frame = read(i);
    if (!frame) continue;
    if (auto found = shadow_offset(*frame, frames[i])) return found;
  }
  return std::nullopt;
}

}  // namespace starwaist
