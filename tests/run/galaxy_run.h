// Runs over a field of stars and galaxies or a nebula, photon by photon: a ray through an annular
// pupil, a seeing of Moffat's profile, and the place in a galaxy that the photon comes from. None
// of the library's formulas of blur, and none of its renderer.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <fstream>
#include <numbers>
#include <random>
#include <string>
#include <vector>

#include "starwaist/run.h"
#include "support/fits_bytes.h"
#include "support/temporary_folder.h"

namespace starwaist::galaxies {

struct Sky {
  int stars = 25;
  int galaxies = 80;
  int knots = 0;                  // of a nebula, gathered about the middle, with a smooth cloud
  double galaxy_over_star = 1.5;  // typical half-light radius over the stars' half-flux radius
  double seeing_fwhm_px = 3;
  double f_number = 5;
  double pixel_um = 3.76;
  double obstruction = 0.3;
  double half_range_um = 150;
  int frames = 9;
  double best_um = 7;  // where the sensor is in focus
  double seeing_scatter = 0.02;
  // Fog that grows evenly: what the seeing is wider by in the last frame, and the light lost there.
  double fog_growth = 0;
  double fog_loss = 0;
  std::uint64_t seed = 1;
};

constexpr int kWidth = 720;
constexpr int kHeight = 540;

class Run {
 public:
  explicit Run(const Sky& sky) : sky_(sky), random_(sky.seed) {
    for (int i = 0; i < sky.stars; ++i) objects_.push_back(object(0));
    for (int i = 0; i < sky.galaxies; ++i) objects_.push_back(object(i % 3 == 2 ? 4 : 1));
    for (int i = 0; i < sky.knots; ++i) objects_.push_back(knot());
    for (int i = 0; i < sky.frames; ++i) {
      position_um_.push_back(sky.half_range_um * (2.0 * i / (sky.frames - 1) - 1));
      const double progress = i / (sky.frames - 1.0);
      seeing_px_.push_back(sky.seeing_fwhm_px * (1 + sky.fog_growth * progress) *
                           std::exp(sky.seeing_scatter * normal_(random_)));
      truth_px_.push_back(true_size(i));
    }
  }

  [[nodiscard]] const std::vector<double>& positions_um() const { return position_um_; }
  // Half-flux radii of the stars as the pixels record them.
  [[nodiscard]] const std::vector<double>& sizes_px() const { return truth_px_; }

  void write(const std::string& folder) {
    for (int i = 0; i < sky_.frames; ++i) {
      const auto at = static_cast<std::size_t>(i);
      const std::string name = folder + "/g" + std::to_string(10 + i) + ".fits";
      std::ofstream(name, std::ios::binary) << testing_support::fits_image(
          kWidth, kHeight, exposed(i),
          {{"FOCUSPOS", std::to_string(position_um_[at])},
           {"DATE-OBS", "'2027-01-05T21:00:" + std::to_string(10 + 5 * i) + "'"},
           {"EXPTIME", "3.0"}});
    }
  }

 private:
  struct Object {
    double x = 0, y = 0, light = 0, radius = 0, sersic = 0, ratio = 1, angle = 0;
  };

  Object object(double sersic) {
    Object o;
    o.x = 30 + (kWidth - 60) * uniform_(random_);
    o.y = 30 + (kHeight - 60) * uniform_(random_);
    o.light = 1.5e4 * std::exp(2.5 * std::pow(uniform_(random_), 2));
    if (sersic == 0) return o;
    o.sersic = sersic;
    o.light *= 1.2;
    o.radius = 0.6 * sky_.seeing_fwhm_px * sky_.galaxy_over_star * std::exp(0.4 * normal_(random_));
    o.ratio = 0.3 + 0.7 * uniform_(random_);
    o.angle = std::numbers::pi * uniform_(random_);
    return o;
  }
  Object knot() {
    Object o = object(0.5);
    o.x = kWidth * (0.5 + 0.16 * normal_(random_));
    o.y = kHeight * (0.5 + 0.16 * normal_(random_));
    return o;
  }

  // Where a photon of this object lands.
  std::pair<double, double> landing(const Object& o, std::size_t frame) {
    double x = 0;
    double y = 0;
    if (o.sersic > 0) {
      // Exponential disc: the sum of two exponentials; r^(1/4): the fourth power of a gamma of
      // order eight, cut at eight radii; a Gaussian knot.
      double r = 0;
      if (o.sersic == 0.5) {
        r = std::sqrt(-2 * std::log(1 - uniform_(random_))) / 1.1774;
      } else {
        double sum = 0;
        for (int k = 0; k < (o.sersic == 1 ? 2 : 8); ++k) sum -= std::log(1 - uniform_(random_));
        r = o.sersic == 1 ? sum / 1.6783 : std::min(std::pow(sum / 7.669, 4), 8.0);
      }
      const double turn = 2 * std::numbers::pi * uniform_(random_);
      const double u = o.radius * r * std::cos(turn);
      const double v = o.radius * r * o.ratio * std::sin(turn);
      x = u * std::cos(o.angle) - v * std::sin(o.angle);
      y = u * std::sin(o.angle) + v * std::cos(o.angle);
    }
    const double e2 = sky_.obstruction * sky_.obstruction;
    const double ring = (position_um_[frame] - sky_.best_um) / (2 * sky_.f_number * sky_.pixel_um) *
                        std::sqrt(e2 + (1 - e2) * uniform_(random_));
    const double ring_turn = 2 * std::numbers::pi * uniform_(random_);
    // Moffat's exponent 3.5.
    const double alpha = seeing_px_[frame] / (2 * std::sqrt(std::exp2(1 / 3.5) - 1));
    const double blur = alpha * std::sqrt(std::pow(1 - uniform_(random_), -1 / 2.5) - 1);
    const double blur_turn = 2 * std::numbers::pi * uniform_(random_);
    return {x + ring * std::cos(ring_turn) + blur * std::cos(blur_turn),
            y + ring * std::sin(ring_turn) + blur * std::sin(blur_turn)};
  }

  double true_size(int frame) {
    std::vector<double> r(200000);
    for (double& value : r) {
      const auto [x, y] = landing({}, static_cast<std::size_t>(frame));
      value = std::hypot(x + uniform_(random_) - 0.5, y + uniform_(random_) - 0.5);
    }
    std::nth_element(r.begin(), r.begin() + static_cast<long>(r.size() / 2), r.end());
    return r[r.size() / 2];
  }

  std::vector<std::uint16_t> exposed(int frame) {
    std::vector<float> light(static_cast<std::size_t>(kWidth) * kHeight, 0.0F);
    const double passed = std::pow(1 - sky_.fog_loss, frame / (sky_.frames - 1.0));
    const double dx = 2 * normal_(random_);
    const double dy = 2 * normal_(random_);
    for (const Object& o : objects_) {
      for (int k = 0; k < static_cast<int>(passed * o.light); ++k) {
        const auto [x, y] = landing(o, static_cast<std::size_t>(frame));
        const auto px = static_cast<int>(std::lround(o.x + dx + x));
        const auto py = static_cast<int>(std::lround(o.y + dy + y));
        if (px < 0 || py < 0 || px >= kWidth || py >= kHeight) continue;
        light[static_cast<std::size_t>(py * kWidth + px)] += 1;
      }
    }
    std::vector<std::uint16_t> pixels;
    for (int y = 0; y < kHeight; ++y) {
      for (int x = 0; x < kWidth; ++x) {
        double sky = 120;
        if (sky_.knots > 0) {
          const double u = (x - 0.5 * kWidth) / (0.2 * kWidth);
          const double v = (y - 0.5 * kHeight) / (0.2 * kHeight);
          sky += 150 * std::exp(-0.5 * (u * u + v * v));
        }
        const double value = 600 + light[static_cast<std::size_t>(y * kWidth + x)] + sky +
                             std::sqrt(sky + 9) * normal_(random_);
        pixels.push_back(static_cast<std::uint16_t>(std::clamp(std::round(value), 0.0, 65535.0)));
      }
    }
    return pixels;
  }

  Sky sky_;
  std::mt19937_64 random_;
  std::uniform_real_distribution<double> uniform_{0, 1};
  std::normal_distribution<double> normal_{0, 1};
  std::vector<Object> objects_;
  std::vector<double> position_um_;
  std::vector<double> seeing_px_;
  std::vector<double> truth_px_;
};

// By what is known of its telescope.
inline Result<RunAnswer> judged(Run& run, const Sky& sky) {
  testing_support::TemporaryFolder folder;
  run.write(folder.in(""));
  RunOptions options;
  options.rig.f_number = sky.f_number;
  options.rig.pixel_um = sky.pixel_um;
  options.rig.um_per_step = 1;
  options.rig.obstruction = sky.obstruction;
  return judge_run({folder.in("")}, options);
}

}  // namespace starwaist::galaxies
