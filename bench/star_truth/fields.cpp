#include "star_truth/fields.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <vector>

#include "star_truth/goals.h"
#include "star_truth/images.h"
#include "star_truth/score.h"
#include "star_truth/spread.h"
#include "star_truth/truth.h"
#include "starwaist/stars.h"

namespace starwaist::bench::star_truth {

namespace {

// Frames of stars of one faintness, `alone` or among brighter ones.
Score score_of_faint(const Settings& settings, const Truth& truth, double snr, bool alone,
                     std::mt19937_64& random) {
  const int frames = settings.quick ? 1 : 2;
  Score score;
  for (int trial = 0; trial < frames; ++trial) {
    Scene scene = make_scene(
        truth, kLeastSeparationPx, [&](int) { return truth.flux_of_snr(60); }, random);
    for (PlacedStar& star : scene.stars) {
      star.faint = star.faint || alone;
      if (star.faint) star.flux_e = truth.flux_of_matched_snr(snr);
    }
    const analytic::Image electrons = electrons_of(truth, scene, kUsualGradient);
    add(score, measure_and_score(truth, scene, expose(electrons, random(), settings.facts)));
  }
  return score;
}

struct FieldScore {
  Score score;
  std::vector<double> sigma;  // stated by the frames, relative
};

FieldScore score_of_fields(const Settings& settings, const Truth& truth, int frames,
                           std::mt19937_64& random) {
  FieldScore fields;
  for (int i = 0; i < frames; ++i) {
    const Scene scene = make_field(truth, kLeastSeparationPx, random);
    const analytic::Image electrons = electrons_of(truth, scene, kUsualGradient);
    const auto measured = measure_frame(expose(electrons, random(), settings.facts));
    if (!measured) continue;
    add(fields.score, score_of(truth, scene, *measured));
    if (measured->hfr_sigma_px) fields.sigma.push_back(*measured->hfr_sigma_px / truth.hfr_px);
  }
  return fields;
}

// Prints the line of one kind of star; the frames' standardised residuals about their mean.
std::vector<double> report_fields(const StarKind& kind, const FieldScore& fields) {
  const Score& score = fields.score;
  double mean = 0, mean_z = 0;
  const auto n = static_cast<double>(score.frame_relative.size());
  for (const double v : score.frame_relative) mean += v / n;
  for (const double v : score.frame_z) mean_z += v / n;
  std::vector<double> about_mean;
  for (const double v : score.frame_z) {
    about_mean.push_back((v - mean_z) * std::sqrt(n / (n - 1)));
  }
  char name[80];
  std::snprintf(name, sizeof name, "%4.1f %-12s %.2f", kind.size_px, name_of(kind.seeing),
                kind.hole);
  std::printf("%-31s %+9.2f %9.2f %9.2f %7.2f %7.2f %7.2f\n", name, 100 * mean,
              100 * median_of(fields.sigma), 100 * sd_about_mean(score.frame_relative),
              sd_about_mean(score.frame_z), rms(score.frame_z), robust_sd(score.z));
  std::fflush(stdout);
  return about_mean;
}

}  // namespace

void run_faint(const Settings& settings, std::mt19937_64& random) {
  constexpr std::array kSnrs = {7.0, 10.0, 13.0, 17.0};
  std::printf("\nStars listed, %%, by matched SNR (Kolmogorov, hole 0.35):\n%-34s", "");
  for (const double snr : kSnrs) std::printf("%8.0f", snr);
  std::printf("\n");
  for (const double size_px : {2.5, 4.0, 7.0, 12.0}) {
    const double in_focus_px = size_px < 3 ? 0 : kInFocusHfrPx;
    const Truth truth = star_of_kind({size_px, Seeing::kolmogorov, in_focus_px, 0.35});
    for (const bool alone : {true, false}) {
      std::printf("  %4.1f px %-25s", size_px,
                  alone ? "all equally faint" : "among stars of SNR 60");
      for (const double snr : kSnrs) {
        const Score score = score_of_faint(settings, truth, snr, alone, random);
        std::printf("%8.0f", percent(score.faint_found, score.faint_placed));
      }
      std::printf("\n");
      std::fflush(stdout);
    }
  }
}

void run_fields(const Settings& settings, std::mt19937_64& random) {
  const int frames = settings.quick ? 4 : std::max(10, 3 * settings.trials);
  std::printf(
      "\nFields of many brightnesses (SNR 15 to 400, numbers fall as flux^-0.75), %d frames:\n",
      frames);
  std::printf("%-31s %9s %9s %9s %7s %7s %7s\n", "size, seeing, hole", "frame %", "sigma %", "sd %",
              "sd z", "rms z", "star z");
  const StarKind kinds[] = {{1.5, Seeing::moffat_4765, 0, 0},  {2.5, Seeing::moffat_25, 0, 0},
                            {2.5, Seeing::kolmogorov, 0, 0},   {4, Seeing::kolmogorov, 2, 0.35},
                            {7, Seeing::moffat_4765, 2, 0.35}, {12, Seeing::kolmogorov, 2, 0.5},
                            {12, Seeing::moffat_25, 2, 0}};
  std::vector<double> pooled;
  for (const StarKind& kind : kinds) {
    const Truth truth = star_of_kind(kind);
    const FieldScore fields = score_of_fields(settings, truth, frames, random);
    for (const double v : report_fields(kind, fields)) pooled.push_back(v);
  }
  std::printf(
      "pooled sd of the frames' standardised residuals about their means: %.2f (goal %.2f to"
      " %.2f)\n",
      rms(pooled), kGoalLowZ, kGoalHighZ);
}

}  // namespace starwaist::bench::star_truth
