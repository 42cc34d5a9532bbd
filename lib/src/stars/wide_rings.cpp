#include "stars/wide_rings.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "core/parallel.h"
#include "numerics/normal_equations.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

constexpr double kSmallestRadiusPx = 25;  // smaller ones are detected as stars
constexpr double kLargestOfSide = 0.4;  // of the shorter side; a wider ring shows a part of itself
constexpr double kGrid = 1.1;           // from one radius to the next
// The two annuli that are compared, on either side of the edge, in radii: the inner one lies in the
// light of any ring whose shadow is less than 0.7 of it.
constexpr double kInnerFrom = 0.7;
constexpr double kOuterTo = 1.3;
// Of the edge. White noise on a megapixel gives 6 at most; a sky that is not quite quadratic more.
constexpr double kLeastSnr = 10;
constexpr double kBesideSnr = 7;  // of the radii beside it, by which it is placed between them

// The frame by medians of bin x bin pixels, its sky taken off.
struct Binned {
  cv::Mat image;
  int bin = 1;
  double noise = 0;  // of one bin, as neighbours differ
};

// 160 rows are enough for a ring's edge; large frames keep some more, for their smaller rings. Nine
// pixels are the fewest whose median leaves a hot pixel and a streak out.
int bin_of(const PixelBuffer& pixels) {
  constexpr int kRows = 160;
  return std::clamp(std::min(pixels.width_px(), pixels.height_px()) / kRows, 3, 8);
}

cv::Mat bin_by_medians(const PixelBuffer& pixels, int bin, int threads) {
  cv::Mat binned(pixels.height_px() / bin, pixels.width_px() / bin, CV_32F);
  core::parallel_for(static_cast<std::size_t>(binned.rows), threads, [&](std::size_t index) {
    const int y = static_cast<int>(index);
    const auto width = static_cast<std::size_t>(pixels.width_px());
    std::vector<float> rows(width * static_cast<std::size_t>(bin));
    for (int k = 0; k < bin; ++k) {
      pixels.read_row(y * bin + k, 0,
                      std::span(rows).subspan(width * static_cast<std::size_t>(k), width));
    }
    std::vector<float> values;
    for (int x = 0; x < binned.cols; ++x) {
      values.clear();
      for (int k = 0; k < bin; ++k) {
        const float* row = rows.data() + width * static_cast<std::size_t>(k) + x * bin;
        for (int i = 0; i < bin; ++i) {
          if (std::isfinite(row[i])) values.push_back(row[i]);
        }
      }
      float& out = binned.at<float>(y, x);
      out = std::numeric_limits<float>::quiet_NaN();
      if (values.empty()) continue;
      const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
      std::nth_element(values.begin(), middle, values.end());
      out = *middle;
    }
  });
  return binned;
}

using Terms = Eigen::Matrix<double, 6, 1>;

Terms terms_at(const cv::Mat& image, int x, int y) {
  const double u = 2.0 * x / image.cols - 1;
  const double v = 2.0 * y / image.rows - 1;
  Terms terms;
  terms << 1, u, v, u * u, u * v, v * v;
  return terms;
}

// Takes a quadratic off, fitted with what is bright left out; bins without a value become sky.
void take_sky_off(cv::Mat& image) {
  constexpr int kRounds = 5;
  // Spreads from the middle that still count as sky; even, since an offset that is left would end
  // at the frame's border like a ring's edge.
  constexpr double kClip = 2.5;
  std::vector<double> values;
  for (int y = 0; y < image.rows; ++y) {
    for (int x = 0; x < image.cols; ++x) {
      if (std::isfinite(image.at<float>(y, x))) values.push_back(image.at<float>(y, x));
    }
  }
  if (values.size() < 100) return;
  Terms sky = Terms::Zero();
  sky[0] = median(values);
  double spread = std::max(robust_sigma(values), 1e-9);
  for (int round = 0; round < kRounds; ++round) {
    numerics::NormalEquations<6> equations;
    values.clear();
    for (int y = 0; y < image.rows; ++y) {
      for (int x = 0; x < image.cols; ++x) {
        const float value = image.at<float>(y, x);
        if (!std::isfinite(value)) continue;
        const Terms terms = terms_at(image, x, y);
        const double left = value - sky.dot(terms);
        // In the first round a gradient is still all of the spread.
        if (round > 0 && std::abs(left) > kClip * spread) continue;
        values.push_back(left);
        equations.add(terms, value);
      }
    }
    if (values.size() < 100) break;
    spread = std::max(robust_sigma(values), 1e-9);
    sky = equations.solve();
  }
  for (int y = 0; y < image.rows; ++y) {
    for (int x = 0; x < image.cols; ++x) {
      float& value = image.at<float>(y, x);
      value =
          std::isfinite(value) ? static_cast<float>(value - sky.dot(terms_at(image, x, y))) : 0.0F;
    }
  }
}

double noise_of(const cv::Mat& image) {
  std::vector<double> differences;
  for (int y = 0; y < image.rows; ++y) {
    for (int x = 1; x < image.cols; x += 2) {
      differences.push_back(image.at<float>(y, x) - image.at<float>(y, x - 1));
    }
  }
  return robust_sigma(differences) / std::numbers::sqrt2;
}

// The signal-to-noise ratio of an edge at one radius, for every centre, by Fourier transforms.
class EdgeFilter {
 public:
  EdgeFilter(const Binned& frame, double largest_bins) : frame_(frame) {
    const int margin = static_cast<int>(std::ceil(kOuterTo * largest_bins)) + 1;
    size_ = {cv::getOptimalDFTSize(frame.image.cols + margin),
             cv::getOptimalDFTSize(frame.image.rows + margin)};
    cv::Mat padded(size_, CV_32F, cv::Scalar(0));
    frame.image.copyTo(padded(cv::Rect(cv::Point(), frame.image.size())));
    cv::dft(padded, transform_, 0, frame.image.rows);
  }

  [[nodiscard]] cv::Mat at(double radius_bins) const {
    cv::Mat kernel(size_, CV_32F, cv::Scalar(0));
    double inside = 0;
    double outside = 0;
    const int reach = static_cast<int>(std::ceil(kOuterTo * radius_bins));
    const auto for_each_bin = [&](auto&& visit) {
      for (int y = -reach; y <= reach; ++y) {
        for (int x = -reach; x <= reach; ++x) {
          const double r = std::hypot(x, y) / radius_bins;
          if (r <= kInnerFrom || r > kOuterTo) continue;
          visit(
              kernel.at<float>((y + size_.height) % size_.height, (x + size_.width) % size_.width),
              r <= 1);
        }
      }
    };
    for_each_bin([&](float&, bool in) { (in ? inside : outside) += 1; });
    const double scale = 1 / (frame_.noise * std::sqrt(1 / inside + 1 / outside));
    for_each_bin([&](float& value, bool in) {
      value = static_cast<float>(in ? scale / inside : -scale / outside);
    });
    cv::Mat product;
    cv::dft(kernel, kernel);
    cv::mulSpectrums(transform_, kernel, product, 0, true);
    cv::dft(product, product, cv::DFT_INVERSE | cv::DFT_REAL_OUTPUT | cv::DFT_SCALE,
            frame_.image.rows);
    return product(cv::Rect(cv::Point(), frame_.image.size())).clone();
  }

 private:
  const Binned& frame_;
  cv::Size size_;
  cv::Mat transform_;
};

// Calls visit(value, radius, x, y) for the bins of a ring about `centre`: those whose distance from
// it, in units of `radius_bins`, is above `from` and at most `to`; x and y in bins from the centre.
template <class Visit>
void for_each_bin_of_ring(const Binned& frame, cv::Point centre, double radius_bins, double from,
                          double to, Visit&& visit) {
  const int reach = static_cast<int>(std::ceil(to * radius_bins));
  for (int y = std::max(0, centre.y - reach); y <= std::min(frame.image.rows - 1, centre.y + reach);
       ++y) {
    for (int x = std::max(0, centre.x - reach);
         x <= std::min(frame.image.cols - 1, centre.x + reach); ++x) {
      const double radius = std::hypot(x - centre.x, y - centre.y) / radius_bins;
      if (radius <= from || radius > to) continue;
      visit(frame.image.at<float>(y, x), radius, x - centre.x, y - centre.y);
    }
  }
}

// True where the light lies all round the circle: a streak, a gradient or the rim of another ring
// brightens some directions only.
bool is_round(const Binned& frame, cv::Point centre, double radius_bins) {
  constexpr int kSectors = 8;
  constexpr int kDarkAtMost = 1;       // sectors, beside those that lie outside the frame
  constexpr double kDarkBelow = 0.35;  // of the mean
  std::array<double, kSectors> in{};
  std::array<double, kSectors> in_count{};
  double all = 0;
  double count = 0;
  for_each_bin_of_ring(
      frame, centre, radius_bins, kInnerFrom, 1, [&](float value, double, int x, int y) {
        const double turn = std::atan2(y, x) / (2 * std::numbers::pi) + 0.5;  // 0 to 1
        const auto sector = static_cast<std::size_t>(std::min(turn * kSectors, kSectors - 1.0));
        in[sector] += value;
        in_count[sector] += 1;
        all += value;
        count += 1;
      });
  int dark = 0;
  int seen = 0;
  for (std::size_t k = 0; k < in.size(); ++k) {
    if (in_count[k] < 0.5 * count / kSectors) continue;
    ++seen;
    dark += in[k] / in_count[k] < kDarkBelow * all / count ? 1 : 0;
  }
  return seen >= kSectors - 2 && dark <= kDarkAtMost;
}

// Brightness just inside a circle less that just outside it, within `share` of its radius.
double step_across(const Binned& frame, cv::Point centre, double radius_bins, double share) {
  double inside = 0;
  double outside = 0;
  double inside_count = 0;
  double outside_count = 0;
  for_each_bin_of_ring(frame, centre, radius_bins, 1 - share, 1 + share,
                       [&](float value, double radius, int, int) {
                         (radius <= 1 ? inside : outside) += value;
                         (radius <= 1 ? inside_count : outside_count) += 1;
                       });
  if (!(inside_count > 0 && outside_count > 0)) return 0;
  return inside / inside_count - outside / outside_count;
}

// A ring ends at once: close to its edge the step is as high as farther off. A cloud's or a
// gradient's step grows with the distance.
bool is_sharp(const Binned& frame, cv::Point centre, double radius_bins) {
  constexpr double kNear = 0.15;
  constexpr double kFar = 0.55;
  constexpr double kLeastShare = 0.7;
  double near = 0;
  // The radius is known to a step of the grid.
  for (const double factor : {0.96, 1.0, 1.04}) {
    near = std::max(near, step_across(frame, centre, factor * radius_bins, kNear));
  }
  return near > kLeastShare * step_across(frame, centre, radius_bins, kFar);
}

struct Peak {
  cv::Point centre;
  double snr = 0;
};

// The strongest round edge of a map; what is not round is passed over.
std::optional<Peak> strongest(const Binned& frame, cv::Mat map, double radius_bins, double least) {
  constexpr int kTries = 4;
  for (int k = 0; k < kTries; ++k) {
    double snr = 0;
    cv::Point centre;
    cv::minMaxLoc(map, nullptr, &snr, nullptr, &centre);
    if (!(snr > least)) return std::nullopt;
    if (is_round(frame, centre, radius_bins) && is_sharp(frame, centre, radius_bins))
      return Peak{centre, snr};
    const int reach = std::max(1, static_cast<int>(0.4 * radius_bins));
    const cv::Rect near(centre.x - reach, centre.y - reach, 2 * reach + 1, 2 * reach + 1);
    map(near & cv::Rect(cv::Point(), map.size())).setTo(cv::Scalar(0));
  }
  return std::nullopt;
}

}  // namespace

std::optional<double> wide_ring_radius_px(const Frame& frame, int threads) {
  Binned binned;
  binned.bin = bin_of(frame.pixels);
  binned.image = bin_by_medians(frame.pixels, binned.bin, threads);
  take_sky_off(binned.image);
  binned.noise = noise_of(binned.image);
  if (!(binned.noise > 0)) return std::nullopt;
  const double smallest = kSmallestRadiusPx / binned.bin;
  const double largest = kLargestOfSide * std::min(binned.image.cols, binned.image.rows);
  if (!(largest > 2 * smallest)) return std::nullopt;
  const auto radii = static_cast<std::size_t>(std::log(largest / smallest) / std::log(kGrid)) + 1;
  const auto radius = [&](double k) { return smallest * std::pow(kGrid, k); };
  const EdgeFilter filter(binned, largest);
  std::vector<std::optional<Peak>> peaks(radii);
  core::parallel_for(radii, threads, [&](std::size_t k) {
    const double r = radius(static_cast<double>(k));
    peaks[k] = strongest(binned, filter.at(r), r, kBesideSnr);
  });
  const auto snr = [&](std::size_t k) { return peaks[k] ? peaks[k]->snr : 0.0; };
  std::size_t best = 0;
  for (std::size_t k = 1; k < radii; ++k) best = snr(k) > snr(best) ? k : best;
  // At the smallest radius the signal may be a still smaller star's.
  if (best == 0 || snr(best) < kLeastSnr) return std::nullopt;
  // Between the radii by a parabola.
  double place = static_cast<double>(best);
  if (best + 1 < radii) {
    const double bend = snr(best - 1) - 2 * snr(best) + snr(best + 1);
    if (bend < 0) {
      place += std::clamp(0.5 * (snr(best - 1) - snr(best + 1)) / bend, -0.5, 0.5);
    }
  }
  return radius(place) * binned.bin;
}

}  // namespace starwaist::stars
