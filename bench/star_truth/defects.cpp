#include "star_truth/defects.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <utility>
#include <vector>

#include "star_truth/goals.h"
#include "star_truth/images.h"
#include "star_truth/score.h"
#include "star_truth/spread.h"
#include "star_truth/truth.h"
#include "support/analytic_stars.h"

namespace starwaist::bench::star_truth {

namespace {

struct Defects {
  bool hot = false;
  bool hits = false;
  bool trail = false;
  bool gradient = false;
};

void add_at(analytic::Image& image, double x_px, double y_px, double electrons) {
  const int x = static_cast<int>(x_px);
  const int y = static_cast<int>(y_px);
  if (x < 0 || y < 0 || x >= image.width_px || y >= image.height_px) return;
  image.at(x, y) += static_cast<float>(electrons);
}

// 400 a megapixel, one in ten with a warm neighbour.
void add_hot_pixels(analytic::Image& image, std::mt19937_64& random) {
  std::uniform_real_distribution<double> uniform(0, 1);
  const double width = image.width_px;
  const double height = image.height_px;
  const int count = static_cast<int>(400e-6 * width * height);
  for (int i = 0; i < count; ++i) {
    const double x_px = uniform(random) * width;
    const double y_px = uniform(random) * height;
    const double electrons = 150 * std::pow(200.0, uniform(random));
    add_at(image, x_px, y_px, electrons);
    if (i % 10 == 0) add_at(image, x_px + 1, y_px, 0.5 * electrons);
  }
}

// 10 a frame: straight, thin, 1 to 15 px long.
void add_hits(analytic::Image& image, std::mt19937_64& random) {
  std::uniform_real_distribution<double> uniform(0, 1);
  const double width = image.width_px;
  const double height = image.height_px;
  const int count = 10;
  for (int i = 0; i < count; ++i) {
    const double x_px = uniform(random) * width;
    const double y_px = uniform(random) * height;
    const double angle = analytic::kPi * uniform(random);
    const double length_px = 1 + 14 * std::pow(uniform(random), 3);
    const double per_px_e = 300 + 3000 * uniform(random);
    for (double t = 0; t < length_px; t += 0.1) {
      add_at(image, x_px + t * std::cos(angle), y_px + t * std::sin(angle), 0.1 * per_px_e);
    }
  }
}

// Across the frame; the stars' profile summed along the line.
void add_trail(const Truth& truth, analytic::Image& image, std::mt19937_64& random) {
  std::uniform_real_distribution<double> uniform(0, 1);
  const double height = image.height_px;
  const double angle = 0.2 + 0.5 * uniform(random);
  const double through_y_px = height * (0.2 + 0.3 * uniform(random));
  const double reach_px =
      std::min(truth.profile.reach_px(),
               truth.profile.ring_radius_px() + 10 * truth.profile.seeing().hfr_px);
  std::vector<double> across;
  for (double distance = 0; distance <= reach_px; distance += 0.1) {
    double sum = 0;
    for (double t = 0.05; t < reach_px; t += 0.1) {
      sum += 0.2 * truth.profile.density(std::hypot(distance, t));
    }
    across.push_back(sum);
  }
  // A satellite of fifth magnitude, half a degree a second, 2 arcsec a pixel, 200 mm aperture.
  constexpr double kPerPxE = 1600;
  for (int y = 0; y < image.height_px; ++y) {
    for (int x = 0; x < image.width_px; ++x) {
      const double distance = std::abs(std::sin(angle) * x - std::cos(angle) * (y - through_y_px));
      const auto k = static_cast<std::size_t>(distance * 10);
      if (k < across.size()) image.at(x, y) += static_cast<float>(kPerPxE * across[k]);
    }
  }
}

// Added to the electrons collected; hot pixels and hits are as sharp as the pixel, the trail is as
// wide as the stars.
void add_defects(const Defects& d, const Truth& truth, analytic::Image& image,
                 std::mt19937_64& random) {
  if (d.hot) add_hot_pixels(image, random);
  if (d.hits) add_hits(image, random);
  if (d.trail) add_trail(truth, image, random);
}

// The same stars and noise under every defect, by the same seed.
Score score_under(const Defects& defects, const Settings& settings, const Truth& truth,
                  std::uint64_t seed) {
  const int frames = settings.quick ? 2 : settings.trials;
  Score score;
  std::mt19937_64 random(seed);
  for (int i = 0; i < frames; ++i) {
    const Scene scene = make_field(truth, kDefectSeparationPx, random);
    analytic::Image electrons = electrons_of(truth, scene, defects.gradient ? 0.6 : kUsualGradient);
    std::mt19937_64 of_defects(random());
    add_defects(defects, truth, electrons, of_defects);
    add(score, measure_and_score(truth, scene, expose(electrons, random(), settings.facts)));
  }
  return score;
}

void print_defect(const StarKind& kind, const char* what, const Score& score) {
  char name[80];
  std::snprintf(name, sizeof name, "%4.1f px %s", kind.size_px, name_of(kind.seeing));
  std::printf("%-26s %-12s %6d %7d %8.1f %7d %8.1f %+8.2f %7.2f\n", name, what, score.usable,
              score.false_usable, percent(score.false_usable, score.usable), score.detections,
              percent(score.false_stars, score.detections), 100 * median_of(score.frame_relative),
              rms(score.frame_z));
  std::fflush(stdout);
}

}  // namespace

void run_defects(const Settings& settings, std::mt19937_64& random) {
  std::printf(
      "\nDefects on fields of many brightnesses (SNR 15 to 400): false among the stars used, bias"
      " of the frame\n");
  std::printf("%-26s %-12s %6s %7s %8s %7s %8s %8s %7s\n", "star", "defect", "used", "false",
              "false %", "listed", "false %", "frame %", "rms z");
  const StarKind stars[] = {{1.5, Seeing::moffat_4765, 0, 0},
                            {2.5, Seeing::kolmogorov, 0, 0},
                            {12, Seeing::kolmogorov, 2, 0.35}};
  const std::pair<const char*, Defects> kinds[] = {
      {"none", {}},
      {"hot pixels", {.hot = true}},
      {"hits", {.hits = true}},
      {"trail", {.trail = true}},
      {"gradient 60%", {.gradient = true}},
      {"all", {.hot = true, .hits = true, .trail = true, .gradient = true}}};
  int used = 0;
  int false_used = 0;
  for (const StarKind& star : stars) {
    const Truth truth = star_of_kind(star);
    const std::uint64_t seed = random();
    for (const auto& [what, defects] : kinds) {
      const Score score = score_under(defects, settings, truth, seed);
      used += score.usable;
      false_used += score.false_usable;
      print_defect(star, what, score);
    }
  }
  std::printf("false among the stars used, all rows: %.2f %% (goal %.0f %%)\n",
              percent(false_used, used), 100 * kGoalFalse);
}

}  // namespace starwaist::bench::star_truth
