#include "star_truth/images.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "star_truth/camera.h"

namespace starwaist::bench::star_truth {

namespace {

void draw_star(analytic::Image& image, const StarProfile& profile, double x_px, double y_px,
               double flux_e) {
  const double reach_px = profile.reach_px();
  const int x0 = std::max(0, static_cast<int>(std::floor(x_px - reach_px)));
  const int y0 = std::max(0, static_cast<int>(std::floor(y_px - reach_px)));
  const int x1 = std::min(image.width_px - 1, static_cast<int>(std::ceil(x_px + reach_px)));
  const int y1 = std::min(image.height_px - 1, static_cast<int>(std::ceil(y_px + reach_px)));
  for (int y = y0; y <= y1; ++y) {
    for (int x = x0; x <= x1; ++x) {
      image.at(x, y) += static_cast<float>(flux_e * pixel_flux(profile, x - x_px, y - y_px));
    }
  }
}

}  // namespace

analytic::Image sky_of(const Scene& scene, double gradient) {
  analytic::Image image(scene.width_px, scene.height_px);
  for (int y = 0; y < scene.height_px; ++y) {
    for (int x = 0; x < scene.width_px; ++x) {
      const double across = static_cast<double>(x) / scene.width_px - 0.5 +
                            0.5 * (static_cast<double>(y) / scene.height_px - 0.5);
      image.at(x, y) = static_cast<float>(kSkyE * (1 + gradient * across));
    }
  }
  return image;
}

namespace {

// Numbers fall as flux^-0.75.
double any_brightness(const Known& truth, std::mt19937_64& random) {
  std::uniform_real_distribution<double> uniform(0, 1);
  const double low = truth.flux_of_snr(15);
  const double high = truth.flux_of_snr(400);
  const double share = uniform(random) * (1 - std::pow(high / low, -0.75));
  return low * std::pow(1 - share, -1 / 0.75);
}

}  // namespace

Scene make_scene(const Known& truth, double least_separation_px,
                 const std::function<double(int)>& flux_of_star, std::mt19937_64& random) {
  constexpr int kAcross = 8;
  const double separation_px = std::max(least_separation_px, 7 * truth.hfr_px);
  const double cell_px = 1.25 * separation_px;
  const double margin_px = 2 * truth.hfr_px;
  std::uniform_real_distribution<double> uniform(-1, 1);
  Scene scene;
  scene.width_px = static_cast<int>(kAcross * cell_px + 2 * margin_px);
  scene.height_px = scene.width_px;
  for (int i = 0; i < kAcross * kAcross; ++i) {
    const int column = i % kAcross;
    const int row = i / kAcross;
    PlacedStar star;
    star.x_px = margin_px + cell_px * (column + 0.5 + 0.1 * uniform(random));
    star.y_px = margin_px + cell_px * (row + 0.5 + 0.1 * uniform(random));
    star.faint = (column + row) % 4 == 0;
    star.flux_e = star.faint ? truth.flux_of_matched_snr(kFaintMatchedSnr) : flux_of_star(i);
    scene.stars.push_back(star);
  }
  return scene;
}

Scene make_field(const Known& truth, double least_separation_px, std::mt19937_64& random) {
  return make_scene(
      truth, least_separation_px, [&](int) { return any_brightness(truth, random); }, random);
}

Scene make_crowd(const Known& truth, double per_megapixel, std::mt19937_64& random) {
  constexpr int kSidePx = 1000;
  std::uniform_real_distribution<double> place(0, kSidePx);
  Scene scene;
  scene.width_px = scene.height_px = kSidePx;
  for (int i = 0; i < static_cast<int>(per_megapixel); ++i) {
    scene.stars.push_back({place(random), place(random), any_brightness(truth, random), false});
  }
  return scene;
}

analytic::Image electrons_of(const Truth& truth, const Scene& scene, double gradient) {
  analytic::Image electrons = sky_of(scene, gradient);
  for (const PlacedStar& s : scene.stars) {
    draw_star(electrons, truth.profile, s.x_px, s.y_px, s.flux_e);
  }
  return electrons;
}

void take_colours(analytic::Image& electrons) {
  constexpr float kRed = 0.6F;
  constexpr float kBlue = 0.5F;
  for (int y = 0; y < electrons.height_px; ++y) {
    for (int x = 0; x < electrons.width_px; ++x) {
      if (x % 2 == y % 2) electrons.at(x, y) *= x % 2 == 0 ? kRed : kBlue;
    }
  }
}

// Photons by the second-order Cornish-Fisher expansion, which keeps mean, variance and skewness of
// Poisson plus read noise (sky 300 electrons: enough).
Frame expose(const analytic::Image& electrons, std::uint64_t seed, bool facts) {
  std::mt19937_64 engine(seed);
  std::normal_distribution<double> normal;
  analytic::Image adu(electrons.width_px, electrons.height_px);
  for (std::size_t i = 0; i < adu.values.size(); ++i) {
    const double mean = electrons.values[i];
    const double variance = mean + kReadNoiseE * kReadNoiseE;
    const double g = normal(engine);
    const double e = mean + std::sqrt(variance) * g + mean / (6 * variance) * (g * g - 1);
    adu.values[i] = static_cast<float>(e / kGainEPerAdu + kBiasAdu);
  }
  Frame frame = analytic::frame_of(adu, kGainEPerAdu, kReadNoiseE);
  if (!facts) frame.facts = {};
  return frame;
}

}  // namespace starwaist::bench::star_truth
