// One 16-bit frame for measurements of speed: Moffat stars of many brightnesses, or rings, on a sky
// with photon and read noise, and hot pixels. The same seed puts the stars at the same places in
// frames of one size; the noise seed is apart, so that the frames of a run differ as real ones do.
//
// Usage: make_speed_frames OUTPUT.fits --width-px N --height-px N --stars N [--rings]
//          [--hfr-px 2.3] [--radius-px 20] [--hot-pixels 2000] [--position-steps P] [--seed 1]
//          [--noise-seed 1]
#include <fitsio.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <numbers>
#include <random>
#include <string>
#include <vector>

namespace {

constexpr double kBeta = 3.5;
constexpr double kObstruction = 0.35;
constexpr double kBiasAdu = 500;
constexpr double kSkyE = 300;  // per pixel; one electron an ADU
constexpr double kReadNoiseE = 3;
constexpr double kFullAdu = 65535;
// Signal-to-noise of the faintest star against the sky over its own footprint; the brightest is
// a thousand times as bright.
constexpr double kFaintestSnr = 15;

// Surface brightness of a star of unit flux at equal steps of the radius.
struct RadialTable {
  double step_px = 0.125;
  std::vector<double> density_per_px2;
  double noise_area_px2 = 1;  // 1 / sum of squares

  [[nodiscard]] double at(double r_px) const {
    const double place = r_px / step_px;
    const auto i = static_cast<std::size_t>(place);
    if (i + 1 >= density_per_px2.size()) return 0;
    const double s = place - static_cast<double>(i);
    return (1 - s) * density_per_px2[i] + s * density_per_px2[i + 1];
  }
};

// Moffat (1969): half of the flux lies inside alpha sqrt(2^(1 / (beta - 1)) - 1) (from memory).
double moffat_density(double r_px, double alpha_px) {
  const double u = r_px / alpha_px;
  return (kBeta - 1) / (std::numbers::pi * alpha_px * alpha_px) * std::pow(1 + u * u, -kBeta);
}

// The Moffat profile, smeared over a ring of this outer radius where there is one.
RadialTable make_table(double hfr_px, double ring_radius_px) {
  constexpr int kRadii = 24;
  constexpr int kDirections = 96;
  const double alpha_px = hfr_px / std::sqrt(std::exp2(1 / (kBeta - 1)) - 1);
  RadialTable table;
  const double reach_px = ring_radius_px + 40 * hfr_px;
  double squares = 0;
  for (double r_px = 0; r_px < reach_px; r_px += table.step_px) {
    double density = 0;
    if (ring_radius_px <= 0) {
      density = moffat_density(r_px, alpha_px);
    } else {
      // Rings of equal area, directions at equal angles.
      const double inner2 = kObstruction * kObstruction;
      for (int i = 0; i < kRadii; ++i) {
        const double s_px = ring_radius_px * std::sqrt(inner2 + (1 - inner2) * (i + 0.5) / kRadii);
        for (int k = 0; k < kDirections; ++k) {
          const double angle = std::numbers::pi * (k + 0.5) / kDirections;
          const double distance_px =
              std::sqrt(r_px * r_px + s_px * s_px - 2 * r_px * s_px * std::cos(angle));
          density += moffat_density(distance_px, alpha_px) / (kRadii * kDirections);
        }
      }
    }
    table.density_per_px2.push_back(density);
    squares += 2 * std::numbers::pi * r_px * table.step_px * density * density;
  }
  table.noise_area_px2 = 1 / squares;
  return table;
}

struct Settings {
  std::string output;
  int width_px = 0;
  int height_px = 0;
  int stars = 0;
  bool rings = false;
  double hfr_px = 2.3;
  double radius_px = 20;
  int hot_pixels = 2000;
  double position_steps = 0;
  std::uint64_t seed = 1;
  std::uint64_t noise_seed = 1;
};

void draw_stars(const Settings& s, std::vector<float>& electrons) {
  const RadialTable table = make_table(s.hfr_px, s.rings ? s.radius_px : 0);
  const double sky_sigma_e = std::sqrt(kSkyE + kReadNoiseE * kReadNoiseE);
  // Brightness is the same whatever the size, so that the frames of a run hold the same light.
  const RadialTable in_focus = make_table(2.3, s.rings ? s.radius_px : 0);
  const double faintest_e = kFaintestSnr * sky_sigma_e * std::sqrt(in_focus.noise_area_px2);
  std::mt19937_64 engine(s.seed);
  std::uniform_real_distribution<double> uniform(0, 1);
  for (int i = 0; i < s.stars; ++i) {
    const double x_px = uniform(engine) * s.width_px;
    const double y_px = uniform(engine) * s.height_px;
    // Numbers fall as flux^-0.75, ten to the 0.3 a magnitude.
    const double share = uniform(engine);
    const double flux_e =
        faintest_e * std::pow(1 - share * (1 - std::pow(1000.0, -0.75)), -1 / 0.75);
    double reach_px = (s.rings ? s.radius_px : 0) + 4 * s.hfr_px;
    while (flux_e * table.at(reach_px) > 0.2) reach_px += 1;
    const int y0 = std::max(0, static_cast<int>(y_px - reach_px));
    const int y1 = std::min(s.height_px - 1, static_cast<int>(y_px + reach_px));
    const int x0 = std::max(0, static_cast<int>(x_px - reach_px));
    const int x1 = std::min(s.width_px - 1, static_cast<int>(x_px + reach_px));
    for (int y = y0; y <= y1; ++y) {
      for (int x = x0; x <= x1; ++x) {
        electrons[static_cast<std::size_t>(y) * static_cast<std::size_t>(s.width_px) +
                  static_cast<std::size_t>(x)] +=
            static_cast<float>(flux_e * table.at(std::hypot(x - x_px, y - y_px)));
      }
    }
  }
}

// A Gaussian of the same variance stands for the photons' Poisson noise: at 300 electrons a pixel
// the difference does not show in a run time.
std::vector<std::uint16_t> expose(const Settings& s, const std::vector<float>& electrons) {
  std::mt19937_64 engine(s.noise_seed * 7919 + 13);
  std::normal_distribution<float> normal(0, 1);
  std::vector<std::uint16_t> adu(electrons.size());
  for (std::size_t i = 0; i < adu.size(); ++i) {
    const double mean_e = electrons[i];
    const double value =
        kBiasAdu + mean_e + std::sqrt(mean_e + kReadNoiseE * kReadNoiseE) * normal(engine);
    adu[i] = static_cast<std::uint16_t>(std::clamp(value + 0.5, 0.0, kFullAdu));
  }
  // The same pixels are hot in every frame.
  std::mt19937_64 places(s.seed + 99);
  for (int i = 0; i < s.hot_pixels; ++i) {
    const std::size_t at = places() % adu.size();
    adu[at] = static_cast<std::uint16_t>(std::min<std::uint64_t>(65535, 1500 + places() % 30000));
  }
  return adu;
}

bool parse(int argc, char** argv, Settings& s) {
  if (argc < 2) return false;
  s.output = argv[1];
  std::map<std::string, double> numbers;
  for (int i = 2; i < argc; ++i) {
    const std::string name = argv[i];
    if (name == "--rings") {
      s.rings = true;
    } else if (i + 1 < argc) {
      numbers[name] = std::atof(argv[++i]);
    } else {
      return false;
    }
  }
  const auto take = [&](const char* name, auto& into) {
    const auto found = numbers.find(name);
    if (found == numbers.end()) return;
    into = static_cast<std::remove_reference_t<decltype(into)>>(found->second);
    numbers.erase(found);
  };
  take("--width-px", s.width_px);
  take("--height-px", s.height_px);
  take("--stars", s.stars);
  take("--hfr-px", s.hfr_px);
  take("--radius-px", s.radius_px);
  take("--hot-pixels", s.hot_pixels);
  take("--position-steps", s.position_steps);
  take("--seed", s.seed);
  take("--noise-seed", s.noise_seed);
  return numbers.empty() && s.width_px > 0 && s.height_px > 0 && s.stars >= 0 && s.hfr_px > 0;
}

int write(Settings& s, std::vector<std::uint16_t>& adu) {
  fitsfile* file = nullptr;
  int status = 0;
  long axes_px[2] = {s.width_px, s.height_px};
  double exposure_s = 3;
  fits_create_diskfile(&file, s.output.c_str(), &status);
  fits_create_img(file, USHORT_IMG, 2, axes_px, &status);
  fits_write_key(file, TDOUBLE, "FOCUSPOS", &s.position_steps, "steps", &status);
  fits_write_key(file, TDOUBLE, "EXPTIME", &exposure_s, "s", &status);
  fits_write_img(file, TUSHORT, 1, static_cast<LONGLONG>(adu.size()), adu.data(), &status);
  fits_close_file(file, &status);
  if (status != 0) fits_report_error(stderr, status);
  return status == 0 ? 0 : 3;
}

}  // namespace

int main(int argc, char** argv) {
  Settings settings;
  if (!parse(argc, argv, settings)) {
    std::fprintf(stderr, "usage: make_speed_frames OUTPUT.fits --width-px N --height-px N ...\n");
    return 2;
  }
  std::vector<float> electrons(
      static_cast<std::size_t>(settings.width_px) * static_cast<std::size_t>(settings.height_px),
      static_cast<float>(kSkyE));
  draw_stars(settings, electrons);
  std::vector<std::uint16_t> adu = expose(settings, electrons);
  return write(settings, adu);
}
