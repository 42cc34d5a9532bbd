// The sky under the stars: a mesh of local levels and noises, interpolated between cell centres.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "stars/sky_surface.h"
#include "starwaist/frame.h"

namespace starwaist::stars {

// A disc whose pixels are left out of the sky because a star's light is in it.
struct MaskedDisc {
  double x_px = 0;
  double y_px = 0;
  double radius_px = 0;
};

// Level and noise of the sky on a grid of equal cells over the frame, linear between the cells'
// centres and on beyond the outermost.
class SkyMap {
 public:
  SkyMap(int width_px, int height_px, CellGrid level_adu, CellGrid noise_adu);

  // Takes the level off the pixels of a row from x_begin_px on.
  void subtract_from_row(int y_px, int x_begin_px, std::span<float> pixels) const {
    subtract(y_px, x_begin_px, 1, pixels);
  }
  // Takes the level off values that stand at x = first_x_px, first_x_px + step_px ...
  void subtract(double y_px, double first_x_px, double step_px, std::span<float> values) const;
  [[nodiscard]] double level_adu(double x_px, double y_px) const;
  [[nodiscard]] double noise_adu(double x_px, double y_px) const;
  [[nodiscard]] double median_level_adu() const { return median_level_adu_; }
  [[nodiscard]] double median_noise_adu() const { return median_noise_adu_; }

 private:
  [[nodiscard]] double interpolated(const CellGrid& grid, double x_px, double y_px) const;

  int width_px_;
  int height_px_;
  CellGrid level_adu_;
  CellGrid noise_adu_;
  double median_level_adu_;
  double median_noise_adu_;
  double cells_of_pixel_;           // along a row
  std::vector<double> run_end_px_;  // x of the next cell's centre
};

// Side of a mesh cell: wide against the largest star looked for, narrow against the frame.
int sky_cell_px(int width_px, int height_px);

// Per cell: median and lower-side spread of some of its pixels, the bright side cut at three sigma
// to convergence, a 3 x 3 median over cells to remove what a bright object leaves (the mesh of
// Bertin & Arnouts 1996, from memory); then refined_sky with nothing masked. Cells without enough
// sky take their neighbours' value. Absent where the frame has no pixel with a value. The same
// answer for any number of threads.
std::optional<SkyMap> map_sky(const Frame& frame, int threads);

// The map again with the stars masked: per cell the mean of the pixels outside every disc within
// four sigmas of the first map's level, and their lower-side spread; the level is the smooth
// surface through the means, so that the fall of light towards a frame's corners does not count as
// sky or stars. Absent where no pixel is left.
std::optional<SkyMap> refined_sky(const Frame& frame, const SkyMap& first,
                                  const std::vector<MaskedDisc>& discs, int threads);

}  // namespace starwaist::stars
