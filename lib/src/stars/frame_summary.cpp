#include "stars/frame_summary.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <optional>
#include <utility>

#include "numerics/robust.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {

bool in_region(const Star& star, const std::optional<Region>& region) {
  return !region || (star.x_px >= region->x_px && star.y_px >= region->y_px &&
                     star.x_px < region->x_px + region->width_px &&
                     star.y_px < region->y_px + region->height_px);
}

namespace {

// Stars that the frame's sizes rest on: the clean ones, or, where there are fewer than five,
// blended and faint ones too.
std::vector<const MeasuredStar*> summary_stars(const std::vector<MeasuredStar>& stars,
                                               const MeasureOptions& options) {
  constexpr std::size_t kEnough = 5;
  std::vector<const MeasuredStar*> chosen;
  struct Grade {
    double snr;
    bool blends;
  };
  for (const Grade grade :
       {Grade{kSummarySnr, false}, Grade{kSummarySnr, true}, Grade{0.0, true}}) {
    chosen.clear();
    for (const MeasuredStar& w : stars) {
      const Star& s = w.star;
      if (!w.measured || w.defect || s.saturated || s.at_edge || s.extended || !s.hfr_sigma_px ||
          !in_region(s, options.region))
        continue;
      if (s.snr < grade.snr || (s.blended && !grade.blends)) continue;
      chosen.push_back(&w);
    }
    if (chosen.size() >= kEnough) break;
  }
  return chosen;
}

// `pick` gives value and sigma of a star, or nothing.
template <class Pick>
std::optional<numerics::RobustMean> mean_over(const std::vector<const MeasuredStar*>& chosen,
                                              Pick&& pick) {
  std::vector<double> values;
  std::vector<double> sigmas;
  for (const MeasuredStar* w : chosen) {
    const std::optional<std::pair<double, double>> picked = pick(*w);
    if (!picked) continue;
    values.push_back(picked->first);
    sigmas.push_back(picked->second);
  }
  return numerics::robust_mean(values, sigmas);
}

// Error of the stars' mean size by the error of the sky that they share.
double shared_by_sky_px(const std::vector<const MeasuredStar*>& chosen) {
  double weights = 0;
  double sum = 0;
  for (const MeasuredStar* w : chosen) {
    const double weight = 1 / (*w->star.hfr_sigma_px * *w->star.hfr_sigma_px);
    weights += weight;
    sum += weight * w->sky_sigma_px;
  }
  return weights > 0 ? sum / weights : 0.0;
}

}  // namespace

void summarise(const std::vector<MeasuredStar>& stars, const MeasureOptions& options,
               FrameMeasurement& out) {
  const std::vector<const MeasuredStar*> chosen = summary_stars(stars, options);
  using Picked = std::optional<std::pair<double, double>>;
  const auto relative = [](const MeasuredStar& w) { return *w.star.hfr_sigma_px / w.size_px; };
  const auto hfr = mean_over(chosen, [](const MeasuredStar& w) -> Picked {
    return std::pair{*w.star.hfr_px, *w.star.hfr_sigma_px};
  });
  if (!hfr) return;
  out.star_count = static_cast<int>(hfr->count);
  out.hfr_px = hfr->value;
  out.hfr_sigma_px = hfr->sigma;
  out.hfr_shared_sigma_px = shared_by_sky_px(chosen);
  const auto mean_radius = mean_over(chosen, [&](const MeasuredStar& w) -> Picked {
    if (!w.star.mean_radius_px) return std::nullopt;
    return std::pair{*w.star.mean_radius_px, relative(w) * *w.star.mean_radius_px};
  });
  if (mean_radius) out.mean_radius_px = mean_radius->value;
  const auto fwhm = mean_over(chosen, [&](const MeasuredStar& w) -> Picked {
    if (!w.star.fwhm_px) return std::nullopt;
    return std::pair{*w.star.fwhm_px, relative(w) * *w.star.fwhm_px};
  });
  if (fwhm && fwhm->count * 2 >= chosen.size()) {
    out.fwhm_px = fwhm->value;
    out.fwhm_sigma_px = fwhm->sigma;
  }
  std::vector<double> eccentricity;
  double e1 = 0;
  double e2 = 0;
  double length = 0;
  for (const MeasuredStar* w : chosen) {
    if (!w->polarisation || !w->star.eccentricity) continue;
    eccentricity.push_back(*w->star.eccentricity);
    // Directions count by how far they stand out of their noise.
    const double size = w->polarisation->magnitude();
    const double weight = size / (size + 2 * w->polarisation_sigma) / std::max(size, 1e-9);
    e1 += weight * w->polarisation->e1;
    e2 += weight * w->polarisation->e2;
    length += weight * size;
  }
  if (eccentricity.empty()) return;
  out.eccentricity = median(eccentricity);
  if (eccentricity.size() >= 3 && length > 0) {
    const double n = static_cast<double>(eccentricity.size());
    const double resultant2 = (e1 * e1 + e2 * e2) / (length * length);
    // n random directions have a mean squared resultant of 1/n: taken out.
    const double unbiased = std::max(0.0, (n * resultant2 - 1) / (n - 1));
    out.elongation_coherence = std::sqrt(unbiased);
    out.elongation_angle_deg = angle_deg_of({e1, e2});
  }
}

bool are_lines(const std::vector<MeasuredStar>& stars, const MeasureOptions& options,
               const FrameMeasurement& out) {
  constexpr double kLine = 0.85;  // eccentricity: twice as long as wide
  constexpr double kOneWay = 0.7;
  constexpr std::size_t kFewest = 3;  // that can show that they point one way
  constexpr std::size_t kMost = 60;  // more objects than that are a field of stars, bad as it looks
  const std::vector<const MeasuredStar*> chosen = summary_stars(stars, options);
  if (chosen.size() > kMost) return false;
  std::size_t lines = 0;
  for (const MeasuredStar* m : chosen) {
    // Of a long line no shape can be measured.
    lines += !m->star.eccentricity || *m->star.eccentricity > kLine ? 1 : 0;
  }
  if (lines == 0 || 2 * lines < chosen.size()) return false;
  return chosen.size() < kFewest || out.elongation_coherence.value_or(0) < kOneWay;
}

}  // namespace starwaist::stars
