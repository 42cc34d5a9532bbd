// Frames of the star profiles of analytic_profiles.h, made without the library's own renderer, so
// that what measures stars is judged by something outside it.
//
// Lengths are pixels, x along FITS axis 1, the centre of the first pixel is (0, 0); `draw`
// integrates a profile over each pixel.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <random>
#include <stdexcept>
#include <utility>
#include <vector>

#include "starwaist/frame.h"
#include "support/analytic_profiles.h"

namespace starwaist::analytic {

// Values row by row, in electrons or ADU as the caller has it.
struct Image {
  int width_px = 0;
  int height_px = 0;
  std::vector<float> values;

  Image(int width, int height, double level = 0)
      : width_px(width),
        height_px(height),
        values(static_cast<std::size_t>(width) * static_cast<std::size_t>(height),
               static_cast<float>(level)) {}
  [[nodiscard]] float& at(int x, int y) {
    return values[static_cast<std::size_t>(y) * static_cast<std::size_t>(width_px) +
                  static_cast<std::size_t>(x)];
  }
  [[nodiscard]] float at(int x, int y) const {
    return values[static_cast<std::size_t>(y) * static_cast<std::size_t>(width_px) +
                  static_cast<std::size_t>(x)];
  }
};

// Adds a star of this flux, each pixel holding its integral. Pixels farther than `reach_px` from
// the centre are left alone (0: the whole image).
template <class Profile>
void draw(Image& image, const Profile& profile, double x_px, double y_px, double flux,
          double reach_px = 0) {
  const bool all = reach_px <= 0;
  const int x0 = all ? 0 : std::max(0, static_cast<int>(std::floor(x_px - reach_px)));
  const int y0 = all ? 0 : std::max(0, static_cast<int>(std::floor(y_px - reach_px)));
  const int x1 = all ? image.width_px - 1
                     : std::min(image.width_px - 1, static_cast<int>(std::ceil(x_px + reach_px)));
  const int y1 = all ? image.height_px - 1
                     : std::min(image.height_px - 1, static_cast<int>(std::ceil(y_px + reach_px)));
  for (int y = y0; y <= y1; ++y) {
    for (int x = x0; x <= x1; ++x) {
      const double dx = x - x_px;
      const double dy = y - y_px;
      if (!all && dx * dx + dy * dy > reach_px * reach_px) continue;
      image.at(x, y) += static_cast<float>(flux * pixel_flux(profile, dx, dy));
    }
  }
}

// --- noise and frames -------------------------------------------------------------------------

// Electrons in, ADU out: Poisson noise of the electrons, Gaussian read noise, gain and bias.
inline void add_noise(Image& electrons, double read_noise_e, double gain_e_per_adu, double bias_adu,
                      std::uint64_t seed) {
  std::mt19937_64 engine(seed);
  std::normal_distribution<double> read(0.0, 1.0);
  for (float& v : electrons.values) {
    double e = v;
    if (e > 0) e = static_cast<double>(std::poisson_distribution<long long>(e)(engine));
    e += read_noise_e * read(engine);
    v = static_cast<float>(e / gain_e_per_adu + bias_adu);
  }
}

// A frame of 16-bit pixels (rounded, clipped to saturation_adu) with the camera's facts filled in.
inline Frame frame_of(const Image& adu, double gain_e_per_adu, double read_noise_e,
                      double saturation_adu = 65535) {
  std::vector<std::uint16_t> stored(adu.values.size());
  for (std::size_t i = 0; i < stored.size(); ++i) {
    stored[i] = static_cast<std::uint16_t>(
        std::clamp(std::round(static_cast<double>(adu.values[i])), 0.0, saturation_adu));
  }
  Frame frame;
  frame.file = "analytic.fits";
  frame.pixels = PixelBuffer(adu.width_px, adu.height_px, std::move(stored));
  frame.facts.gain_e_per_adu = gain_e_per_adu;
  frame.facts.read_noise_e = read_noise_e;
  frame.facts.saturation_adu = saturation_adu;
  return frame;
}

// The same in floating point, neither rounded nor clipped: for noise-free checks.
inline Frame float_frame_of(const Image& adu) {
  Frame frame;
  frame.file = "analytic.fits";
  frame.pixels = PixelBuffer(adu.width_px, adu.height_px, adu.values);
  return frame;
}

struct TrueStar {
  double x_px = 0;
  double y_px = 0;
  double flux_e = 0;
};

struct FieldOptions {
  int width_px = 640;
  int height_px = 480;
  int star_count = 60;
  double faintest_e = 3e3;
  double brightest_e = 1e5;      // cumulative numbers fall as flux^-0.75 (10^(0.3 m))
  double min_separation_px = 0;  // 0: stars may blend
  double margin_px = 0;          // no star nearer to the edge
  double reach_px = 0;           // as of draw; 0: the profile's own extent
  double sky_e = 200;
  double read_noise_e = 3;
  double gain_e_per_adu = 1;
  double bias_adu = 500;
  double saturation_adu = 65535;
  bool noise = true;
  std::uint64_t seed = 1;
};

struct Field {
  Frame frame;
  std::vector<TrueStar> stars;  // brightest first
};

// Stars of one profile at random sub-pixel places, no two nearer than asked. Throws
// std::runtime_error where the field is too crowded for that.
template <class Profile>
Field star_field(const Profile& profile, const FieldOptions& options) {
  std::mt19937_64 engine(options.seed * 7919 + 17);
  std::uniform_real_distribution<double> uniform(0.0, 1.0);
  Field field;
  const double slope = 0.75;
  const double low = std::pow(options.faintest_e, -slope);
  const double high = std::pow(options.brightest_e, -slope);
  for (int tries = 0; static_cast<int>(field.stars.size()) < options.star_count; ++tries) {
    if (tries > 10000 * options.star_count) throw std::runtime_error("field too crowded");
    TrueStar star;
    star.x_px =
        options.margin_px - 0.5 + uniform(engine) * (options.width_px - 2 * options.margin_px);
    star.y_px =
        options.margin_px - 0.5 + uniform(engine) * (options.height_px - 2 * options.margin_px);
    star.flux_e = std::pow(low + uniform(engine) * (high - low), -1 / slope);
    const bool free = std::all_of(field.stars.begin(), field.stars.end(), [&](const TrueStar& o) {
      return std::hypot(o.x_px - star.x_px, o.y_px - star.y_px) >= options.min_separation_px;
    });
    if (free) field.stars.push_back(star);
  }
  std::sort(field.stars.begin(), field.stars.end(),
            [](const TrueStar& a, const TrueStar& b) { return a.flux_e > b.flux_e; });
  Image image(options.width_px, options.height_px, options.sky_e);
  for (const TrueStar& star : field.stars) {
    draw(image, profile, star.x_px, star.y_px, star.flux_e,
         options.reach_px > 0 ? options.reach_px : profile.extent() + 2);
  }
  if (options.noise) {
    add_noise(image, options.read_noise_e, options.gain_e_per_adu, options.bias_adu,
              options.seed + 1);
    field.frame =
        frame_of(image, options.gain_e_per_adu, options.read_noise_e, options.saturation_adu);
  } else {
    for (float& v : image.values) {
      v = static_cast<float>(v / options.gain_e_per_adu + options.bias_adu);
    }
    field.frame = float_frame_of(image);
    field.frame.facts.gain_e_per_adu = options.gain_e_per_adu;
  }
  return field;
}

}  // namespace starwaist::analytic
