// Wavefront error over the pupil, and the rays that follow from it.
//
// Module: render. Pupil coordinates (u, v): 1 at the rim.
#pragma once

#include "starwaist/render.h"

namespace starwaist::render {

class Wavefront {
 public:
  Wavefront(const RenderOptions& options, double defocus_um);

  [[nodiscard]] double error_um(double u, double v) const;
  // Where the light of a pupil point lands (um): 2 N dW/d(u, v).
  void landing_um(double u, double v, double& x_um, double& y_um) const;
  // Farthest landing point from the axis (um).
  [[nodiscard]] double spot_radius_um() const;

 private:
  double f_number_;
  double defocus_w020_um_;
  double spherical_um_;
  double coma_x_um_;  // components along x and y
  double coma_y_um_;
  double astigmatism_um_;
  double astigmatism_cos_;
  double astigmatism_sin_;
};

}  // namespace starwaist::render
