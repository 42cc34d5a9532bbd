#include "stars/camera.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <variant>

#include "numerics/line.h"
#include "numerics/robust.h"
#include "stars/stamp.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

// Photon noise of the whole level, an offset included, is the most that the sky's can be: a larger
// gain cannot be. The allowance is for the errors of both.
constexpr double kMostOfLevel = 1.3;

double largest_gain(double level_adu, double variance_adu2) {
  return variance_adu2 > 0 && level_adu > 0 ? kMostOfLevel * level_adu / variance_adu2
                                            : std::numeric_limits<double>::infinity();
}

bool agree(double gain, const GainEstimate& estimate) {
  constexpr double kFactor = 1.5;  // structure in the sky may mislead the estimate by some tenths
  return std::abs(std::log(gain / estimate.e_per_adu)) <
         std::log(kFactor) + 2 * estimate.relative_sigma;
}

std::vector<SkySample> sky_samples(const Frame& frame, const SkyMap& sky) {
  std::vector<SkySample> samples;
  // The red and blue planes of a mosaic are filled in from a quarter of the sites: too smooth.
  constexpr double kLeastFraction = 0.5;
  if (frame.sample_fraction < kLeastFraction) return samples;
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  const int cell = sky_cell_px(width, height);
  FrameContext context;
  context.frame = &frame;
  context.sky = &sky;
  for (int y = cell / 2; y < height; y += cell) {
    for (int x = cell / 2; x < width; x += cell) {
      const Centre place{static_cast<double>(x), static_cast<double>(y)};
      const double variance = pixel_variance(context, place) * frame.sample_fraction;
      samples.push_back({sky.level_adu(place.x_px, place.y_px), variance});
    }
  }
  return samples;
}

// `at_top`: pixels within a thousandth of it.
Ceiling ceiling_of(const PixelBuffer& pixels, const std::vector<Candidate>& bright, int& at_top) {
  constexpr int kReach = 2;
  constexpr std::size_t kLooked = 200;
  std::vector<double> tops;
  for (std::size_t i = 0; i < std::min(bright.size(), kLooked); ++i) {
    const int cx = static_cast<int>(std::lround(bright[i].x_px));
    const int cy = static_cast<int>(std::lround(bright[i].y_px));
    for (int y = std::max(0, cy - kReach); y <= std::min(pixels.height_px() - 1, cy + kReach);
         ++y) {
      for (int x = std::max(0, cx - kReach); x <= std::min(pixels.width_px() - 1, cx + kReach);
           ++x) {
        const double value = pixels.at(x, y);
        if (std::isfinite(value)) tops.push_back(value);
      }
    }
  }
  at_top = 0;
  if (tops.empty()) return {};
  const double top = *std::max_element(tops.begin(), tops.end());
  at_top = static_cast<int>(std::count_if(tops.begin(), tops.end(), [top](double t) {
    return t >= top - kAlikeAtTop * std::abs(top);
  }));
  return {top, static_cast<int>(std::count(tops.begin(), tops.end(), top))};
}

}  // namespace

std::optional<GainEstimate> gain_from_sky(std::vector<SkySample> samples) {
  constexpr std::size_t kFewest = 30;
  constexpr int kRounds = 20;
  // The mesh's noise is a median over nine cells: neighbours share it, and a slope is known three
  // times worse than from cells of their own (1.25 sigma / 3 a cell, a ninth of them by itself).
  constexpr double kShared = 3.0;
  constexpr double kWorst = 0.2;
  constexpr double kOwnScatter = 0.08;  // of the variance; 1024 pixels show it to 6 %
  if (samples.size() < kFewest) return std::nullopt;
  // The same sums for any order of the frames.
  std::sort(samples.begin(), samples.end(), [](const SkySample& a, const SkySample& b) {
    return a.level_adu != b.level_adu ? a.level_adu < b.level_adu
                                      : a.variance_adu2 < b.variance_adu2;
  });
  std::vector<double> levels(samples.size());  // from the middle one
  std::vector<double> variances(samples.size());
  const double level = samples[samples.size() / 2].level_adu;
  for (std::size_t i = 0; i < samples.size(); ++i) {
    levels[i] = samples[i].level_adu - level;
    variances[i] = samples[i].variance_adu2;
  }
  const double middle = median(variances);
  if (!(middle > 0)) return std::nullopt;
  std::vector<double> residual(samples.size());
  std::vector<double> weight(samples.size());
  numerics::WeightedLine line;
  line.intercept = middle;
  double spread = 0;
  for (int round = 0; round < kRounds; ++round) {
    for (std::size_t i = 0; i < samples.size(); ++i) {
      residual[i] = variances[i] - line.intercept - line.slope * levels[i];
    }
    spread = robust_sigma(residual);
    if (!(spread > 0)) return std::nullopt;
    for (std::size_t i = 0; i < samples.size(); ++i)
      weight[i] = numerics::huber_weight(residual[i] / spread);
    const auto fitted = numerics::weighted_line(levels, variances, weight);
    if (!fitted) return std::nullopt;
    line = *fitted;
  }
  const double slope = line.slope;
  const double slope_sigma = kShared * spread * line.slope_sigma;
  if (!(slope > 0) || slope_sigma > kWorst * slope || spread > kOwnScatter * middle) {
    return std::nullopt;
  }
  const GainEstimate estimate{1 / slope, slope_sigma / slope};
  if (estimate.e_per_adu > largest_gain(level, middle)) return std::nullopt;
  return estimate;
}

CameraEvidence camera_evidence(const Frame& frame, const MeasureOptions& options, const SkyMap& sky,
                               const std::vector<Candidate>& bright) {
  CameraEvidence evidence;
  evidence.option_gain = options.gain_e_per_adu;
  evidence.header_gain = frame.facts.gain_e_per_adu;
  evidence.gain_setting = frame.facts.gain_setting;
  evidence.level_adu = sky.median_level_adu();
  evidence.variance_adu2 = sky.median_noise_adu() * sky.median_noise_adu();
  evidence.sky = sky_samples(frame, sky);
  evidence.option_saturation_adu = options.saturation_adu;
  evidence.header_saturation_adu = frame.facts.saturation_adu;
  int at_top = 0;
  evidence.ceiling = ceiling_of(frame.pixels, bright, at_top);
  evidence.plateau = at_top >= kPlateau;
  const double range_end = frame.pixels.zero() + frame.pixels.scale() * 65535.0;
  evidence.full_range =
      at_top > 0 && std::holds_alternative<std::vector<std::uint16_t>>(frame.pixels.storage()) &&
      evidence.ceiling.adu >= 0.999 * range_end;
  return evidence;
}

std::optional<double> settled_gain(const CameraEvidence& evidence,
                                   const std::optional<GainEstimate>& estimate,
                                   std::optional<Statement>& remark) {
  if (evidence.option_gain) return evidence.option_gain;
  const double largest = largest_gain(evidence.level_adu, evidence.variance_adu2);
  if (evidence.header_gain && *evidence.header_gain > 0) {
    if (estimate ? agree(*evidence.header_gain, *estimate) : *evidence.header_gain < largest) {
      return evidence.header_gain;
    }
    remark =
        Statement{codes::gain_disagrees,
                  "the header's EGAIN disagrees with the sky's noise: it says " +
                      format_short(*evidence.header_gain) + " electrons for one ADU, the noise " +
                      (estimate ? format_short(estimate->e_per_adu)
                                : "at most " + format_short(largest / kMostOfLevel)) +
                      "; it is not used"};
    return estimate ? std::optional(estimate->e_per_adu) : std::nullopt;
  }
  if (evidence.gain_setting && *evidence.gain_setting > 0) {
    // Often the camera's own setting: believed where the sky's noise is neither above the photon
    // noise of the whole level nor far below.
    constexpr double kLeastOfLevel = 0.3;
    const double ratio = evidence.level_adu > 0
                             ? evidence.variance_adu2 * *evidence.gain_setting / evidence.level_adu
                             : 0.0;
    if (estimate ? agree(*evidence.gain_setting, *estimate)
                 : ratio > kLeastOfLevel && ratio < kMostOfLevel) {
      return evidence.gain_setting;
    }
  }
  return estimate ? std::optional(estimate->e_per_adu) : std::nullopt;
}

double saturation_level(const CameraEvidence& evidence) {
  constexpr int kPile = 6;  // exactly alike: no stars' peaks
  if (evidence.option_saturation_adu) return kNearlyFull * *evidence.option_saturation_adu;
  if (evidence.header_saturation_adu) {
    const bool lower =
        evidence.ceiling.pixels >= kPile && evidence.ceiling.adu < *evidence.header_saturation_adu;
    return kNearlyFull * (lower ? evidence.ceiling.adu : *evidence.header_saturation_adu);
  }
  return evidence.plateau || evidence.full_range ? kNearlyFull * evidence.ceiling.adu
                                                 : std::numeric_limits<double>::infinity();
}

}  // namespace starwaist::stars
