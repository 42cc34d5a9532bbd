#include "render/star_images.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <opencv2/core.hpp>
#include <utility>

namespace starwaist::render {

namespace {

// Catmull-Rom weights of the four samples around a place `t` behind the second of them.
std::array<double, 4> cubic_weights(double t) {
  const double t2 = t * t;
  const double t3 = t2 * t;
  return {0.5 * (-t3 + 2 * t2 - t), 0.5 * (3 * t3 - 5 * t2 + 2), 0.5 * (-3 * t3 + 4 * t2 + t),
          0.5 * (t3 - t2)};
}

std::vector<float> brightest_beyond(const PointSpread& spread) {
  const int half = spread.size / 2;
  const auto rings = static_cast<std::size_t>(half / spread.samples_per_px) + 2;
  std::vector<float> brightest(rings, 0.0F);
  for (int y = 0; y < spread.size; ++y) {
    const float* row =
        spread.values.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(spread.size);
    for (int x = 0; x < spread.size; ++x) {
      // The half-width of the square about the centre that this sample lies on.
      const int distance = std::max(std::abs(x - half), std::abs(y - half)) / spread.samples_per_px;
      float& value = brightest[std::min(static_cast<std::size_t>(distance), rings - 1)];
      value = std::max(value, row[x]);
    }
  }
  for (std::size_t r = rings - 1; r-- > 0;) brightest[r] = std::max(brightest[r], brightest[r + 1]);
  return brightest;
}

// Adds flux * spread with its centre at (x_px, y_px), on the square `reach` px about it.
void add_spread(std::vector<double>& image, int width_px, int height_px, const PointSpread& spread,
                double x_px, double y_px, double flux, int reach) {
  const int m = spread.samples_per_px;
  const int half = spread.size / 2;
  // Keep the four samples around every pixel inside the square.
  const int most = (half - 3) / m - 1;
  reach = std::min(reach, most);
  const int x0 = std::max(0, static_cast<int>(std::ceil(x_px - reach)));
  const int y0 = std::max(0, static_cast<int>(std::ceil(y_px - reach)));
  const int x1 = std::min(width_px - 1, static_cast<int>(std::floor(x_px + reach)));
  const int y1 = std::min(height_px - 1, static_cast<int>(std::floor(y_px + reach)));
  if (x0 > x1 || y0 > y1) return;
  // Pixels are whole numbers of samples apart, so that all share one fraction.
  const double place_x = (x0 - x_px) * m + half;
  const double place_y = (y0 - y_px) * m + half;
  const int first_x = static_cast<int>(std::floor(place_x));
  const int first_y = static_cast<int>(std::floor(place_y));
  const auto weights_x = cubic_weights(place_x - first_x);
  const auto weights_y = cubic_weights(place_y - first_y);
  std::array<double, 16> weights{};
  for (std::size_t j = 0; j < 4; ++j) {
    for (std::size_t i = 0; i < 4; ++i) weights[4 * j + i] = flux * weights_y[j] * weights_x[i];
  }
  const auto size = static_cast<std::size_t>(spread.size);
  for (int y = y0; y <= y1; ++y) {
    const float* top = spread.values.data() +
                       static_cast<std::size_t>(first_y - 1 + (y - y0) * m) * size +
                       static_cast<std::size_t>(first_x - 1);
    double* out = image.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(width_px);
    for (int x = x0; x <= x1; ++x) {
      const float* corner = top + static_cast<std::size_t>(x - x0) * static_cast<std::size_t>(m);
      double sum = 0;
      for (std::size_t j = 0; j < 4; ++j) {
        const float* s = corner + j * size;
        const double* w = weights.data() + 4 * j;
        sum += w[0] * s[0] + w[1] * s[1] + w[2] * s[2] + w[3] * s[3];
      }
      out[x] += sum;
    }
  }
}

}  // namespace

Result<StarImages> StarImages::make(const RenderOptions& options, double lowest_um,
                                    double highest_um, double seeing_arcsec, double trail_px,
                                    double shake_px) {
  // Between neighbours the blur changes by at most half a pixel, or the wavefront by a sixteenth of
  // a wave where that is more; no more than so many images a frame all the same.
  constexpr double kMostImages = 33;
  const double fine_um =
      std::max(0.5 * options.pixel_um * options.f_number,
               0.5 * kReferenceWavelengthUm * options.f_number * options.f_number);
  const double range_um = highest_um - lowest_um;
  const double steps = std::min(std::ceil(range_um / fine_um), kMostImages - 1);
  StarImages images;
  images.lowest_um_ = lowest_um;
  images.step_um_ = steps > 0 ? range_um / steps : 0.0;
  for (int i = 0; i <= static_cast<int>(steps); ++i) {
    auto spread =
        point_spread(options, lowest_um + i * images.step_um_, seeing_arcsec, trail_px, shake_px);
    if (!spread) return tl::unexpected(spread.error());
    Node node;
    node.spread = std::move(*spread);
    node.spread.ring_transfer.shrink_to_fit();
    node.brightest_beyond = brightest_beyond(node.spread);
    node.half_flux_radius_px = starwaist::half_flux_radius_px(node.spread);
    images.nodes_.push_back(std::move(node));
  }
  return images;
}

void StarImages::bracket(double defocus_um, std::size_t& below, std::size_t& above,
                         double& share) const {
  below = above = 0;
  share = 0;
  if (nodes_.size() < 2) return;
  const double place =
      std::clamp((defocus_um - lowest_um_) / step_um_, 0.0, static_cast<double>(nodes_.size() - 1));
  below = std::min(static_cast<std::size_t>(place), nodes_.size() - 2);
  above = below + 1;
  share = place - static_cast<double>(below);
}

void StarImages::add_star(std::vector<double>& image, int width_px, int height_px, double x_px,
                          double y_px, double defocus_um, double electrons,
                          double least_electrons) const {
  std::size_t below = 0;
  std::size_t above = 0;
  double share = 0;
  bracket(defocus_um, below, above, share);
  const auto add = [&](const Node& node, double flux) {
    if (!(flux > 0)) return;
    std::size_t reach = 0;
    while (reach < node.brightest_beyond.size() &&
           flux * node.brightest_beyond[reach] > least_electrons) {
      ++reach;
    }
    add_spread(image, width_px, height_px, node.spread, x_px, y_px, flux,
               static_cast<int>(reach) + 1);
  };
  add(nodes_[below], electrons * (1 - share));
  if (above != below) add(nodes_[above], electrons * share);
}

void StarImages::convolve(std::vector<double>& image, int width_px, int height_px,
                          double defocus_um) const {
  std::size_t below = 0;
  std::size_t above = 0;
  double share = 0;
  bracket(defocus_um, below, above, share);
  const PointSpread& spread = nodes_[share < 0.5 ? below : above].spread;
  const int m = spread.samples_per_px;
  const int half = spread.size / 2;
  const int reach = (half - 1) / m;
  // Every m-th sample is what a whole pixel collects; the plane is as much larger as light reaches,
  // so that nothing comes in at the other side.
  const cv::Size plane(cv::getOptimalDFTSize(width_px + reach),
                       cv::getOptimalDFTSize(height_px + reach));
  cv::Mat light = cv::Mat::zeros(plane, CV_64F);
  for (int y = 0; y < height_px; ++y) {
    std::copy_n(image.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(width_px),
                width_px, light.ptr<double>(y));
  }
  cv::Mat kernel = cv::Mat::zeros(plane, CV_64F);
  const int reach_x = std::min(reach, plane.width / 2 - 1);
  const int reach_y = std::min(reach, plane.height / 2 - 1);
  for (int y = -reach_y; y <= reach_y; ++y) {
    auto* row = kernel.ptr<double>((y + plane.height) % plane.height);
    for (int x = -reach_x; x <= reach_x; ++x) {
      row[(x + plane.width) % plane.width] =
          spread.values[static_cast<std::size_t>(half + y * m) *
                            static_cast<std::size_t>(spread.size) +
                        static_cast<std::size_t>(half + x * m)];
    }
  }
  cv::dft(light, light);
  cv::dft(kernel, kernel);
  cv::mulSpectrums(light, kernel, light, 0);
  cv::dft(light, light, cv::DFT_INVERSE | cv::DFT_SCALE);
  for (int y = 0; y < height_px; ++y) {
    std::copy_n(light.ptr<double>(y), width_px,
                image.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(width_px));
  }
}

double StarImages::half_flux_radius_px(double defocus_um) const {
  std::size_t below = 0;
  std::size_t above = 0;
  double share = 0;
  bracket(defocus_um, below, above, share);
  return std::lerp(nodes_[below].half_flux_radius_px, nodes_[above].half_flux_radius_px, share);
}

}  // namespace starwaist::render
