#include "stars/one_star.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>
#include <vector>

#include "stars/aperture.h"
#include "stars/green_sites.h"
#include "stars/leverage.h"
#include "stars/summary.h"

namespace starwaist::stars {
namespace {

constexpr double kWindowOfSize = 1.5;  // windowed centroid and moments, in half-flux radii
constexpr double kLargestSizePx = 60.0;

// Sky left on a stamp between two radii: clipped mean and its standard error. Absent where less
// than a quarter of the annulus can be seen.
std::optional<AnnulusSky> annulus_sky(const Stamp& stamp, Centre centre, double inner_px,
                                      double outer_px, double noise_adu) {
  const double full = std::numbers::pi * (outer_px * outer_px - inner_px * inner_px);
  std::vector<float> values;
  values.reserve(static_cast<std::size_t>(1.1 * full) + 16);
  const double cx = centre.x_px - stamp.x_begin_px;
  const double cy = centre.y_px - stamp.y_begin_px;
  for (int y = 0; y < stamp.height_px; ++y) {
    const double dy2 = (y - cy) * (y - cy);
    if (dy2 > outer_px * outer_px) continue;
    const double outer_half = std::sqrt(outer_px * outer_px - dy2);
    const double inner_half = std::sqrt(std::max(0.0, inner_px * inner_px - dy2));
    const float* row = stamp.row(y);
    const auto append = [&](double from, double to) {  // pixels of the row, the ends among them
      const int first = std::max(0, static_cast<int>(std::ceil(from)));
      const int last = std::min(stamp.width_px - 1, static_cast<int>(std::floor(to)));
      if (first <= last) values.insert(values.end(), row + first, row + last + 1);
    };
    if (inner_half > 0) {
      append(cx - outer_half, cx - inner_half);
      append(cx + inner_half, cx + outer_half);
    } else {
      append(cx - outer_half, cx + outer_half);
    }
  }
  values.erase(std::remove_if(values.begin(), values.end(),
                              [](float value) { return !std::isfinite(value); }),
               values.end());
  if (values.size() < 20 || static_cast<double>(values.size()) < 0.25 * full) return std::nullopt;
  const ClippedMean mean = clipped_mean(values, noise_adu);
  if (mean.count < 10) return std::nullopt;
  return AnnulusSky{mean.value, mean.spread / std::sqrt(static_cast<double>(mean.count))};
}

// Half-flux radius and light with the profile's wings: the aperture's share of the light depends on
// the size, so the two are found together.
struct Size {
  double hfr_px = 0;
  double flux_adu = 0;
};

std::optional<Size> size_of(const GrowthCurve& growth, const GrowthProfile& profile,
                            double aperture_px, double sky_offset_adu, double start_px) {
  const double inside =
      growth.flux(aperture_px) - std::numbers::pi * aperture_px * aperture_px * sky_offset_adu;
  if (!(inside > 0)) return std::nullopt;
  double size = std::max(start_px, 0.3);
  double total = inside;
  for (int round = 0; round < 12; ++round) {
    total = inside / share_inside(profile, aperture_px, size);
    // A pedestal bends the growth curve by pi r^2 of it: folded into the target.
    double next = size;
    for (int inner = 0; inner < 4; ++inner) {
      const double target = 0.5 * total + std::numbers::pi * next * next * sky_offset_adu;
      const double r = target > 0 ? growth.radius_of(target) : 0.0;
      const bool settled = std::abs(r - next) < 1e-4 * std::max(r, 0.1);
      next = r;
      if (settled || sky_offset_adu == 0) break;
    }
    const bool settled = std::abs(next - size) < 2e-4 * size;
    size = next;
    if (!(size > 0.05)) return std::nullopt;
    if (settled) break;
  }
  return Size{size, total};
}

// Highest pixel of the star's core, and whether a raw pixel there is clipped.
void measure_peak(const FrameContext& context, const Stamp& stamp, Centre centre, Star& star) {
  const double core = std::max(1.5, 1.6 * *star.hfr_px);
  const double cx = centre.x_px - stamp.x_begin_px;
  const double cy = centre.y_px - stamp.y_begin_px;
  const int y_last = std::min(stamp.height_px - 1, static_cast<int>(std::ceil(cy + core)));
  const int x_last = std::min(stamp.width_px - 1, static_cast<int>(std::ceil(cx + core)));
  // The level hardly changes over a star's core.
  const double level_adu = context.sky->level_adu(centre.x_px, centre.y_px);
  for (int y = std::max(0, static_cast<int>(cy - core)); y <= y_last; ++y) {
    for (int x = std::max(0, static_cast<int>(cx - core)); x <= x_last; ++x) {
      const float value = stamp.at(x, y);
      if (!std::isfinite(value) || (x - cx) * (x - cx) + (y - cy) * (y - cy) > core * core)
        continue;
      star.peak_adu = std::max<double>(star.peak_adu, value);
    }
  }
  star.saturated = star.peak_adu + level_adu >= context.saturation_adu;
}

// Standard errors of the light and the half-flux radius: noise of the light inside r and between r
// and the aperture, photons included where the gain is known; the sky's pedestal moves both sums
// together.
void measure_errors(const FrameContext& context, const StarRules& rules, const SkyOffset& sky,
                    double variance, MeasuredStar& measured) {
  Star& star = measured.star;
  const double h = *star.hfr_px;
  const Leverage leverage(*rules.profile, rules.aperture_px, h, star.flux_adu);
  const double area_in = std::numbers::pi * h * h;
  const double area_out = std::numbers::pi * rules.aperture_px * rules.aperture_px - area_in;
  const double photon_adu2 = context.gain_e_per_adu ? star.flux_adu / *context.gain_e_per_adu : 0.0;
  const double v_in = area_in * variance + 0.5 * photon_adu2;
  const double v_out = std::max(area_out, 0.0) * variance + leverage.share_outside() * photon_adu2;
  const double target_by_sky = area_in - leverage.q * (area_in + area_out);
  const double pedestal = sky.sigma_adu * target_by_sky;
  const double target_variance = leverage.target_variance(v_in, v_out) + pedestal * pedestal;
  if (leverage.slope > 0) {
    star.hfr_sigma_px = std::sqrt(target_variance) / leverage.slope;
    measured.sky_sigma_px = sky.shared_sigma_adu * std::abs(target_by_sky) / leverage.slope;
  }
  const double flux_sigma =
      std::sqrt(v_in + v_out + std::pow(sky.sigma_adu * (area_in + area_out), 2)) / leverage.share;
  star.snr = flux_sigma > 0 ? star.flux_adu / flux_sigma : 0;
}

void measure_elongation(const FrameContext& context, const WindowedStamp& stamp, Centre centre,
                        double variance, MeasuredStar& measured) {
  Star& star = measured.star;
  const double h = *star.hfr_px;
  const double window = std::max(kWindowOfSize * h, 1.0);
  measured.polarisation = windowed_polarisation(stamp, centre, window);
  // Standard deviation of either component for a Gaussian star under this window: from the sky
  // sqrt(pi) s (a + b)^3 / (2 F a b^1.5) with a = star's, b = window's variance (own derivation),
  // from the photons sqrt(2 / electrons).
  const double a = h * h / (2 * std::numbers::ln2);
  const double b = window * window;
  const double from_sky = std::sqrt(std::numbers::pi * variance) * std::pow(a + b, 3) /
                          (2 * star.flux_adu * a * std::pow(b, 1.5));
  const double from_photons =
      context.gain_e_per_adu ? 2.0 / (star.flux_adu * *context.gain_e_per_adu) : 0.0;
  measured.polarisation_sigma = std::sqrt(from_sky * from_sky + from_photons);
  if (!measured.polarisation) return;
  const double e2 = measured.polarisation->e1 * measured.polarisation->e1 +
                    measured.polarisation->e2 * measured.polarisation->e2 -
                    2 * measured.polarisation_sigma * measured.polarisation_sigma;
  star.eccentricity = eccentricity_of(std::sqrt(std::max(0.0, e2)));
  star.angle_deg = angle_deg_of(*measured.polarisation);
}

}  // namespace

void measure_star(const FrameContext& context, const StarRules& rules, const Pedestal& pedestal,
                  MeasuredStar& measured) {
  measured.measured = false;
  Star& star = measured.star;
  const double expected = measured.size_px;
  const double aperture = rules.aperture_px;
  const double annulus_inner = 1.25 * aperture + 1;
  const double annulus_outer = std::max(1.75 * aperture + 4, aperture + kRimReachPx);
  const Centre start{star.x_px, star.y_px};
  const Stamp stamp = cut_stamp(context, start, annulus_outer);
  const double window = std::max(kWindowOfSize * expected, 1.0);
  const WindowedStamp windowed(stamp, window);
  const auto found =
      rules.keep_place ? std::optional(start)
                       : windowed_centroid(windowed, start, window, std::max(1.5 * expected, 2.0));
  if (!found) return;
  const Centre centre = *found;
  star.x_px = centre.x_px;
  star.y_px = centre.y_px;
  star.aperture_px = aperture;
  star.at_edge = centre.x_px < aperture || centre.y_px < aperture ||
                 centre.x_px > context.frame->pixels.width_px() - 1 - aperture ||
                 centre.y_px > context.frame->pixels.height_px() - 1 - aperture;
  measured.annulus = annulus_sky(stamp, centre, annulus_inner, annulus_outer,
                                 context.sky->noise_adu(centre.x_px, centre.y_px));

  const GrowthCurve growth(stamp, centre, aperture);
  const double light =
      growth.flux(aperture) / share_inside(*rules.profile, aperture, std::max(expected, 0.3));
  const SkyOffset sky = pedestal.at(measured.annulus, light);
  const auto size = size_of(growth, *rules.profile, aperture, sky.value_adu, expected);
  if (!size) return;
  const SitesError sites = sites_error(stamp, centre, size->hfr_px);
  const double h = size->hfr_px / (1 + sites.value);
  const double variance = pixel_variance(context, centre);
  star.flux_adu = size->flux_adu;
  star.hfr_px = measured.size_px = h;
  star.peak_adu = 0;
  measure_peak(context, stamp, centre, star);
  star.hfr_sigma_px.reset();
  measured.sky_sigma_px = 0;
  measure_errors(context, rules, sky, variance, measured);
  if (star.hfr_sigma_px) star.hfr_sigma_px = std::hypot(*star.hfr_sigma_px, sites.sigma * h);
  const double mean_radius = growth.mean_radius(aperture);
  star.mean_radius_px = mean_radius > 0 ? std::optional(mean_radius) : std::nullopt;
  measured.measured = true;

  measure_elongation(context, windowed, centre, variance, measured);
  if (rules.wing == nullptr) return;
  // Below 1.5 px a dark centre is narrower than a pixel and does not show.
  constexpr double kPeaked = 1.25;
  if (h < 1.5 || rules.profile->central_ratio() > kPeaked) {
    const auto moffat = fit_moffat(stamp, centre, std::max(2.5 * h, 3.0), 1.9 * h, *rules.wing);
    if (moffat) star.fwhm_px = moffat->fwhm_px;
  }
}

void change_gain(const GrowthProfile& profile, std::optional<double> before_e_per_adu,
                 std::optional<double> after_e_per_adu, Star& star) {
  if (!star.hfr_px || !(star.flux_adu > 0) || !(star.snr > 0)) return;
  const auto photon_adu2 = [&](const std::optional<double>& gain) {
    return gain ? star.flux_adu / *gain : 0.0;
  };
  const double more_adu2 = photon_adu2(after_e_per_adu) - photon_adu2(before_e_per_adu);
  const Leverage leverage(profile, star.aperture_px, *star.hfr_px, star.flux_adu);
  if (star.hfr_sigma_px && leverage.slope > 0) {
    const double target_sigma = *star.hfr_sigma_px * leverage.slope;
    const double target_variance =
        target_sigma * target_sigma +
        leverage.target_variance(0.5 * more_adu2, leverage.share_outside() * more_adu2);
    if (target_variance > 0) star.hfr_sigma_px = std::sqrt(target_variance) / leverage.slope;
  }
  const double flux_sigma = star.flux_adu / star.snr;
  const double flux_variance = flux_sigma * flux_sigma + (0.5 + leverage.share_outside()) *
                                                             more_adu2 /
                                                             (leverage.share * leverage.share);
  if (flux_variance > 0) star.snr = star.flux_adu / std::sqrt(flux_variance);
}

std::optional<Probe> probe_size(const FrameContext& context, const Candidate& candidate) {
  double size = 1.2 * template_sigma_px(candidate.level);
  const GrowthProfile gaussian = GrowthProfile::gaussian();
  Centre centre{candidate.x_px, candidate.y_px};
  constexpr int kRounds = 6;
  for (int round = 0; round < kRounds; ++round) {
    const double aperture = std::max(2.5 * size, 3.0);
    const Stamp stamp = cut_stamp(context, centre, aperture + kRimReachPx);
    const double window = std::max(kWindowOfSize * size, 1.0);
    const WindowedStamp windowed(stamp, window);
    const auto found = windowed_centroid(windowed, centre, window, std::max(2 * size, 2.0));
    if (!found) return std::nullopt;
    centre = *found;
    const GrowthCurve growth(stamp, centre, aperture);
    const auto measured = size_of(growth, gaussian, aperture, 0, size);
    if (!measured || measured->hfr_px > kLargestSizePx) return std::nullopt;
    const bool settled = std::abs(measured->hfr_px - size) < 0.03 * size;
    size = measured->hfr_px;
    if (!settled && round < kRounds - 1) continue;
    const double last_window = std::max(kWindowOfSize * size, 1.0);
    return Probe{size, elongation_of(windowed_polarisation(windowed, centre, last_window))};
  }
  return std::nullopt;  // never reached: the last round answers
}

}  // namespace starwaist::stars
