// Seeing that one frame hands on to the next: a walk in fine steps of time that is drawn back to
// its mean, so that nothing here is the first-order formula that a plan counts with.
#pragma once

#include <cmath>
#include <cstddef>
#include <random>
#include <vector>

namespace starwaist::bench {

struct SeeingWalk {
  double jitter = 0.03;      // standard deviation of ln seeing
  double scale_frames = 2;   // in which what it was is forgotten to 1 / e
  double spoiled_share = 0;  // of the frames: half of them lost, half trailed
  double measuring = 0.01;   // relative error of a size
};

// ln seeing over its mean at each frame.
inline std::vector<double> seeing_of(const SeeingWalk& walk, std::size_t frames,
                                     std::mt19937_64& random) {
  constexpr int kStepsAFrame = 40;
  std::normal_distribution<double> normal;
  const double back = 1.0 / (kStepsAFrame * walk.scale_frames);
  const double kick = walk.jitter * std::sqrt(2 * back);
  double at = walk.jitter * normal(random);
  std::vector<double> list;
  for (std::size_t i = 0; i < frames; ++i) {
    list.push_back(at);
    for (int k = 0; k < kStepsAFrame; ++k) at += kick * normal(random) - back * at;
  }
  return list;
}

}  // namespace starwaist::bench
