#include "night/motion.h"

#include <algorithm>
#include <cmath>

#include "night/lower_sigma.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

constexpr double kLeastCoherence = 0.5;
constexpr double kLeastElongation = 0.12;  // of ln(major / minor)

// ln(major / minor) of each frame, zero where it is not known.
struct Elongations {
  std::vector<double> by_frame;
  std::vector<double> known;
};

Elongations elongations_of(std::span<const NightFrame> frames) {
  constexpr double kMostEccentricity = 0.995;  // keeps the logarithm finite
  Elongations found{std::vector<double>(frames.size(), 0.0), {}};
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!frames[i].eccentricity) continue;
    const double e = std::min(*frames[i].eccentricity, kMostEccentricity);
    found.by_frame[i] = -0.5 * std::log1p(-e * e);
    found.known.push_back(found.by_frame[i]);
  }
  return found;
}

// What each frame has without motion. Stars out of focus may be drawn out by astigmatism: they are
// held against those of like focus.
std::vector<double> usual_elongations(std::span<const NightFrame> frames,
                                      const Elongations& elongations,
                                      std::span<const double> focus) {
  constexpr double kLikeFocus = 0.08;
  constexpr std::size_t kFewestAlike = 5;
  const double everywhere = sample_quantile(elongations.known, 0.4);
  std::vector<double> usual(frames.size(), everywhere);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (focus[i] < kLikeFocus) continue;
    std::vector<double> alike;
    for (std::size_t j = 0; j < frames.size(); ++j) {
      if (frames[j].eccentricity && std::abs(focus[j] - focus[i]) < kLikeFocus) {
        alike.push_back(elongations.by_frame[j]);
      }
    }
    if (alike.size() >= kFewestAlike) usual[i] = std::max(everywhere, median(alike));
  }
  return usual;
}

// ln of the size's growth where the minor axis stays: the second moment grows by (1 + (a/b)^2) / 2.
double growth_by_elongation(double elongation) {
  return 0.5 * std::log((1 + std::exp(2 * elongation)) / 2);
}

// Growths of the nearest frames that are not drawn out.
std::vector<double> growths_around(std::size_t frame, const std::vector<bool>& drawn,
                                   std::span<const std::optional<double>> growth) {
  constexpr std::size_t kEnough = 6;
  std::vector<double> around;
  for (std::size_t away = 1; away < growth.size() && around.size() < kEnough; ++away) {
    if (frame >= away && !drawn[frame - away] && growth[frame - away]) {
      around.push_back(*growth[frame - away]);
    }
    if (frame + away < growth.size() && !drawn[frame + away] && growth[frame + away]) {
      around.push_back(*growth[frame + away]);
    }
  }
  return around;
}

}  // namespace

std::vector<std::optional<double>> judge_motion(const TakenFrames& taken,
                                                std::span<const double> focus) {
  const auto& frames = taken.frames;
  std::vector<std::optional<double>> moved(frames.size());
  const Elongations elongations = elongations_of(frames);
  constexpr std::size_t kFewest = 3;
  if (elongations.known.size() < kFewest) return moved;
  const double limit = std::max(kLeastElongation, 5 * lower_sigma(elongations.known));
  const std::vector<double> usual = usual_elongations(frames, elongations, focus);
  std::vector<bool> drawn(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    drawn[i] = frames[i].eccentricity && elongations.by_frame[i] - usual[i] > limit &&
               frames[i].elongation_coherence.value_or(0) >= kLeastCoherence;
  }
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!drawn[i]) continue;
    const double motion =
        growth_by_elongation(elongations.by_frame[i]) - growth_by_elongation(usual[i]);
    if (taken.growth[i]) {
      const std::vector<double> around = growths_around(i, drawn, taken.growth);
      // The minor axis grew as well: defocus with astigmatism, or seeing.
      if (!around.empty() && *taken.growth[i] - median(around) > 1.7 * motion + 0.1) continue;
    }
    moved[i] = motion;
  }
  return moved;
}

}  // namespace starwaist::night
