// Star images over the range of defocus that a frame's field has.
//
// Module: render.
#pragma once

#include <vector>

#include "starwaist/render.h"

namespace starwaist::render {

// One image where the whole field has the same defocus; otherwise images at even steps of defocus,
// a star between two of them being their weighted mean.
class StarImages {
 public:
  // Images for defocus from lowest_um to highest_um.
  static Result<StarImages> make(const RenderOptions& options, double lowest_um, double highest_um,
                                 double seeing_arcsec, double trail_px, double shake_px = 0);

  // Adds a star of so many electrons centred (paraxially) at (x_px, y_px) to an image of width x
  // height values. Light below `least_electrons` a pixel is left out.
  void add_star(std::vector<double>& image, int width_px, int height_px, double x_px, double y_px,
                double defocus_um, double electrons, double least_electrons) const;

  // Convolves an image of width x height values with the star image at a defocus; light from beyond
  // the edges counts as none.
  void convolve(std::vector<double>& image, int width_px, int height_px, double defocus_um) const;

  // Noise-free half-flux radius at a defocus, interpolated as the images are.
  [[nodiscard]] double half_flux_radius_px(double defocus_um) const;

 private:
  struct Node {
    PointSpread spread;
    std::vector<float> brightest_beyond;  // [r]: brightest value r px or more from the centre
    double half_flux_radius_px = 0;
  };

  // The two images around a defocus, and the share of the second.
  void bracket(double defocus_um, std::size_t& below, std::size_t& above, double& share) const;

  double lowest_um_ = 0;
  double step_um_ = 0;
  std::vector<Node> nodes_;
};

}  // namespace starwaist::render
