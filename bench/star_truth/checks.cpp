#include "star_truth/checks.h"

#include <cmath>
#include <cstddef>
#include <cstdio>
#include <vector>

#include "star_truth/seeing.h"
#include "star_truth/spread.h"
#include "star_truth/star_profile.h"
#include "star_truth/truth.h"
#include "starwaist/render.h"
#include "starwaist/stars.h"
#include "support/analytic_stars.h"

namespace starwaist::bench::star_truth {

namespace {

constexpr double kSkySigma = 10;

// Growth curves of a star: which share of each pixel lies inside which radius.
struct GrowthPixels {
  std::vector<double> radii_px;              // the aperture last
  std::vector<double> clean;                 // flux of the pixels
  std::vector<std::vector<double>> overlap;  // a list of pixels for each radius
};

GrowthPixels growth_pixels(const analytic::Gaussian& star, double flux, double h_px,
                           double aperture_px) {
  constexpr int kHalfSide = 12;
  constexpr int kHalfCount = 10;  // radii around the answer, 0.1 px apart
  GrowthPixels pixels;
  for (int i = -kHalfCount; i <= kHalfCount; ++i) pixels.radii_px.push_back(h_px + 0.1 * i);
  pixels.radii_px.push_back(aperture_px);
  pixels.overlap.resize(pixels.radii_px.size());
  for (int y = -kHalfSide; y <= kHalfSide; ++y) {
    for (int x = -kHalfSide; x <= kHalfSide; ++x) {
      pixels.clean.push_back(flux * analytic::pixel_flux(star, x, y));
      for (std::size_t i = 0; i < pixels.radii_px.size(); ++i) {
        pixels.overlap[i].push_back(analytic::circle_rectangle_overlap(
            x - 0.5, x + 0.5, y - 0.5, y + 0.5, pixels.radii_px[i]));
      }
    }
  }
  return pixels;
}

// Half-flux radii under noise of the sky, of the trials that have one among the radii.
std::vector<double> sizes_under_noise(const GrowthPixels& pixels, int trials,
                                      std::normal_distribution<double>& normal,
                                      std::mt19937_64& random) {
  const std::vector<double>& radii_px = pixels.radii_px;
  std::vector<double> sizes_px;
  for (int trial = 0; trial < trials; ++trial) {
    std::vector<double> growth(radii_px.size(), 0.0);
    for (std::size_t p = 0; p < pixels.clean.size(); ++p) {
      const double value = pixels.clean[p] + kSkySigma * normal(random);
      for (std::size_t i = 0; i < growth.size(); ++i) growth[i] += pixels.overlap[i][p] * value;
    }
    for (std::size_t i = 0; i + 2 < growth.size(); ++i) {
      const double target = growth.back() / 2;
      if (growth[i] < target && growth[i + 1] >= target) {
        sizes_px.push_back(radii_px[i] + 0.1 * (target - growth[i]) / (growth[i + 1] - growth[i]));
        break;
      }
    }
  }
  return sizes_px;
}

}  // namespace

// A Gaussian of 2.5 px on a sky of noise, half of the flux inside 2, 3, 4 sigma; the working notes
// have .74, 1.07, 1.42 (times HFR / SNR).
void check_limit(std::mt19937_64& random, int trials) {
  constexpr double kSigmaPx = 2.5;
  const analytic::Gaussian star{kSigmaPx};
  const double flux = 60 * kSkySigma * std::sqrt(4 * analytic::kPi) * kSigmaPx;
  std::printf("least scatter of a growth curve, Gaussian, sky noise only, (sd / HFR) x SNR:\n");
  std::normal_distribution<double> normal;
  for (const double reach : {2.0, 3.0, 4.0}) {
    const double aperture_px = reach * kSigmaPx;
    const double inside = star.enclosed(aperture_px);
    const double h_px =
        analytic::solve_rising([&](double r) { return star.enclosed(r); }, inside / 2, 0, 10);
    const std::vector<double> sizes_px =
        sizes_under_noise(growth_pixels(star, flux, h_px, aperture_px), trials, normal, random);
    const double slope = h_px / (kSigmaPx * kSigmaPx) * (1 - star.enclosed(h_px));
    const double scale = 60 / star.half_flux_radius();
    // The photons have no part here: flux terms off by a huge flux of the same signal-to-noise.
    const double huge = 1e9;
    const double formula = growth_limit_px({.flux_e = flux * huge,
                                            .sky_sigma = kSkySigma * huge,
                                            .half_px = h_px,
                                            .slope_per_px = slope,
                                            .aperture_px = aperture_px,
                                            .share_inside_h = inside / 2,
                                            .share_inside_aperture = inside});
    std::printf("  aperture %.0f sigma: formula %.2f, Monte Carlo %.2f, notes %.2f\n", reach,
                scale * formula, scale * sd_about_mean(sizes_px),
                reach == 2   ? 0.74
                : reach == 3 ? 1.07
                             : 1.42);
  }
}

void check_profiles() {
  std::printf(
      "profiles: Kolmogorov half-flux %.5f (0.55481), outside 9.9 / 10.1: %.3e %.3e, total"
      " %.6f\n",
      analytic::solve_rising([](double u) { return 1 - kolmogorov().outside(u); }, 0.5, 0, 3),
      kolmogorov().outside(9.9), kolmogorov().outside(10.1), kolmogorov().outside(0));
  const StarProfile gauss_like({Seeing::kolmogorov, 2}, 20, 0.35);
  std::printf(
      "          ring of 20 px, hole 0.35, Kolmogorov 2 px: flux in the table %.5f (0.9998)\n",
      gauss_like.flux_in_table());
}

void run_rendered() {
  std::printf("\nSecond opinion: frames of the library's renderer against its own truth\n");
  RenderOptions options;
  options.positions_steps = evenly_spaced_positions(5000, 60, 7);
  options.seeing_scatter = 0;
  const auto truth = render_truth(options);
  if (!truth) {
    std::printf("  %s\n", truth.error().message.c_str());
    return;
  }
  for (int i = 0; i < static_cast<int>(options.positions_steps.size()); ++i) {
    const auto frame = render_frame(options, i);
    if (!frame) continue;
    const auto measured = measure_frame(*frame);
    const double h_px = truth->frames[static_cast<std::size_t>(i)].hfr_px;
    if (!measured || !measured->hfr_px) {
      std::printf("  %.2f px: no size\n", h_px);
      continue;
    }
    std::printf("  %5.2f px: frame %+.2f %%, z %+.2f\n", h_px, 100 * (*measured->hfr_px / h_px - 1),
                (*measured->hfr_px - h_px) / measured->hfr_sigma_px.value_or(1e9));
  }
}

}  // namespace starwaist::bench::star_truth
