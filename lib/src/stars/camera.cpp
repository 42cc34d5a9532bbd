#include "stars/camera.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <variant>

namespace starwaist::stars {

double saturation_level(const Frame& frame, const MeasureOptions& options,
                        const std::vector<Candidate>& bright) {
  constexpr double kNearlyFull = 0.98;  // response bends before the converter's end
  if (options.saturation_adu) return kNearlyFull * *options.saturation_adu;
  if (frame.facts.saturation_adu) return kNearlyFull * *frame.facts.saturation_adu;
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  constexpr int kReach = 2;
  constexpr std::size_t kLooked = 200;
  std::vector<double> tops;
  for (std::size_t i = 0; i < std::min(bright.size(), kLooked); ++i) {
    const int cx = static_cast<int>(std::lround(bright[i].x_px));
    const int cy = static_cast<int>(std::lround(bright[i].y_px));
    for (int y = std::max(0, cy - kReach); y <= std::min(height - 1, cy + kReach); ++y) {
      for (int x = std::max(0, cx - kReach); x <= std::min(width - 1, cx + kReach); ++x) {
        const double value = frame.pixels.at(x, y);
        if (std::isfinite(value)) tops.push_back(value);
      }
    }
  }
  if (tops.empty()) return std::numeric_limits<double>::infinity();
  const double top = *std::max_element(tops.begin(), tops.end());
  const auto at_top = std::count_if(tops.begin(), tops.end(),
                                    [top](double t) { return t >= top - 1e-3 * std::abs(top); });
  constexpr int kPlateau = 4;  // pixels that agree to 0.1 % are a ceiling, not a peak
  const bool whole_counts =
      std::holds_alternative<std::vector<std::uint16_t>>(frame.pixels.storage());
  const double range_end = frame.pixels.zero() + frame.pixels.scale() * 65535.0;
  const bool plateau = at_top >= kPlateau;
  const bool full_range = whole_counts && top >= 0.999 * range_end;
  return plateau || full_range ? kNearlyFull * top : std::numeric_limits<double>::infinity();
}

std::optional<double> believable_gain(const Frame& frame, const MeasureOptions& options,
                                      const SkyMap& sky) {
  if (options.gain_e_per_adu) return options.gain_e_per_adu;
  if (frame.facts.gain_e_per_adu && *frame.facts.gain_e_per_adu > 0)
    return frame.facts.gain_e_per_adu;
  // GAIN is often the camera's own setting. Photon noise of the whole level (an offset included) is
  // variance = level / gain: a gain for which the sky's noise is neither above that nor far below
  // is believed.
  const double level = sky.median_level_adu();
  const double variance = sky.median_noise_adu() * sky.median_noise_adu();
  if (frame.facts.gain_setting && *frame.facts.gain_setting > 0 && level > 0 && variance > 0) {
    const double ratio = variance * *frame.facts.gain_setting / level;
    if (ratio > 0.3 && ratio < 1.3) return frame.facts.gain_setting;
  }
  return std::nullopt;
}

}  // namespace starwaist::stars
