// The camera of the frames and the sky above it.
#pragma once

#include <cmath>

namespace starwaist::bench::star_truth {

constexpr double kSkyE = 300;  // per pixel
constexpr double kReadNoiseE = 3;
constexpr double kGainEPerAdu = 0.8;
constexpr double kBiasAdu = 500;

inline double sky_sigma_e() { return std::sqrt(kSkyE + kReadNoiseE * kReadNoiseE); }

}  // namespace starwaist::bench::star_truth
