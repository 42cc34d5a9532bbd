#include "star_truth/truth.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "support/analytic_stars.h"

namespace starwaist::bench::star_truth {

namespace {

// Newton on the recorded growth curve of tests/support/analytic_stars.h.
std::pair<double, double> recorded_half_flux(const StarProfile& profile) {
  double h_px = profile.half_flux_radius();
  double slope = 1;
  for (int step = 0; step < 4; ++step) {
    constexpr double kDelta = 0.02;
    const double above = analytic::recorded_enclosed(profile, h_px + kDelta);
    const double below = analytic::recorded_enclosed(profile, h_px - kDelta);
    slope = (above - below) / (2 * kDelta);
    h_px -= (0.5 * (above + below) - 0.5) / slope;
  }
  return {h_px, slope};
}

Truth truth_of(const StarProfile& profile) {
  const auto [h_px, slope] = recorded_half_flux(profile);
  double area_px2 = 0;
  for (const double place : {0.1, 0.4}) {
    const int half_px =
        static_cast<int>(profile.ring_radius_px() + 6 * profile.seeing().hfr_px) + 2;
    double squares = 0;
    for (int y = -half_px; y <= half_px; ++y) {
      for (int x = -half_px; x <= half_px; ++x) {
        const double f = pixel_flux(profile, x - place, y - 0.5 * place);
        squares += f * f;
      }
    }
    area_px2 += 0.5 / squares;
  }
  const double body_px = std::max(4.0, profile.ring_radius_px() + 2 * profile.seeing().hfr_px);
  return {{h_px, slope, area_px2, body_px, [profile](double r) { return profile.enclosed(r); }},
          profile};
}

}  // namespace

double pixel_flux(const StarProfile& profile, double dx_px, double dy_px) {
  static const auto fine = analytic::gauss_legendre(6);
  static const auto middling = analytic::gauss_legendre(3);
  static const auto coarse = analytic::gauss_legendre(2);
  const double r_px = std::hypot(dx_px, dy_px);
  const double core_px = profile.ring_radius_px() + 4 * profile.seeing().hfr_px;
  const auto& rule = r_px > core_px ? coarse : profile.ring_radius_px() > 0 ? middling : fine;
  double sum = 0;
  for (const auto& [v, weight_v] : rule) {
    for (const auto& [u, weight_u] : rule) {
      sum += weight_u * weight_v * profile.density(std::hypot(dx_px + u, dy_px + v));
    }
  }
  return sum;
}

Truth star_of_kind(const StarKind& kind) {
  double seeing_px = kind.in_focus_px > 0 ? kind.in_focus_px : kind.size_px;
  double radius_px = 0;
  double got_px = 0;
  for (int step = 0; step < 3; ++step) {
    if (kind.in_focus_px > 0) {
      const double wanted = step == 0 ? kind.size_px * kind.size_px - seeing_px * seeing_px
                                      : kind.size_px * kind.size_px - got_px * got_px;
      radius_px = std::sqrt(radius_px * radius_px + 2 * wanted / (1 + kind.hole * kind.hole));
    } else if (step > 0) {
      seeing_px *= kind.size_px / got_px;
    }
    if (step < 2) {
      const StarProfile profile({kind.seeing, seeing_px}, radius_px, kind.hole);
      got_px = recorded_half_flux(profile).first;
    }
  }
  return truth_of(StarProfile({kind.seeing, seeing_px}, radius_px, kind.hole));
}

double growth_limit_px(const Growth& g) {
  const double q = g.share_inside_h / g.share_inside_aperture;
  const double sky2 = g.sky_sigma * g.sky_sigma;
  const double inner = g.flux_e * g.share_inside_h + sky2 * analytic::kPi * g.half_px * g.half_px;
  const double outer =
      g.flux_e * std::max(g.share_inside_aperture - g.share_inside_h, 0.0) +
      sky2 * analytic::kPi * (g.aperture_px * g.aperture_px - g.half_px * g.half_px);
  return std::sqrt((q - 1) * (q - 1) * inner + q * q * outer) / (g.flux_e * g.slope_per_px);
}

double growth_limit_px(const Known& star, double flux_e, double aperture_px) {
  return growth_limit_px({.flux_e = flux_e,
                          .sky_sigma = sky_sigma_e(),
                          .half_px = star.hfr_px,
                          .slope_per_px = star.slope_per_px,
                          .aperture_px = aperture_px,
                          .share_inside_h = 0.5,
                          .share_inside_aperture = std::max(star.enclosed(aperture_px), 0.5)});
}

}  // namespace starwaist::bench::star_truth
