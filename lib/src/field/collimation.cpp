#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>
#include <numbers>

#include "curve/priors.h"
#include "field/donut.h"
#include "field/ring_stamps.h"
#include "field/shadow_skewness.h"
#include "numerics/robust.h"
#include "starwaist/field.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

using donuts::kFewestShadows;
using donuts::kLeastRadiusPx;
using donuts::radius_of;
using donuts::Stamps;

constexpr double kLeastDip = 0.08;  // of the middle against the ring
constexpr std::size_t kMostGroups = 8;
constexpr double kWindowRadii = 1.75;  // of the moments

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

// The rays' radius, and what diffraction makes of their skewness.
struct Geometry {
  double outer_px = 0;
  double waves = 4;  // of defocus

  // Rendered stars of f/3 to f/8, one to four waves of defocus and both fine and coarse seeing, and
  // stars of one wavelength, show less of coma and more of a displaced shadow. No source.
  [[nodiscard]] double of_coma() const { return 1 / (1 + 0.42 / std::max(waves, 1.0)); }
  [[nodiscard]] double of_displaced() const { return 1 + 0.4 / std::max(waves, 1.0); }
};

void set_waves(const Rig& rig, Geometry& geometry) {
  const auto ratio = rig.focal_ratio();
  if (!ratio || !rig.pixel_um) return;
  geometry.waves = geometry.outer_px * *rig.pixel_um / (4 * *ratio * rig.wavelength_um);
}

// What the half-flux radius of rendered rings falls short of the rays'.
constexpr double kRaysOverSeen = 1.03;

std::optional<double> rays_radius_px(const Rig& rig, double defocus_steps) {
  const auto ratio = rig.focal_ratio();
  if (!ratio || !rig.pixel_um || !rig.um_per_step) return std::nullopt;
  return std::abs(defocus_steps) * *rig.um_per_step / (2 * *ratio * *rig.pixel_um);
}

// A radius that the rig gives counts where the ring that is seen bears it out: best focus may be
// wrong, and so may be what the rig was said to be.
double believed(std::optional<double> by_rig, double seen) {
  constexpr double kAgrees = 0.1;
  return by_rig && std::abs(*by_rig / seen - 1) < kAgrees ? *by_rig : seen;
}

// One frame's rings: their skewness over the third power of their radius, as the offset by coma
// that it would be.
struct Rings {
  VectorMean skewed;
  Geometry geometry;
  double seen_px = 0;  // outer radius by the size
  int stars = 0;
  std::string file;
  double position_steps = 0;

  void set_radius(double outer_px, const Rig& rig) {
    const double factor = std::pow(geometry.outer_px / outer_px, 3);
    skewed.value *= factor;
    skewed.sigma *= factor;
    geometry.outer_px = outer_px;
    set_waves(rig, geometry);
  }
};

// `scale`: offset over skewness.
VectorMean mean_skewness(const Stamps& stamps, double scale) {
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
        donuts::fit_donut(donuts::stack_of(stamps.images, stamps.snr, g, groups), fit->radius_px);
    if (part) parts.emplace_back(part->outline_x, part->outline_y);
  }
  if (parts.size() < kFewestShadows) return std::nullopt;
  return VectorMean{outline,
                    robust_vector_mean(parts, std::vector<double>(parts.size(), 1.0)).sigma};
}

double obstruction_of(const Rig& rig) {
  return rig.obstruction.value_or(curve::kUsualObstructionOfShadow);
}

double degrees_of(const Eigen::Vector2d& v) {
  return std::atan2(v.y(), v.x()) * 180 / std::numbers::pi;
}

// What a frame shows; `displaced` where its light is even and skewed the other way.
struct Shown {
  Rings rings;
  std::optional<VectorMean> displaced;
};

std::optional<Shown> shown_by(const Frame& frame, const FrameMeasurement& measured, const Rig& rig,
                              std::optional<double> defocus_steps) {
  if (rig.obstruction && !(*rig.obstruction > 0)) return std::nullopt;  // casts no shadow
  const auto stamps = donuts::stamps_of(frame, measured);
  if (!stamps) return std::nullopt;
  const donuts::DonutImage all = donuts::stack_of(stamps->images, stamps->snr, 0, 1);
  const bool shadowed = donuts::central_dip(all, stamps->radius_px / stamps->bin) >= kLeastDip;
  // Strong coma fills the shadow; where the rig has one, the skewness shows it all the same.
  if (!shadowed && !rig.obstruction) return std::nullopt;
  const double obstruction = obstruction_of(rig);
  Shown shown;
  Rings& rings = shown.rings;
  rings.seen_px = kRaysOverSeen * stamps->radius_px * radius_of(1, obstruction) / radius_of(1);
  rings.geometry.outer_px =
      believed(defocus_steps ? rays_radius_px(rig, *defocus_steps) : std::nullopt, rings.seen_px);
  set_waves(rig, rings.geometry);
  rings.skewed = mean_skewness(*stamps, -1 / (skewness_per_offset(obstruction) *
                                              std::pow(rings.geometry.outer_px / stamps->bin, 3)));
  constexpr double kStandsOut = 5;  // sigmas
  if (!shadowed && rings.skewed.value.norm() < kStandsOut * rings.skewed.sigma) return std::nullopt;
  rings.stars = static_cast<int>(stamps->images.size());
  rings.file = measured.file;
  rings.position_steps = measured.position_steps.value_or(0);
  shown.displaced = offset_by_outline(*stamps, all, rings.skewed);
  return shown;
}

Collimation collimation_of(const Rings& rings, const Rig& rig) {
  Collimation out;
  out.stars = rings.stars;
  out.outer_radius_px = rings.geometry.outer_px;
  out.inner_over_outer = obstruction_of(rig);
  out.file = rings.file;
  out.position_steps = rings.position_steps;
  return out;
}

void set_offset(const Eigen::Vector2d& offset, double sigma, Collimation& out) {
  out.shadow_offset = offset.norm();
  out.angle_deg = degrees_of(offset);
  out.sigma = sigma;
}

void set_coma(const Eigen::Vector2d& coma, double sigma, Collimation& out) {
  out.coma_offset = coma.norm();
  out.coma_angle_deg = degrees_of(coma);
  out.coma_sigma = sigma;
}

// One side of focus: the skewness counts as coma, and a displaced shadow may hide in it.
Collimation by_one_side(const Shown& shown, const Rig& rig) {
  constexpr double kUsualDisplaced = 0.04;  // of secondaries that nobody moved; no source
  const Rings& rings = shown.rings;
  Collimation out = collimation_of(rings, rig);
  const double of_coma = rings.geometry.of_coma();
  const Eigen::Vector2d coma = rings.skewed.value / of_coma;
  const double sigma = rings.skewed.sigma / of_coma;
  set_coma(coma, sigma, out);
  if (shown.displaced) {
    set_offset(shown.displaced->value, shown.displaced->sigma, out);
    return out;
  }
  const double hidden = kUsualDisplaced * (1 + displaced_over_coma(obstruction_of(rig)) *
                                                   rings.geometry.of_displaced() / of_coma);
  set_offset(coma, std::hypot(sigma, hidden), out);
  return out;
}

// Radii of both frames' rings: their sum is the focuser's travel, whatever best focus is; how they
// share it is seen.
void share_radii(const Rig& rig, Rings& beyond, Rings& before) {
  const double seen = beyond.seen_px + before.seen_px;
  const double both =
      believed(rays_radius_px(rig, beyond.position_steps - before.position_steps), seen);
  beyond.set_radius(both * beyond.seen_px / seen, rig);
  before.set_radius(both * before.seen_px / seen, rig);
}

// Both sides of focus. Coma moves light by the same whatever the defocus, a displaced shadow turns
// with the image: two skewnesses, two unknowns.
Collimation by_both_sides(Rings beyond, Rings before, const Rig& rig) {
  share_radii(rig, beyond, before);
  const double k = displaced_over_coma(obstruction_of(rig));
  const double closer = beyond.geometry.outer_px / before.geometry.outer_px;
  const double coma_beyond = beyond.geometry.of_coma();
  const double coma_before = closer * before.geometry.of_coma();
  const double shadow_beyond = k * beyond.geometry.of_displaced();
  const double shadow_before = k * before.geometry.of_displaced();
  const double determinant = coma_beyond * shadow_before + coma_before * shadow_beyond;
  const Eigen::Vector2d coma =
      (shadow_before * beyond.skewed.value + shadow_beyond * before.skewed.value) / determinant;
  const Eigen::Vector2d displaced =
      (coma_beyond * before.skewed.value - coma_before * beyond.skewed.value) / determinant;
  const double coma_sigma =
      std::hypot(shadow_before * beyond.skewed.sigma, shadow_beyond * before.skewed.sigma) /
      determinant;
  const double displaced_sigma =
      std::hypot(coma_beyond * before.skewed.sigma, coma_before * beyond.skewed.sigma) /
      determinant;
  // What the factors of diffraction leave open, of each part.
  constexpr double kOfPart = 0.05;
  Collimation out = collimation_of(beyond, rig);
  set_coma(coma, std::hypot(coma_sigma, kOfPart * coma.norm()), out);
  out.both_sides = true;
  out.displaced_offset = displaced.norm();
  out.displaced_angle_deg = degrees_of(displaced);
  out.displaced_sigma = std::hypot(displaced_sigma, kOfPart * displaced.norm());
  set_offset(coma + displaced, std::hypot(out.coma_sigma, *out.displaced_sigma), out);
  return out;
}

}  // namespace

std::optional<Collimation> shadow_offset(const Frame& frame, const FrameMeasurement& measured,
                                         const Rig& rig, std::optional<double> defocus_steps) {
  const auto shown = shown_by(frame, measured, rig, defocus_steps);
  if (!shown) return std::nullopt;
  return by_one_side(*shown, rig);
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
  std::optional<Shown> beyond;
  for (const std::size_t i : order) {
    if (beyond && from_focus(i) > 0) continue;
    if (radius_of(*frames[i].hfr_px) < kLeastRadiusPx ||
        *frames[i].hfr_px < kLeastGrowth * smallest) {
      continue;
    }
    const auto frame = read(i);
    if (!frame) continue;
    auto shown = shown_by(*frame, frames[i], rig, from_focus(i));
    if (!shown) continue;
    if (from_focus(i) > 0) {
      beyond = std::move(shown);
      continue;
    }
    if (!beyond) return by_one_side(*shown, rig);
    return by_both_sides(beyond->rings, shown->rings, rig);
  }
  if (!beyond) return std::nullopt;
  return by_one_side(*beyond, rig);
}

}  // namespace starwaist
