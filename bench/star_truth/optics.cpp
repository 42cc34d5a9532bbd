#include "star_truth/optics.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <string>
#include <vector>

#include "star_truth/goals.h"
#include "star_truth/images.h"
#include "star_truth/score.h"
#include "star_truth/spread.h"
#include "star_truth/wave_star.h"
#include "starwaist/rig.h"

namespace starwaist::bench::star_truth {

namespace {

struct OpticsCell {
  WaveKind kind;
  bool colour = false;
  bool rig_known = true;     // diffraction's halo is given
  double per_megapixel = 0;  // 0: stars that stand apart
  double apart = 7;          // by so many half-flux radii, and 60 px
};

std::vector<OpticsCell> optics_cells() {
  std::vector<OpticsCell> cells;
  const auto focused = [&](double size_px, Seeing seeing, double obstruction, double vane,
                           bool colour, bool rig_known, double per_megapixel) {
    WaveKind kind;
    kind.size_px = size_px;
    kind.seeing = seeing;
    kind.obstruction = obstruction;
    kind.vane_width = vane;
    cells.push_back({kind, colour, rig_known, per_megapixel});
  };
  for (const double size_px : {1.3, 1.7, 2.5, 4.0}) {
    for (const bool colour : {false, true}) {
      for (const Seeing seeing : kSeeings) focused(size_px, seeing, 0.35, 0, colour, true, 0);
      focused(size_px, Seeing::kolmogorov, 0, 0, colour, true, 0);
      focused(size_px, Seeing::kolmogorov, 0.45, 0, colour, true, 0);
      focused(size_px, Seeing::kolmogorov, 0.35, 0.002, colour, true, 0);
      focused(size_px, Seeing::kolmogorov, 0.35, 0.005, colour, true, 0);
      focused(size_px, Seeing::kolmogorov, 0.35, 0, colour, false, 0);
      for (const double dense : {100.0, 1000.0}) {
        focused(size_px, Seeing::kolmogorov, 0.35, 0, colour, true, dense);
      }
    }
  }
  const auto wide = [&](double seeing_px, Seeing seeing, double ring_px, double vane, bool colour,
                        double apart = 7) {
    WaveKind kind;
    kind.seeing = seeing;
    kind.seeing_px = seeing_px;
    kind.ring_px = ring_px;
    kind.vane_width = vane;
    cells.push_back({kind, colour, true, 0, apart});
  };
  for (const bool colour : {false, true}) {
    for (const double ring_px : {4.0, 8.0, 14.0}) {
      wide(1.8, Seeing::kolmogorov, ring_px, 0.004, colour);
      wide(1.8, Seeing::moffat_4765, ring_px, 0.004, colour);
    }
  }
  for (const Seeing seeing : kSeeings) {
    for (const double seeing_px : {5.0, 10.0, 17.0}) {
      for (const double ring : {0.0, 1.0, 2.0, 3.5}) {
        wide(seeing_px, seeing, ring * seeing_px, 0.004, false);
        if (ring < 2) wide(seeing_px, seeing, ring * seeing_px, 0.004, false, 14);
      }
    }
  }
  return cells;
}

std::string name_of(const OpticsCell& cell, double hfr_px) {
  char buffer[120];
  std::snprintf(buffer, sizeof buffer,
                "%5.2f %-12s ring %4.1f hole %.2f vane %.3f %-6s %-6s %4.0f %2.0f", hfr_px,
                name_of(cell.kind.seeing), cell.kind.ring_px, cell.kind.obstruction,
                cell.kind.vane_width, cell.colour ? "colour" : "grey",
                cell.rig_known ? "rig" : "no rig", cell.per_megapixel, cell.apart);
  return buffer;
}

struct OpticsScore {
  Score score;
  std::vector<double> sigma;  // stated by the frames, relative
};

OpticsScore score_at(const Settings& settings, const OpticsCell& cell, const WaveStar& star,
                     std::mt19937_64& random) {
  MeasureOptions options;
  if (cell.rig_known) {
    options.halo_px = diffraction_halo_um(cell.kind.lambda_n_px, cell.kind.obstruction, 1);
  }
  OpticsScore sum;
  for (int trial = 0; trial < settings.trials; ++trial) {
    const Scene scene =
        cell.per_megapixel > 0
            ? make_crowd(star, cell.per_megapixel, random)
            : make_field(star, std::max(kLeastSeparationPx, cell.apart * star.hfr_px), random);
    analytic::Image electrons = sky_of(scene, kUsualGradient);
    for (const PlacedStar& s : scene.stars) star.draw(electrons, s.x_px, s.y_px, s.flux_e);
    if (cell.colour) take_colours(electrons);
    Frame frame = expose(electrons, random(), settings.facts);
    if (cell.colour) frame.facts.bayer = BayerTile{};
    const Score score = measure_and_score(star, scene, frame, options);
    if (!score.frame_z.empty()) {
      sum.sigma.push_back(std::abs(score.frame_relative.front() / score.frame_z.front()));
    }
    add(sum.score, score);
  }
  return sum;
}

double mean_of(const std::vector<double>& values) {
  double sum = 0;
  for (const double v : values) sum += v;
  return sum / static_cast<double>(values.size());
}

}  // namespace

void run_optics(const Settings& settings, std::mt19937_64& random) {
  std::printf(
      "\nStars by wave optics, SNR 15 to 400 (%d frames each): frame bias with its error, scatter,"
      " stated\nsigma, rms of error over sigma; stars: median bias, spread of error over sigma.\n",
      settings.trials);
  std::printf("%-69s %14s %6s %6s %6s %7s %6s %5s\n", "", "frame %", "sd %", "sigma%", "rms z",
              "star %", "star z", "n");
  std::vector<double> pulls;
  for (const OpticsCell& cell : optics_cells()) {
    if (name_of(cell, cell.kind.size_px).find(settings.only) == std::string::npos) continue;
    const WaveStar star(cell.kind);
    const OpticsScore sum = score_at(settings, cell, star, random);
    const Score& s = sum.score;
    const double sd = sd_about_mean(s.frame_relative);
    std::printf("%-69s %+7.2f +-%4.2f %6.2f %6.2f %6.2f %+7.2f %6.2f %5zu\n",
                name_of(cell, star.hfr_px).c_str(), 100 * mean_of(s.frame_relative),
                100 * sd / std::sqrt(static_cast<double>(s.frame_relative.size())), 100 * sd,
                100 * median_of(sum.sigma), rms(s.frame_z), 100 * median_of(s.relative),
                robust_sd(s.z), s.relative.size() / static_cast<std::size_t>(settings.trials));
    std::fflush(stdout);
    pulls.insert(pulls.end(), s.frame_z.begin(), s.frame_z.end());
  }
  std::printf("rms of the frames' error over sigma, all kinds: %.2f (goal %.1f to %.1f)\n",
              rms(pulls), kGoalLowZ, kGoalHighZ);
}

}  // namespace starwaist::bench::star_truth
