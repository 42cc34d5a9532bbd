// The sky under the stars: a mesh of local levels and noises, interpolated between cell centres.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "starwaist/frame.h"

namespace starwaist::stars {

// A disc whose pixels are left out of the sky because a star's light is in it.
struct MaskedDisc {
  double x_px = 0;
  double y_px = 0;
  double radius_px = 0;
};

// Level and noise of the sky on a grid of square cells, linear between the cells' centres and
// constant outside them.
class SkyMap {
 public:
  SkyMap(int cell_px, int columns, int rows, std::vector<float> level_adu,
         std::vector<float> noise_adu);

  // Takes the level off the pixels of a row from x_begin_px on.
  void subtract_from_row(int y_px, int x_begin_px, std::span<float> pixels) const;
  [[nodiscard]] double level_adu(double x_px, double y_px) const;
  [[nodiscard]] double noise_adu(double x_px, double y_px) const;
  [[nodiscard]] double median_level_adu() const { return median_level_adu_; }
  [[nodiscard]] double median_noise_adu() const { return median_noise_adu_; }
  [[nodiscard]] int cell_px() const { return cell_px_; }
  // By cell, row by row.
  [[nodiscard]] float cell_level_adu(std::size_t cell) const { return level_adu_[cell]; }
  [[nodiscard]] float cell_noise_adu(std::size_t cell) const { return noise_adu_[cell]; }

 private:
  // Calls run(begin, end, level at begin, slope a pixel) for stretches on which it is linear;
  // begin and end count from x_begin_px.
  template <class Run>
  void for_each_run(int y_px, int x_begin_px, int count, Run&& run) const;
  [[nodiscard]] double interpolated(const std::vector<float>& grid, double x_px, double y_px) const;

  int cell_px_;
  int columns_;
  int rows_;
  std::vector<float> level_adu_;
  std::vector<float> noise_adu_;
  double median_level_adu_;
  double median_noise_adu_;
};

// Side of a mesh cell: wide against the largest star looked for, narrow against the frame.
int sky_cell_px(int width_px, int height_px);

// Per cell: median and lower-side spread of some of its pixels, the bright side cut at three sigma
// to convergence, then refined_sky with nothing masked. Cells without enough sky take their
// neighbours' value; a 3 x 3 median over cells removes what a bright object leaves (the mesh of
// Bertin & Arnouts 1996, from memory). Absent where the frame has no pixel with a value. The same
// answer for any number of threads.
std::optional<SkyMap> map_sky(const Frame& frame, int threads);

// The map again with the stars masked: the mean of the pixels outside every disc within four sigmas
// of the first map's level, and their lower-side spread. Absent where no pixel is left.
std::optional<SkyMap> refined_sky(const Frame& frame, const SkyMap& first,
                                  const std::vector<MaskedDisc>& discs, int threads);

}  // namespace starwaist::stars
