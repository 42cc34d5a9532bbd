#include "render/exposure.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <utility>

#include "render/random.h"
#include "render/scene.h"
#include "render/star_images.h"
#include "starwaist/statistics.h"

namespace starwaist::render {

Result<Scene> scene_of(const RenderOptions& options, int index) {
  Scene scene;
  scene.conditions = conditions_of(options, index);
  scene.stars = field_of(options);
  const Conditions& conditions = scene.conditions;

  // Each star's defocus follows from where the dither puts it.
  double lowest_um = conditions.defocus_um;
  double highest_um = conditions.defocus_um;
  for (const RenderedStar& star : scene.stars) {
    const double steps = field_focus_steps(options, star.x_px + conditions.shift_x_px,
                                           star.y_px + conditions.shift_y_px);
    scene.defocus_um.push_back(conditions.defocus_um - steps * options.um_per_step);
    lowest_um = std::min(lowest_um, scene.defocus_um.back());
    highest_um = std::max(highest_um, scene.defocus_um.back());
  }
  RenderOptions of_frame = options;
  of_frame.trail_angle_deg = conditions.trail_angle_deg;
  auto images = StarImages::make(of_frame, lowest_um, highest_um, conditions.seeing_arcsec,
                                 conditions.trail_px, conditions.shake_px);
  if (!images) return tl::unexpected(images.error());
  scene.images = std::move(*images);

  std::vector<double> sizes_px;
  for (const double defocus_um : scene.defocus_um) {
    sizes_px.push_back(scene.images.half_flux_radius_px(defocus_um));
  }
  if (sizes_px.empty()) {
    sizes_px.push_back(scene.images.half_flux_radius_px(conditions.defocus_um));
  }
  scene.truth.file = conditions.file;
  scene.truth.position_steps = conditions.position_steps;
  scene.truth.defocus_um = conditions.defocus_um;
  scene.truth.seeing_arcsec = conditions.seeing_arcsec;
  scene.truth.hfr_px = median(sizes_px);
  scene.truth.shift_x_px = conditions.shift_x_px;
  scene.truth.shift_y_px = conditions.shift_y_px;
  scene.truth.transmission = conditions.transmission;
  return scene;
}

namespace {

// Galaxies and the like: their points are put down on the pixels and blurred together.
void add_extended(const RenderOptions& options, const Scene& scene,
                  std::vector<double>& electrons) {
  const std::vector<LightPoint> light = extended_light_of(options);
  if (light.empty()) return;
  const Conditions& conditions = scene.conditions;
  std::vector<double> sharp(electrons.size());
  const auto put = [&](int x, int y, double amount) {
    if (x < 0 || y < 0 || x >= options.width_px || y >= options.height_px) return;
    sharp[static_cast<std::size_t>(y) * static_cast<std::size_t>(options.width_px) +
          static_cast<std::size_t>(x)] += amount;
  };
  for (const LightPoint& point : light) {
    const double x_px = point.x_px + conditions.shift_x_px;
    const double y_px = point.y_px + conditions.shift_y_px;
    const double left = std::floor(x_px);
    const double top = std::floor(y_px);
    const double right_share = x_px - left;
    const double low_share = y_px - top;
    const double amount = point.electrons * conditions.transmission;
    const int x = static_cast<int>(left);
    const int y = static_cast<int>(top);
    put(x, y, amount * (1 - right_share) * (1 - low_share));
    put(x + 1, y, amount * right_share * (1 - low_share));
    put(x, y + 1, amount * (1 - right_share) * low_share);
    put(x + 1, y + 1, amount * right_share * low_share);
  }
  scene.images.convolve(sharp, options.width_px, options.height_px, conditions.defocus_um);
  for (std::size_t i = 0; i < electrons.size(); ++i) electrons[i] += sharp[i];
}

}  // namespace

std::vector<std::uint16_t> expose(const RenderOptions& options, int index, const Scene& scene) {
  const Conditions& conditions = scene.conditions;
  const auto width = static_cast<std::size_t>(options.width_px);
  const auto height = static_cast<std::size_t>(options.height_px);
  std::vector<double> electrons(width * height);
  for (std::size_t y = 0; y < height; ++y) {
    for (std::size_t x = 0; x < width; ++x) {
      const double along = static_cast<double>(x) / static_cast<double>(width - 1) +
                           static_cast<double>(y) / static_cast<double>(height - 1);
      electrons[y * width + x] = options.sky_electrons * conditions.sky_factor *
                                 (1 + 0.5 * conditions.sky_gradient * (along - 1));
    }
  }
  // A star is followed out to a hundredth of the noise of its pixels.
  const double least = 0.01 * std::sqrt(options.sky_electrons * conditions.sky_factor +
                                        options.read_noise_e * options.read_noise_e + 1);
  for (std::size_t i = 0; i < scene.stars.size(); ++i) {
    const RenderedStar& star = scene.stars[i];
    scene.images.add_star(electrons, options.width_px, options.height_px,
                          star.x_px + conditions.shift_x_px, star.y_px + conditions.shift_y_px,
                          scene.defocus_um[i], star.electrons * conditions.transmission, least);
  }
  add_extended(options, scene, electrons);
  for (const HotPixel& pixel : hot_pixels_of(options)) {
    if (pixel.x_px < 0 || pixel.y_px < 0 || pixel.x_px >= options.width_px ||
        pixel.y_px >= options.height_px) {
      continue;
    }
    electrons[static_cast<std::size_t>(pixel.y_px) * width +
              static_cast<std::size_t>(pixel.x_px)] += pixel.electrons;
  }

  std::vector<std::uint16_t> pixels_adu(electrons.size());
  Random random(options.seed, static_cast<std::uint64_t>(Purpose::photons),
                static_cast<std::uint64_t>(index));
  for (std::size_t i = 0; i < electrons.size(); ++i) {
    const double collected =
        random.poisson(std::max(electrons[i], 0.0)) + options.read_noise_e * random.normal();
    const double adu = std::round(collected / options.gain_e_per_adu + options.bias_adu);
    pixels_adu[i] =
        static_cast<std::uint16_t>(std::clamp(adu, 0.0, std::floor(options.saturation_adu)));
  }
  return pixels_adu;
}

std::vector<Card> header_of(const RenderOptions& options, int index) {
  const Conditions conditions = conditions_of(options, index);
  return {
      {"OBJECT", std::string("SYNTHETIC FIELD"), "rendered, not observed"},
      {"INSTRUME", std::string("SIMULATED CAMERA"), ""},
      {"IMAGETYP", std::string("LIGHT"), ""},
      {"DATE-OBS", conditions.time_utc, "start of exposure, UTC"},
      {"EXPTIME", options.exposure_s, "[s] exposure"},
      {"FILTER", options.filter, ""},
      {"FOCUSPOS", conditions.position_steps, "[steps] commanded focuser position"},
      {"FOCTEMP", conditions.temperature_c, "[deg C] temperature at the focuser"},
      {"FOCALLEN", options.focal_length_mm, "[mm] focal length"},
      {"APTDIA", options.focal_length_mm / options.f_number, "[mm] aperture"},
      {"XPIXSZ", options.pixel_um, "[um] pixel, binning applied"},
      {"YPIXSZ", options.pixel_um, "[um] pixel, binning applied"},
      {"XBINNING", 1, ""},
      {"YBINNING", 1, ""},
      {"EGAIN", options.gain_e_per_adu, "electrons per ADU"},
      {"RDNOISE", options.read_noise_e, "[electrons] read noise"},
      {"SATURATE", std::floor(options.saturation_adu), "[ADU] level where pixels clip"},
  };
}

HeaderFacts facts_of(const RenderOptions& options, int index) {
  const Conditions conditions = conditions_of(options, index);
  HeaderFacts facts;
  facts.position_steps = conditions.position_steps;
  facts.temperature_c = conditions.temperature_c;
  facts.filter = options.filter;
  facts.exposure_s = options.exposure_s;
  facts.time_utc = conditions.time_utc;
  facts.gain_e_per_adu = options.gain_e_per_adu;
  facts.read_noise_e = options.read_noise_e;
  facts.saturation_adu = std::floor(options.saturation_adu);
  facts.pixel_um = options.pixel_um;
  facts.focal_length_mm = options.focal_length_mm;
  facts.aperture_mm = options.focal_length_mm / options.f_number;
  facts.keywords = {
      {"position_steps", "FOCUSPOS"},  {"temperature_c", "FOCTEMP"},   {"filter", "FILTER"},
      {"exposure_s", "EXPTIME"},       {"time_utc", "DATE-OBS"},       {"gain_e_per_adu", "EGAIN"},
      {"read_noise_e", "RDNOISE"},     {"saturation_adu", "SATURATE"}, {"pixel_um", "XPIXSZ"},
      {"focal_length_mm", "FOCALLEN"}, {"aperture_mm", "APTDIA"}};
  return facts;
}

}  // namespace starwaist::render
