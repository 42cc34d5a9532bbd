// Frames of out-of-focus stars by wave optics, apart from the library's renderer: one wavelength, a
// pupil whose obstruction may stand beside its centre, coma, Gaussian seeing. Each star is moved
// between the pixels by a phase, so that nothing is interpolated.
#pragma once

#include <cmath>
#include <complex>
#include <cstddef>
#include <numbers>
#include <opencv2/core.hpp>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/frame.h"

namespace starwaist::rings {

struct Optics {
  double f_number = 5;
  double pixel_um = 3.76;
  double wavelength_um = 0.55;
  double obstruction = 0.35;
  double shadow_x = 0;  // displaced obstruction, over the pupil's radius
  double shadow_y = 0;
  double coma_x_waves = 0;  // W131 rho^3 cos along x and y
  double coma_y_waves = 0;
  double seeing_sigma_px = 0.9;
};

struct Exposure {
  double defocus_um = 0;
  double light_adu = 3e5;  // of each star
  double noise_adu = 3;    // of the sky; the stars' own with a gain of 1
  std::uint64_t seed = 1;
};

constexpr int kSamplesPerPx = 3;
constexpr int kExtentPx = 100;
constexpr int kSize = kSamplesPerPx * kExtentPx;

// Share of a pupil sample that light passes, by eight by eight places in it.
inline double passed(const Optics& o, double u, double v, double step) {
  constexpr int kPlaces = 8;
  int inside = 0;
  for (int j = 0; j < kPlaces; ++j) {
    for (int i = 0; i < kPlaces; ++i) {
      const double x = u + ((i + 0.5) / kPlaces - 0.5) * step;
      const double y = v + ((j + 0.5) / kPlaces - 0.5) * step;
      const bool shadow = std::hypot(x - o.shadow_x, y - o.shadow_y) < o.obstruction;
      inside += std::hypot(x, y) < 1 && !shadow ? 1 : 0;
    }
  }
  return inside / static_cast<double>(kPlaces * kPlaces);
}

// The spectrum of a star's image at sample (0, 0), unit flux, pixel and seeing in it.
inline cv::Mat spectrum_of(const Optics& o, double defocus_um) {
  const double spacing_um = o.pixel_um / kSamplesPerPx;
  const double step = 2 * o.wavelength_um * o.f_number / (kSize * spacing_um);
  const double w020 = defocus_um / (8 * o.f_number * o.f_number * o.wavelength_um);
  cv::Mat pupil = cv::Mat::zeros(kSize, kSize, CV_64FC2);
  const int reach = static_cast<int>(std::ceil(1 / step)) + 1;
  for (int j = -reach; j <= reach; ++j) {
    auto* row = pupil.ptr<std::complex<double>>((j + kSize) % kSize);
    for (int i = -reach; i <= reach; ++i) {
      const double u = i * step;
      const double v = j * step;
      const double r2 = u * u + v * v;
      const double waves = w020 * r2 + r2 * (o.coma_x_waves * u + o.coma_y_waves * v);
      row[(i + kSize) % kSize] = std::polar(passed(o, u, v, step), 2 * std::numbers::pi * waves);
    }
  }
  cv::dft(pupil, pupil);
  cv::Mat image(kSize, kSize, CV_64F);
  double total = 0;
  for (int y = 0; y < kSize; ++y) {
    for (int x = 0; x < kSize; ++x) {
      image.at<double>(y, x) = std::norm(pupil.ptr<std::complex<double>>(y)[x]);
      total += image.at<double>(y, x);
    }
  }
  image /= total;
  cv::Mat spectrum;
  cv::dft(image, spectrum, cv::DFT_COMPLEX_OUTPUT);
  return spectrum;
}

inline double per_px(int index) {
  return (index <= kSize / 2 ? index : index - kSize) / static_cast<double>(kExtentPx);
}

inline double sinc(double x) {
  return x == 0 ? 1 : std::sin(std::numbers::pi * x) / (std::numbers::pi * x);
}

// Adds a star at (x_px, y_px).
inline void add_star(const cv::Mat& spectrum, double seeing_sigma_px, double x_px, double y_px,
                     double light, cv::Mat& frame) {
  const int left = static_cast<int>(std::floor(x_px)) - kExtentPx / 2;
  const int top = static_cast<int>(std::floor(y_px)) - kExtentPx / 2;
  cv::Mat moved = spectrum.clone();
  constexpr double kTwoPi = 2 * std::numbers::pi;
  for (int y = 0; y < kSize; ++y) {
    auto* row = moved.ptr<std::complex<double>>(y);
    for (int x = 0; x < kSize; ++x) {
      const double fx = per_px(x);
      const double fy = per_px(y);
      const double blur =
          std::exp(-0.5 * std::pow(kTwoPi * seeing_sigma_px, 2) * (fx * fx + fy * fy));
      row[x] *= std::polar(blur * sinc(fx) * sinc(fy),
                           -kTwoPi * (fx * (x_px - left) + fy * (y_px - top)));
    }
  }
  cv::Mat image;
  cv::dft(moved, image, cv::DFT_INVERSE | cv::DFT_SCALE | cv::DFT_REAL_OUTPUT);
  for (int y = 0; y < kExtentPx; ++y) {
    for (int x = 0; x < kExtentPx; ++x) {
      if (top + y < 0 || left + x < 0 || top + y >= frame.rows || left + x >= frame.cols) continue;
      frame.at<double>(top + y, left + x) += light * kSamplesPerPx * kSamplesPerPx *
                                             image.at<double>(kSamplesPerPx * y, kSamplesPerPx * x);
    }
  }
}

// Sixteen stars, in four rows.
inline Frame frame_of(const Optics& o, const Exposure& exposure) {
  constexpr int kSide = 420;
  std::mt19937_64 random(exposure.seed);
  std::normal_distribution<double> normal(0, 1);
  std::uniform_real_distribution<double> uniform(-1, 1);
  cv::Mat light = cv::Mat::zeros(kSide, kSide, CV_64F);
  const cv::Mat spectrum = spectrum_of(o, exposure.defocus_um);
  for (int row = 0; row < 4; ++row) {
    for (int column = 0; column < 4; ++column) {
      add_star(spectrum, o.seeing_sigma_px, 60 + 100 * column + 3 * uniform(random),
               60 + 100 * row + 3 * uniform(random),
               exposure.light_adu * std::exp(0.5 * uniform(random)), light);
    }
  }
  std::vector<float> pixels;
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x) {
      const double star = light.at<double>(y, x);
      const double noise = std::sqrt(std::max(0.0, star) + std::pow(exposure.noise_adu, 2));
      pixels.push_back(static_cast<float>(500 + star + noise * normal(random)));
    }
  }
  Frame frame;
  frame.file = "rings";
  frame.pixels = PixelBuffer(kSide, kSide, std::move(pixels));
  return frame;
}

// From the donut's centre to the shadow's over the donut's radius, in a frame at this defocus: by
// the rays of either rim, coma's part and the displaced obstruction's.
inline std::pair<double, double> offset_of(const Optics& o, double defocus_um) {
  const double radius_um = std::abs(defocus_um) / (2 * o.f_number);
  const double per_wave =
      -4 * o.f_number * o.wavelength_um * (1 - o.obstruction * o.obstruction) / radius_um;
  const double side = defocus_um > 0 ? 1 : -1;
  return {per_wave * o.coma_x_waves + side * o.shadow_x,
          per_wave * o.coma_y_waves + side * o.shadow_y};
}

}  // namespace starwaist::rings
