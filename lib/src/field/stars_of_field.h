// The sizes of a run's stars, each with its place in the field.
//
// Private header of module field.
#pragma once

#include <array>
#include <cstddef>
#include <span>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/stars.h"

namespace starwaist::over_field {

constexpr int kShapes = 3;  // tilt x, tilt y, curvature

// What the three shapes of the field are at a place.
using ShapesAt = std::array<double, kShapes>;

ShapesAt shapes_at(const FrameMeasurement& frame, double x_px, double y_px);

// One star in one frame.
struct StarInFrame {
  std::size_t star = 0;
  std::size_t frame = 0;
  double log_size = 0;
  double variance = 0;
  ShapesAt shapes{};
};

struct StarsOfField {
  std::vector<double> position_steps;  // by frame
  std::vector<StarInFrame> rows;       // star by star
  std::size_t stars = 0;
  std::vector<std::array<double, 2>> place;  // by star: fraction of width and height
};

// The brightest stars that are seen on both sides of `centre_steps` and in half of the frames or
// more, from the frames that the curve did not reject.
StarsOfField stars_of_field(const FrameGroup& frames, std::span<const StarTrack> tracks,
                            const FitResult& fit, double centre_steps);

// Sizes within a frame as they are and not as they were measured: see kSizeResponse.
void take_out_response(StarsOfField& data);

}  // namespace starwaist::over_field
