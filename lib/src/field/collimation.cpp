#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>
#include <numbers>

#include "curve/priors.h"
#include "field/donut.h"
#include "numerics/normal_equations.h"
#include "numerics/robust.h"
#include "starwaist/field.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr double kLeastSnr = 30;        // of a star that shows its shadow
constexpr double kLeastRadiusPx = 3.5;  // a smaller shadow is lost between the pixels
constexpr double kLeastDip = 0.08;      // of the middle against the ring
constexpr std::size_t kMostStars = 48;
constexpr std::size_t kFewestShadows = 4;
constexpr std::size_t kMostGroups = 8;
constexpr double kStampRadii = 1.8;    // half-width of a stamp
constexpr double kWindowRadii = 1.75;  // of the moments

// Outer radius of a typical ring of this half-flux radius: e = 0.3.
double radius_of(double hfr_px) { return hfr_px / std::sqrt((1 + 0.3 * 0.3) / 2); }

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
      image.values[image.index(x, y)] = static_cast<float>(sum);
      total += sum;
    }
  }
  if (!(total > 0)) return std::nullopt;
  for (float& v : image.values) v = static_cast<float>(v / total);
  return image;
}

// Pixel by pixel the weighted median, so that a hot pixel or a neighbour of one star does not show;
// each star's weight is its signal's square, held level above a signal that shows the shadow well
// by itself.
donuts::DonutImage stack_of(const std::vector<donuts::DonutImage>& stamps,
                            const std::vector<double>& snr, std::size_t first, std::size_t stride) {
  donuts::DonutImage stack;
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

// E[|r|^2 r] about the centroid, of the light within `window`, all in the image's pixels.
Eigen::Vector2d skewness_of(const donuts::DonutImage& image, double window) {
  const int middle = image.size / 2;
  Eigen::Vector2d centre = Eigen::Vector2d::Zero();
  Eigen::Vector2d third = Eigen::Vector2d::Zero();
  constexpr int kRounds = 6;  // the window follows the centroid
  for (int round = 0; round < kRounds; ++round) {
    Eigen::Vector2d first = Eigen::Vector2d::Zero();
    third.setZero();
    double light = 0;
    for (int y = 0; y < image.size; ++y) {
      for (int x = 0; x < image.size; ++x) {
        const Eigen::Vector2d r = Eigen::Vector2d(x - middle, y - middle) - centre;
        if (r.squaredNorm() > window * window) continue;
        const double v = image.values[image.index(x, y)];
        light += v;
        first += v * r;
        third += v * r.squaredNorm() * r;
      }
    }
    if (!(light > 0)) return Eigen::Vector2d::Zero();
    centre += first / light;
    third /= light;
  }
  return third;
}

// Third moment of a donut of outer radius 1 for a shadow offset of 1 by coma (own derivation from
// the ray sum; opposite to the shadow's direction).
double skewness_per_offset(double obstruction) {
  const double e2 = obstruction * obstruction;
  return (5 * (1 + e2 + e2 * e2) / 3 - (1 + e2) * (1 + e2)) / (2 * (1 - e2));
}

struct VectorMean {
  Eigen::Vector2d value = Eigen::Vector2d::Zero();
  double sigma = 0;  // of either component
};

// Huber's mean with weights, its error from the values' own scatter.
VectorMean robust_vector_mean(const std::vector<Eigen::Vector2d>& values,
                              const std::vector<double>& weights) {
  constexpr double kHuber = 1.7;  // of a component's scale, for lengths of two components
  VectorMean mean;
  std::vector<double> x;
  std::vector<double> y;
  for (const auto& v : values) {
    x.push_back(v.x());
    y.push_back(v.y());
  }
  mean.value = {weighted_median(x, weights), weighted_median(y, weights)};
  for (int round = 0; round < 20; ++round) {
    std::vector<double> lengths;
    for (std::size_t i = 0; i < values.size(); ++i) {
      lengths.push_back((values[i] - mean.value).norm() * std::sqrt(weights[i]));
    }
    // The median length of two normal components is 1.1774 of either's scale.
    const double scale = std::max(median(lengths) / 1.1774, 1e-12);
    Eigen::Vector2d sum = Eigen::Vector2d::Zero();
    double total = 0;
    double squares = 0;
    for (std::size_t i = 0; i < values.size(); ++i) {
      const double z = lengths[i] / scale;
      const double w = weights[i] * numerics::huber_weight(z, kHuber);
      sum += w * values[i];
      total += w;
      squares += w * w * (values[i] - mean.value).squaredNorm();
    }
    mean.value = sum / total;
    const auto n = static_cast<double>(values.size());
    mean.sigma = std::sqrt(squares / 2 * n / (n - 1)) / total;
  }
  return mean;
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

// Images of the frame's bright stars, the brightest first.
struct Stamps {
  double radius_px = 0;  // of a typical ring
  double bin = 1;        // frame pixels in one of an image
  std::vector<donuts::DonutImage> images;
  std::vector<double> snr;
};

// Absent where too few stars are bright and large enough.
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

// The rays' radius, and by what the skewness seen falls short of theirs.
struct Geometry {
  double outer_px = 0;
  double to_rays = 1.1;  // four waves of defocus
};

// By the rig where it is known, else from the size.
Geometry geometry_of(const Rig& rig, double radius_px, std::optional<double> defocus_steps) {
  Geometry geometry{radius_px};
  const auto ratio = rig.focal_ratio();
  if (!ratio || !rig.pixel_um) return geometry;
  if (rig.um_per_step && defocus_steps) {
    const double by_rig =
        std::abs(*defocus_steps) * *rig.um_per_step / (2 * *ratio * *rig.pixel_um);
    // A rig that does not fit what is seen is not believed.
    if (by_rig > 0.6 * radius_px && by_rig < 1.4 * radius_px) geometry.outer_px = by_rig;
  }
  // Diffraction takes some of the skewness out of the window: rendered stars of f/3 to f/7, one
  // to four waves of defocus and both fine and coarse seeing lose 0.35 / waves of it.
  const double waves = geometry.outer_px * *rig.pixel_um / (4 * *ratio * rig.wavelength_um);
  geometry.to_rays = 1 + 0.35 / std::max(waves, 1.0);
  return geometry;
}

// The shadow's offset by the stars' skewness. `scale`: offset over skewness.
VectorMean offset_by_coma(const Stamps& stamps, double scale) {
  std::vector<Eigen::Vector2d> offsets;
  std::vector<double> weights;
  for (std::size_t i = 0; i < stamps.images.size(); ++i) {
    offsets.push_back(scale *
                      skewness_of(stamps.images[i], kWindowRadii * stamps.radius_px / stamps.bin));
    constexpr double kPlenty = 150;  // beyond it optics and neighbours scatter more than noise
    weights.push_back(std::pow(std::min(stamps.snr[i], kPlenty), 2));
  }
  return robust_vector_mean(offsets, weights);
}

// A shadow that is displaced without coma: the light is even, and skewed the other way. `all`: the
// stars' mean image.
std::optional<VectorMean> offset_by_outline(const Stamps& stamps, const donuts::DonutImage& all,
                                            const VectorMean& by_coma) {
  const auto fit = donuts::fit_donut(all, stamps.radius_px / stamps.bin);
  if (!fit) return std::nullopt;
  constexpr double kEven = 0.25;  // rise of brightness over the offset's own by coma
  const Eigen::Vector2d outline(fit->outline_x, fit->outline_y);
  const Eigen::Vector2d rise(fit->rise_x, fit->rise_y);
  const bool even = rise.norm() < kEven * 4 * outline.norm();
  // Only a skewness that is there can be the other way.
  const bool skewed = by_coma.value.norm() > 3 * by_coma.sigma;
  if (!even || !skewed || !(outline.dot(by_coma.value) < 0) || !(outline.norm() > 0.02)) {
    return std::nullopt;
  }
  const std::size_t groups = std::min(kMostGroups, stamps.images.size());
  std::vector<Eigen::Vector2d> parts;
  for (std::size_t g = 0; g < groups; ++g) {
    const auto part =
        donuts::fit_donut(stack_of(stamps.images, stamps.snr, g, groups), fit->radius_px);
    if (part) parts.emplace_back(part->outline_x, part->outline_y);
  }
  if (parts.size() < kFewestShadows) return std::nullopt;
  return VectorMean{outline,
                    robust_vector_mean(parts, std::vector<double>(parts.size(), 1.0)).sigma};
}

}  // namespace

std::optional<Collimation> shadow_offset(const Frame& frame, const FrameMeasurement& measured,
                                         const Rig& rig, std::optional<double> defocus_steps) {
  if (rig.obstruction && !(*rig.obstruction > 0)) return std::nullopt;  // casts no shadow
  const auto stamps = stamps_of(frame, measured);
  if (!stamps) return std::nullopt;
  const donuts::DonutImage all = stack_of(stamps->images, stamps->snr, 0, 1);
  const bool shadowed = donuts::central_dip(all, stamps->radius_px / stamps->bin) >= kLeastDip;
  // Strong coma fills the shadow; where the rig has one, the skewness shows it all the same.
  if (!shadowed && !rig.obstruction) return std::nullopt;

  const Geometry geometry = geometry_of(rig, stamps->radius_px, defocus_steps);
  const double obstruction = rig.obstruction.value_or(curve::kUsualObstructionOfShadow);
  const double scale = -geometry.to_rays / (skewness_per_offset(obstruction) *
                                            std::pow(geometry.outer_px / stamps->bin, 3));
  VectorMean offset = offset_by_coma(*stamps, scale);
  constexpr double kStandsOut = 5;  // sigmas
  if (!shadowed && offset.value.norm() < kStandsOut * offset.sigma) return std::nullopt;
  if (const auto displaced = offset_by_outline(*stamps, all, offset)) offset = *displaced;
  Collimation out;
  out.shadow_offset = offset.value.norm();
  out.sigma = offset.sigma;
  out.angle_deg = std::atan2(offset.value.y(), offset.value.x()) * 180 / std::numbers::pi;
  out.stars = static_cast<int>(stamps->images.size());
  out.outer_radius_px = geometry.outer_px;
  out.inner_over_outer = obstruction;
  out.file = measured.file;
  out.position_steps = measured.position_steps.value_or(0);
  return out;
}

std::optional<Collimation> find_collimation(
    const FrameGroup& frames, double best_focus_steps, const Rig& rig,
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
    if (auto found = shadow_offset(*frame, frames[i], rig, from_focus(i))) return found;
  }
  return std::nullopt;
}

}  // namespace starwaist
