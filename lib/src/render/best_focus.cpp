#include "render/best_focus.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <map>
#include <optional>
#include <utility>
#include <vector>

#include "render/scene.h"
#include "starwaist/statistics.h"

namespace starwaist::render {

namespace {

// Half-flux radius against defocus, worked out at even nodes when first asked for and interpolated
// between them by the cubic through four.
class SizeCurve {
 public:
  SizeCurve(const RenderOptions& options, double step_um) : options_(options), step_um_(step_um) {}

  double at(double defocus_um) {
    const double place = defocus_um / step_um_;
    const auto first = static_cast<long>(std::floor(place)) - 1;
    double value = 0;
    for (long i = first; i < first + 4; ++i) {
      double weight = 1;
      for (long j = first; j < first + 4; ++j) {
        if (j != i) weight *= (place - static_cast<double>(j)) / static_cast<double>(i - j);
      }
      if (weight != 0) value += weight * node(i);  // on a node it alone counts
    }
    return value;
  }

  [[nodiscard]] const std::optional<Error>& error() const { return error_; }

 private:
  double node(long index) {
    const auto known = sizes_.find(index);
    if (known != sizes_.end()) return known->second;
    const auto spread =
        point_spread(options_, static_cast<double>(index) * step_um_, options_.seeing_arcsec);
    double size = 0;
    if (spread) {
      size = starwaist::half_flux_radius_px(*spread);
    } else if (!error_) {
      error_ = spread.error();
    }
    sizes_.emplace(index, size);
    return size;
  }

  const RenderOptions& options_;
  double step_um_;
  std::map<long, double> sizes_;
  std::optional<Error> error_;
};

// From where to where the focus of some part of some star's image may lie.
struct FocusSpan {
  double low_um = 0;
  double high_um = 0;
};

// `nearest` and `farthest`: the stars' paraxial focuses. A pupil zone or a meridian comes to focus
// from there to the marginal focus at W020 = -2 W040, and as far as W222 either side.
FocusSpan focus_span_of(const RenderOptions& options, double nearest_um, double farthest_um,
                        double zone_um) {
  const Aberrations& a = options.aberrations;
  const double um_per_wave = 8 * (options.f_number * options.f_number) * kReferenceWavelengthUm;
  const double marginal_um = -2 * a.spherical_w040_waves * um_per_wave;
  const double meridian_um = -a.astigmatism_w222_waves * um_per_wave;
  return {nearest_um + std::min(0.0, marginal_um) + std::min(0.0, meridian_um) - zone_um,
          farthest_um + std::max(0.0, marginal_um) + std::max(0.0, meridian_um) + zone_um};
}

// Where `size` is smallest, to 1e-4 zones: a coarse look, then golden section.
template <class Size>
double smallest_at(const FocusSpan& span, double zone_um, const Size& size_at) {
  const auto [low_um, high_um] = span;
  const int looks = static_cast<int>(std::clamp((high_um - low_um) / (0.25 * zone_um), 8.0, 64.0));
  const double step_um = (high_um - low_um) / looks;
  double middle_um = low_um;
  double smallest = size_at(low_um);
  for (int i = 1; i <= looks; ++i) {
    const double size = size_at(low_um + i * step_um);
    if (size < smallest) {
      smallest = size;
      middle_um = low_um + i * step_um;
    }
  }
  constexpr double kGolden = 0.6180339887498949;
  double left = middle_um - step_um;
  double right = middle_um + step_um;
  while (right - left > 1e-4 * zone_um) {
    const double width = kGolden * (right - left);
    if (size_at(right - width) < size_at(left + width)) {
      right = left + width;
    } else {
      left = right - width;
    }
  }
  return 0.5 * (left + right);
}

}  // namespace

Result<BestFocus> best_focus_of(const RenderOptions& options) {
  const double zone_um = 4 * kReferenceWavelengthUm * (options.f_number * options.f_number);
  SizeCurve curve(options, 0.25 * zone_um);
  std::vector<double> field_um;
  for (const RenderedStar& star : field_of(options)) {
    field_um.push_back(field_focus_steps(options, star.x_px, star.y_px) * options.um_per_step);
  }
  if (field_um.empty()) field_um.push_back(0);
  // Not a structured binding, which clang 14 does not let a lambda capture.
  const auto ends = std::minmax_element(field_um.begin(), field_um.end());
  const double nearest = *ends.first;
  const double farthest = *ends.second;
  const auto median_size = [&](double centre_um) {
    if (nearest == farthest) return curve.at(centre_um - nearest);
    std::vector<double> sizes;
    sizes.reserve(field_um.size());
    for (const double star_um : field_um) sizes.push_back(curve.at(centre_um - star_um));
    return median(sizes);
  };

  // Without spherical aberration, coma or astigmatism the star image at -dz is that at +dz.
  const Aberrations& a = options.aberrations;
  const bool round =
      a.spherical_w040_waves == 0 && a.astigmatism_w222_waves == 0 && a.coma_w131_waves == 0;
  BestFocus best;
  if (round && nearest == farthest) {
    best = {options.best_focus_steps + nearest / options.um_per_step, curve.at(0)};
  } else {
    const double centre_um =
        smallest_at(focus_span_of(options, nearest, farthest, zone_um), zone_um, median_size);
    best = {options.best_focus_steps + centre_um / options.um_per_step, median_size(centre_um)};
  }
  if (curve.error()) return tl::unexpected(*curve.error());
  return best;
}

}  // namespace starwaist::render
