#include "star_truth/cells.h"

#include <algorithm>
#include <cstdio>
#include <string>
#include <vector>

#include "star_truth/camera.h"
#include "star_truth/images.h"
#include "star_truth/score.h"
#include "star_truth/truth.h"

namespace starwaist::bench::star_truth {

namespace {

std::string cell_name(const StarKind& kind, double snr) {
  char buffer[80];
  if (kind.in_focus_px > 0) {
    std::snprintf(buffer, sizeof buffer, "%4.1f %-12s %-8.2f %3.0f", kind.size_px,
                  name_of(kind.seeing), kind.hole, snr);
  } else {
    std::snprintf(buffer, sizeof buffer, "%4.1f %-12s in focus %3.0f", kind.size_px,
                  name_of(kind.seeing), snr);
  }
  return buffer;
}

Score score_at(const Settings& settings, const Truth& truth, int frames, double snr,
               std::mt19937_64& random) {
  std::uniform_real_distribution<double> spread(0.85, 1.15);
  Score score;
  for (int trial = 0; trial < frames; ++trial) {
    // A little unequal: equal peaks would pass for the ceiling of a converter.
    const Scene scene = make_scene(
        truth, kLeastSeparationPx, [&](int) { return truth.flux_of_snr(snr * spread(random)); },
        random);
    const analytic::Image electrons = electrons_of(truth, scene, kUsualGradient);
    add(score, measure_and_score(truth, scene, expose(electrons, random(), settings.facts)));
  }
  return score;
}

void run_cells(const Settings& settings, const StarKind& kind, std::mt19937_64& random,
               Summary& summary) {
  const Truth truth = star_of_kind(kind);
  const std::vector<double> levels =
      settings.quick ? std::vector<double>{30, 150} : std::vector<double>{30, 60, 150};
  for (const double snr : levels) {
    const std::string name = cell_name(kind, snr);
    if (name.find(settings.only) == std::string::npos) continue;
    // The largest frames hold four megapixels: half as many of them.
    const int frames = kind.size_px > 20 ? std::max(2, settings.trials / 2) : settings.trials;
    const Score score = score_at(settings, truth, frames, snr, random);
    const Figures figures = figures_of(score);
    print_cell(name, score, figures);
    add_cell(summary, name, kind.seeing, score, figures);
  }
}

}  // namespace

Summary run_grid(const Settings& settings, std::mt19937_64& random) {
  std::printf(
      "\nEach cell: %d frames of 48 stars of one SNR and 16 of matched SNR 10; sky %.0f e, read"
      " noise %.0f e.\nn usable stars; ap/h aperture over truth; scat: scatter over the limit,"
      " rob.: the same robustly;\nSNR10%%: bias of the faint ones; frame %%, rms z: the frame's"
      " size; ms: measure_frame.\n\n",
      settings.trials, kSkyE, kReadNoiseE);
  print_heading();
  const std::vector<double> focused =
      settings.quick ? std::vector<double>{1, 2.5} : std::vector<double>{1, 1.5, 2.5, 4};
  const std::vector<double> defocused =
      settings.quick ? std::vector<double>{4, 12} : std::vector<double>{4, 7, 12, 25};
  const std::vector<double> holes =
      settings.quick ? std::vector<double>{0.35} : std::vector<double>{0, 0.35, 0.5};
  Summary summary;
  for (const double size_px : focused) {
    for (const Seeing seeing : kSeeings) {
      run_cells(settings, {size_px, seeing, 0, 0}, random, summary);
    }
  }
  for (const double size_px : defocused) {
    for (const Seeing seeing : kSeeings) {
      for (const double hole : holes) {
        run_cells(settings, {size_px, seeing, kInFocusHfrPx, hole}, random, summary);
      }
    }
  }
  return summary;
}

}  // namespace starwaist::bench::star_truth
