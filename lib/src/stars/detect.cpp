#include "stars/detect.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <span>
#include <unordered_map>
#include <variant>

#include "core/parallel.h"
#include "numerics/robust.h"
#include "stars/hot_pixels.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

constexpr int kStripRows = 128;  // a strip of a wide frame stays in the third-level cache
constexpr int kMarginRows = 8;   // rows read beyond a strip: kernel and peak at level 1, whole bins
constexpr double kKernelSigma = 1.0;  // of the smoothing kernel, in pixels of its level
constexpr int kKernelSize = 7;
constexpr double kDefectSnr = 7.0;  // a hot pixel fainter than this changes no size

// Standard deviation of white noise after the two-dimensional kernel: the root of the sum of its
// squares, which is the one-dimensional sum of squares.
double kernel_noise_factor() {
  const cv::Mat kernel = cv::getGaussianKernel(kKernelSize, kKernelSigma, CV_64F);
  return kernel.dot(kernel);
}

// Peaks of `smoothed` (pixels of `bin` frame pixels) in rows [row_begin, row_end) above
// `threshold`. The callback gets column, row and value.
template <class Callback>
void for_each_peak(const cv::Mat& smoothed, int row_begin, int row_end, float threshold,
                   Callback&& found) {
  constexpr int kBlock = 32;  // looked at as a whole first: nearly all lie below the threshold
  for (int y = std::max(row_begin, 1); y < std::min(row_end, smoothed.rows - 1); ++y) {
    const float* above = smoothed.ptr<float>(y - 1);
    const float* here = smoothed.ptr<float>(y);
    const float* below = smoothed.ptr<float>(y + 1);
    for (int begin = 1; begin + 1 < smoothed.cols; begin += kBlock) {
      const int end = std::min(begin + kBlock, smoothed.cols - 1);
      int bright = 0;
      for (int x = begin; x < end; ++x) bright += here[x] > threshold ? 1 : 0;
      if (bright == 0) continue;
      for (int x = begin; x < end; ++x) {
        const float v = here[x];
        if (!(v > threshold)) continue;
        // Ties are broken by order so that a flat top yields one peak.
        if (v > above[x - 1] && v > above[x] && v > above[x + 1] && v > here[x - 1] &&
            v >= here[x + 1] && v >= below[x - 1] && v >= below[x] && v >= below[x + 1]) {
          found(x, y, v);
        }
      }
    }
  }
}

// Place of the maximum to a fraction of a pixel by a parabola through three samples.
double peak_offset(float before, float at, float after) {
  const double curvature = static_cast<double>(before) - 2.0 * at + after;
  if (!(curvature < 0)) return 0.0;
  return std::clamp(0.5 * (before - after) / curvature, -0.5, 0.5);
}

class Collector {
 public:
  Collector(const SkyMap& sky, double threshold_snr) : sky_(sky), threshold_snr_(threshold_snr) {}

  // Frame row of the smoothed image's first row, in frame pixels; `noise_scale` turns the sky's
  // noise into that of the smoothed image.
  void collect(const cv::Mat& smoothed, int level, int first_row_px, int row_begin, int row_end,
               double noise_scale, Detection& into) const {
    const int bin = 1 << level;
    // Wide kernels have few places: a megapixel of noise yields 1e-3 false peaks of level 0 at 6
    // sigma, as many of level 3 at 5 and of level 4, with a quarter of its places, at 4.7.
    constexpr std::array kShares = {1.0, 1.0, 1.0, 5.0 / 6.0, 4.7 / 6.0};
    static_assert(kShares.size() == kDetectionLevels);
    const double share = kShares.at(static_cast<std::size_t>(level));
    const double lowest = 0.5 * threshold_snr_ * noise_scale * sky_.median_noise_adu();
    for_each_peak(
        smoothed, row_begin, row_end, static_cast<float>(lowest), [&](int x, int y, float value) {
          const float* row = smoothed.ptr<float>(y);
          const double px = x + peak_offset(row[x - 1], value, row[x + 1]);
          const double py =
              y + peak_offset(smoothed.at<float>(y - 1, x), value, smoothed.at<float>(y + 1, x));
          const double x_px = (px + 0.5) * bin - 0.5;
          const double y_px = (py + 0.5) * bin - 0.5 + first_row_px;
          const double noise = sky_.noise_adu(x_px, y_px) * noise_scale;
          if (!(noise > 0)) return;
          const double snr = value / noise;
          if (snr >= threshold_snr_ * share) into.candidates.push_back({x_px, y_px, snr, level});
        });
  }

 private:
  const SkyMap& sky_;
  double threshold_snr_;
};

// Images of one strip, kept from strip to strip: fresh memory costs more than the arithmetic.
struct Scratch {
  cv::Mat strip;  // whole only for the finest level, else the last kRing rows read
  cv::Mat half;
  cv::Mat smoothed;
};

// Mean of 2 x 2 pixels; an odd last column is left out.
void bin_rows(const float* upper, const float* lower, float* out, int columns) {
  for (int x = 0; x < columns; ++x) {
    out[x] = 0.25F * ((upper[2 * x] + upper[2 * x + 1]) + (lower[2 * x] + lower[2 * x + 1]));
  }
}

// Reads a strip, takes the hot pixels out and the sky off and bins it by 2, row by row, so that the
// pixels stay in the nearest cache.
class StripReader {
 public:
  // `keeps_pixels`: leaves the strip in scratch.strip, sky taken off.
  StripReader(const Frame& frame, const SkyMap& sky, bool keeps_pixels)
      : frame_(frame),
        sky_(sky),
        width_(frame.pixels.width_px()),
        keeps_pixels_(keeps_pixels),
        // The sky is taken off the bins, a quarter of the pixels, where nothing keeps it. A pixel
        // without a value becomes sky.
        has_gaps_(!std::holds_alternative<std::vector<std::uint16_t>>(frame.pixels.storage())),
        sky_first_(keeps_pixels || has_gaps_) {}

  // Rows [begin, end); hot pixels in rows [own_begin, own_end) are listed.
  void read(int begin, int end, int own_begin, int own_end, Scratch& scratch,
            std::vector<PixelPlace>& defects) const {
    const int rows = end - begin;
    const int kept_rows = keeps_pixels_ ? rows : kRing;
    scratch.strip.create(kept_rows, width_, CV_32F);
    scratch.half.create(rows / 2, width_ / 2, CV_32F);
    const auto row_of = [&](int row) { return scratch.strip.ptr<float>(row % kept_rows); };
    std::vector<float> level(static_cast<std::size_t>(width_ / kHotBlockPx) + 1, 0.0F);
    int repaired = 0;
    int binned = 0;
    for (int row = 0; row < rows; ++row) {
      read_row(begin + row, std::span(row_of(row), static_cast<std::size_t>(width_)));
      const bool is_last = row + 1 == rows;
      for (; repaired < row || (is_last && repaired < rows); ++repaired) {
        if (!sky_first_ && repaired % kRing == 0) find_level(begin + repaired, level);
        repair_hot_row(
            row_of, width_, rows, repaired, kDefectSnr * sky_.median_noise_adu(),
            [&level](int x) { return level[static_cast<std::size_t>(x / kHotBlockPx)]; },
            [&](int x, int y) { return sky_.noise_adu(x, begin + y); },
            [&](int x, int y) {
              if (begin + y >= own_begin && begin + y < own_end) defects.push_back({x, begin + y});
            });
      }
      // Repairs of a row reach two rows up.
      const int final_rows = is_last ? rows : row - 2;
      for (; 2 * binned + 1 < final_rows; ++binned) {
        auto* bins = scratch.half.ptr<float>(binned);
        bin_rows(row_of(2 * binned), row_of(2 * binned + 1), bins, width_ / 2);
        if (sky_first_) continue;
        sky_.subtract(begin + 2 * binned + 0.5, 0.5, 2,
                      std::span(bins, static_cast<std::size_t>(width_ / 2)));
      }
    }
  }

 private:
  static constexpr int kRing = 8;

  void read_row(int y, std::span<float> row) const {
    frame_.pixels.read_row(y, 0, row);
    if (!sky_first_) return;
    sky_.subtract_from_row(y, 0, row);
    if (!has_gaps_) return;
    for (float& value : row) value = std::isfinite(value) ? value : 0.0F;
  }

  // In the middle of each block of the kRing rows from y on.
  void find_level(int y, std::vector<float>& level) const {
    std::fill(level.begin(), level.end(), 0.0F);
    sky_.subtract(y + 0.5 * (kRing - 1), 0.5 * (kHotBlockPx - 1), kHotBlockPx, level);
    for (float& value : level) value = -value;
  }

  const Frame& frame_;
  const SkyMap& sky_;
  int width_;
  bool keeps_pixels_;
  bool has_gaps_;
  bool sky_first_;
};

// Noise of a smoothed image: the larger of what white noise leaves and what the image shows, since
// undetected stars, clouds and interpolated mosaics add to it.
double noise_scale_of(const cv::Mat& smoothed, const SkyMap& sky, double white,
                      const cv::Mat& masked) {
  constexpr std::size_t kSample = 4000;  // gives the spread to 2.5 %
  std::vector<double> sample;
  const std::size_t pixels = smoothed.total();
  if (pixels < 200) return white;
  const std::size_t step =
      std::max<std::size_t>(1, pixels / kSample) | 1U;  // odd: no column repeats
  for (std::size_t i = 0; i < pixels; i += step) {
    const auto row = static_cast<int>(i / static_cast<std::size_t>(smoothed.cols));
    const auto column = static_cast<int>(i % static_cast<std::size_t>(smoothed.cols));
    const float v = smoothed.at<float>(row, column);
    if (!masked.empty() && masked.at<std::uint8_t>(row, column) > 0) continue;
    sample.push_back(v);
  }
  if (sample.size() < 200) return white;
  // Stars only brighten: the spread is read on the dark side.
  const double spread =
      sample_quantile(sample, 0.5) - sample_quantile(sample, numerics::kOneSigmaBelow);
  const double noise = sky.median_noise_adu();
  return noise > 0 ? std::max(white, spread / noise) : white;
}

void smooth_into(const cv::Mat& image, cv::Mat& smoothed) {
  cv::GaussianBlur(image, smoothed, cv::Size(kKernelSize, kKernelSize), kKernelSigma, kKernelSigma,
                   cv::BORDER_REFLECT);
}

// The same for a large image in bands: each sees the rows beyond its own.
void smooth_bands(const cv::Mat& image, cv::Mat& smoothed, int threads) {
  constexpr int kBandRows = 128;
  smoothed.create(image.size(), CV_32F);
  const auto bands = static_cast<std::size_t>((image.rows + kBandRows - 1) / kBandRows);
  core::parallel_for(bands, threads, [&](std::size_t band) {
    const int begin = static_cast<int>(band) * kBandRows;
    const cv::Range rows(begin, std::min(image.rows, begin + kBandRows));
    cv::Mat out = smoothed.rowRange(rows);
    smooth_into(image.rowRange(rows), out);
  });
}

// Mean of 2 x 2 pixels; an odd last row or column is left out.
void bin_into(const cv::Mat& image, cv::Mat& half) {
  half.create(image.rows / 2, image.cols / 2, CV_32F);
  for (int y = 0; y < half.rows; ++y) {
    bin_rows(image.ptr<float>(2 * y), image.ptr<float>(2 * y + 1), half.ptr<float>(y), half.cols);
  }
}

// 1 where any of 2 x 2 pixels is; an odd last row or column is left out.
cv::Mat binned_mask(const cv::Mat& mask) {
  cv::Mat half(mask.rows / 2, mask.cols / 2, CV_8U);
  for (int y = 0; y < half.rows; ++y) {
    const auto* upper = mask.ptr<std::uint8_t>(2 * y);
    const auto* lower = mask.ptr<std::uint8_t>(2 * y + 1);
    auto* out = half.ptr<std::uint8_t>(y);
    for (int x = 0; x < half.cols; ++x) {
      out[x] = static_cast<std::uint8_t>(upper[2 * x] | upper[2 * x + 1] | lower[2 * x] |
                                         lower[2 * x + 1]);
    }
  }
  return half;
}

// Levels first_level to last_level of the frame binned by 4. `masked`: 1 where it is not sky, of
// the same size or empty, a byte a pixel.
void collect_coarse(const cv::Mat& coarse, const Collector& collector, const SkyMap& sky,
                    double white, const cv::Mat& masked, int first_level, int last_level,
                    int threads, Detection& into) {
  cv::Mat image = coarse;
  cv::Mat mask = masked;
  cv::Mat smoothed;
  for (int level = kCoarseLevel; level <= last_level; ++level) {
    if (level > kCoarseLevel) {
      smoothed.release();
      cv::Mat next;
      bin_into(image, next);
      image = next;
      if (!mask.empty()) {
        mask = binned_mask(mask);
      }
    }
    if (image.rows < 8 || image.cols < 8) break;
    if (level < first_level) continue;
    smooth_bands(image, smoothed, threads);
    const double noise_scale = noise_scale_of(smoothed, sky, white / (1 << level), mask);
    collector.collect(smoothed, level, 0, 0, image.rows, noise_scale, into);
  }
}

// What all strips of one search share.
struct StripSearch {
  const StripReader& strips;
  const Collector& collector;
  const SkyMap& sky;
  double white = 0;  // noise of a smoothed pixel over that of one
  int first_level = 0;
  int last_level = 0;
  int height_px = 0;
};

// The strip from row `begin` on: its candidates and defects into `own`, its rows binned by 4 into
// those of `coarse` where coarse levels are wanted.
void search_strip(const StripSearch& search, int begin, Scratch& scratch, cv::Mat& coarse,
                  Detection& own) {
  const int height = search.height_px;
  const int end = std::min(height, begin + kStripRows);
  const int read_begin = std::max(0, begin - kMarginRows);
  const int read_end = std::min(height, end + kMarginRows);
  search.strips.read(read_begin, read_end, begin, end, scratch, own.defects);
  const int last_fine = std::min(search.last_level, kCoarseLevel - 1);
  for (int level = search.first_level; level <= last_fine; ++level) {
    const cv::Mat& image = level == 0 ? scratch.strip : scratch.half;
    if (image.rows < 3 || image.cols < 3) break;
    smooth_into(image, scratch.smoothed);
    const int bin = 1 << level;
    search.collector.collect(
        scratch.smoothed, level, read_begin, (begin - read_begin) / bin,
        end == height ? image.rows : (end - read_begin) / bin,
        noise_scale_of(scratch.smoothed, search.sky, search.white / bin, cv::Mat()), own);
  }
  if (search.last_level < kCoarseLevel) return;
  static_assert(kCoarseLevel == 2);
  const int first = (begin - read_begin) / 4;
  const int rows = std::min(scratch.half.rows / 2 - first, coarse.rows - begin / 4);
  for (int row = 0; row < std::min(rows, (end - begin + 3) / 4); ++row) {
    const int upper = 2 * (first + row);
    bin_rows(scratch.half.ptr<float>(upper), scratch.half.ptr<float>(upper + 1),
             coarse.ptr<float>(begin / 4 + row), coarse.cols);
  }
}

// Equal values in order of place: the same list for any order of the strips.
void sort_strongest_first(std::vector<Candidate>& candidates) {
  std::sort(candidates.begin(), candidates.end(), [](const Candidate& a, const Candidate& b) {
    if (a.snr != b.snr) return a.snr > b.snr;
    if (a.level != b.level) return a.level < b.level;
    return a.y_px != b.y_px ? a.y_px < b.y_px : a.x_px < b.x_px;
  });
}

}  // namespace

double template_sigma_px(int level) {
  // The kernel's variance plus that of averaging over a bin, 1/12 of its side squared.
  const double in_bins = std::sqrt(kKernelSigma * kKernelSigma + (level > 0 ? 1.0 / 12.0 : 0.0));
  return in_bins * (1 << level);
}

Detection detect(const Frame& frame, const SkyMap& sky, double threshold_snr, int first_level,
                 int last_level, int threads) {
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  Detection detection;
  if (width < 8 || height < 8) return detection;
  const double white = kernel_noise_factor() / std::sqrt(frame.sample_fraction);
  const Collector collector(sky, threshold_snr);
  const bool wants_coarse = last_level >= kCoarseLevel;
  cv::Mat coarse(height / 4, width / 4, CV_32F);

  std::vector<Detection> of_strip(static_cast<std::size_t>((height + kStripRows - 1) / kStripRows));
  const StripReader strips(frame, sky, first_level == 0);
  const StripSearch search{strips, collector, sky, white, first_level, last_level, height};
  std::vector<Scratch> scratches(static_cast<std::size_t>(std::max(threads, 1)));
  core::parallel_for_slots(of_strip.size(), threads, [&](std::size_t index, std::size_t slot) {
    const int begin = static_cast<int>(index) * kStripRows;
    search_strip(search, begin, scratches[slot], coarse, of_strip[index]);
  });
  for (const Detection& own : of_strip) {
    detection.candidates.insert(detection.candidates.end(), own.candidates.begin(),
                                own.candidates.end());
    detection.defects.insert(detection.defects.end(), own.defects.begin(), own.defects.end());
  }

  scratches.clear();
  if (wants_coarse) detection.coarse = coarse;
  collect_coarse(coarse, collector, sky, white, cv::Mat(), std::max(first_level, kCoarseLevel),
                 last_level, threads, detection);
  sort_strongest_first(detection.candidates);
  return detection;
}

std::vector<Candidate> detect_again(cv::Mat coarse, const SkyMap& first_sky, const SkyMap& sky,
                                    const std::vector<MaskedDisc>& discs, double threshold_snr,
                                    double sample_fraction, int first_level, int last_level,
                                    int threads) {
  constexpr int kBin = 1 << kCoarseLevel;
  std::vector<float> level(static_cast<std::size_t>(coarse.cols));
  for (int y = 0; y < coarse.rows; ++y) {
    const double y_px = (y + 0.5) * kBin - 0.5;
    auto* row = coarse.ptr<float>(y);
    std::fill(level.begin(), level.end(), 0.0F);
    first_sky.subtract(y_px, 0.5 * kBin - 0.5, kBin, level);
    for (int x = 0; x < coarse.cols; ++x) row[x] -= level[static_cast<std::size_t>(x)];
    sky.subtract(y_px, 0.5 * kBin - 0.5, kBin, std::span(row, level.size()));
  }
  cv::Mat masked(coarse.size(), CV_8U, cv::Scalar(0));
  for (const MaskedDisc& disc : discs) {
    cv::circle(masked,
               cv::Point(static_cast<int>(disc.x_px / kBin), static_cast<int>(disc.y_px / kBin)),
               static_cast<int>(std::ceil(disc.radius_px / kBin)), cv::Scalar(1), cv::FILLED);
  }
  Detection again;
  collect_coarse(coarse, Collector(sky, threshold_snr), sky,
                 kernel_noise_factor() / std::sqrt(sample_fraction), masked, first_level,
                 last_level, threads, again);
  sort_strongest_first(again.candidates);
  return std::move(again.candidates);
}

std::vector<Candidate> merged(const std::vector<Candidate>& candidates, int first_level,
                              int last_level, double reach) {
  // Accepted candidates in a grid of cells as wide as the widest reach, so that each new one looks
  // at nine cells.
  const double cell_px = std::max(1.0, reach * template_sigma_px(last_level));
  const auto key = [](std::int64_t column, std::int64_t row) { return (row << 32) ^ column; };
  std::unordered_map<std::int64_t, std::vector<std::size_t>> cells;
  std::vector<Candidate> kept;
  for (const Candidate& c : candidates) {
    if (c.level < first_level || c.level > last_level) continue;
    const auto column = static_cast<std::int64_t>(std::floor(c.x_px / cell_px)) + 1;
    const auto row = static_cast<std::int64_t>(std::floor(c.y_px / cell_px)) + 1;
    bool covered = false;
    for (std::int64_t r = row - 1; r <= row + 1 && !covered; ++r) {
      for (std::int64_t k = column - 1; k <= column + 1 && !covered; ++k) {
        const auto cell = cells.find(key(k, r));
        if (cell == cells.end()) continue;
        for (const std::size_t i : cell->second) {
          const double radius = reach * template_sigma_px(std::max(c.level, kept[i].level));
          if (std::hypot(c.x_px - kept[i].x_px, c.y_px - kept[i].y_px) < radius) {
            covered = true;
            break;
          }
        }
      }
    }
    if (covered) continue;
    cells[key(column, row)].push_back(kept.size());
    kept.push_back(c);
  }
  return kept;
}

}  // namespace starwaist::stars
