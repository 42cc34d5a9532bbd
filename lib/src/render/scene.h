// Everything of a run that chance or the options decide before light falls: the field, the hot
// pixels, and each frame's conditions. A frame's part depends on the seed and its index alone, so
// that frames can be made in any order.
//
// Module: render.
#pragma once

#include <string>
#include <vector>

#include "starwaist/render.h"

namespace starwaist::render {

// Independent random streams of one seed.
enum class Purpose {
  field = 1,
  hot_pixels = 2,
  conditions = 3,
  photons = 4,
  warm_pixels = 5,
  extended = 6,
  scenario = 7
};

struct HotPixel {
  int x_px = 0;
  int y_px = 0;
  double electrons = 0;  // of dark current, per frame
};

// A point of an extended object's light.
struct LightPoint {
  double x_px = 0;  // undithered
  double y_px = 0;
  double electrons = 0;  // per frame, at full transmission
};

// One frame before the exposure.
struct Conditions {
  std::string file;
  std::string time_utc;
  double position_steps = 0;
  double defocus_um = 0;  // of the field's centre
  double seeing_arcsec = 0;
  double shift_x_px = 0;
  double shift_y_px = 0;
  double transmission = 1;
  double sky_factor = 1;
  double sky_gradient = 0;
  double trail_px = 0;
  double trail_angle_deg = 0;
  double shake_px = 0;
  double temperature_c = 0;
};

// Light of the star that a share (0 to 1) of the field's stars outshines, in the mean of many
// fields.
double electrons_of_a_star(const RenderOptions& options, double share);

// Brightest first. Preconditions here and below: checked options, index inside the positions.
std::vector<RenderedStar> field_of(const RenderOptions& options);
// Warm neighbours are pixels of their own, some of them beyond the edge.
std::vector<HotPixel> hot_pixels_of(const RenderOptions& options);
std::vector<LightPoint> extended_light_of(const RenderOptions& options);
Conditions conditions_of(const RenderOptions& options, int index);

// How far the focus of frame `index` is from where its position says, for the mechanism's free play
// (steps outwards): 0 where it is taken up in the direction of the run's first move.
double slack_offset_steps(const RenderOptions& options, int index);

// How much farther out best focus is in frame `index` than best_focus_steps says (um).
double focus_drift_um(const RenderOptions& options, int index);

// Best focus at a place of the sensor less that at its centre: tilt and curvature (steps).
double field_focus_steps(const RenderOptions& options, double x_px, double y_px);

}  // namespace starwaist::render
