// Frames of stars whose places, fluxes and profile are known.
#pragma once

#include <cstdint>
#include <functional>
#include <random>
#include <vector>

#include "star_truth/truth.h"
#include "starwaist/frame.h"
#include "support/analytic_stars.h"

namespace starwaist::bench::star_truth {

struct PlacedStar {
  double x_px = 0;
  double y_px = 0;
  double flux_e = 0;
  bool faint = false;  // of matched signal-to-noise 10, for completeness only
};

struct Scene {
  int width_px = 0;
  int height_px = 0;
  std::vector<PlacedStar> stars;
};

constexpr double kFaintMatchedSnr = 10;
constexpr double kLeastSeparationPx = 60;    // between stars, or 7 half-flux radii
constexpr double kDefectSeparationPx = 100;  // frames of a megapixel
constexpr double kUsualGradient = 0.04;      // of the sky, across the frame

// 8 x 8 stars in places of their own, at random inside a pixel and a little beyond.
Scene make_scene(const Known& truth, double least_separation_px,
                 const std::function<double(int)>& flux_of_star, std::mt19937_64& random);

// Stars of all brightnesses, as a real field has them: SNR 15 to 400, numbers fall as flux^-0.75.
Scene make_field(const Known& truth, double least_separation_px, std::mt19937_64& random);

// The same brightnesses at random places of a frame, so many on a megapixel.
Scene make_crowd(const Known& truth, double per_megapixel, std::mt19937_64& random);

// A sky without stars or noise.
analytic::Image sky_of(const Scene& scene, double gradient);

// Sky and stars, without noise.
analytic::Image electrons_of(const Truth& truth, const Scene& scene, double gradient);

// Makes a mosaic (red, green / green, blue) of it: sky and stars are weaker in red and blue.
void take_colours(analytic::Image& electrons);

// Electrons to ADU; without `facts` the frame does not tell its gain and read noise.
Frame expose(const analytic::Image& electrons, std::uint64_t seed, bool facts);

}  // namespace starwaist::bench::star_truth
