// Sums in circles on a stamp of pixels, and the radius that holds a given flux.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

namespace starwaist::stars {

// Area of the unit square centred at (dx, dy) that lies inside the circle of radius r round the
// origin. Error below 2e-3 for r >= 0.5 (Gauss-Legendre over five chords).
double circle_overlap(double dx, double dy, double r);

// Pixels of a square cut-out, background subtracted. Pixel (0, 0) of the stamp is pixel
// (x_begin_px, y_begin_px) of the frame. A pixel without a value or outside the frame is NaN.
struct Stamp {
  int x_begin_px = 0;
  int y_begin_px = 0;
  int width_px = 0;
  int height_px = 0;
  std::vector<float> pixels;

  [[nodiscard]] float at(int x, int y) const {
    return pixels[static_cast<std::size_t>(y) * static_cast<std::size_t>(width_px) +
                  static_cast<std::size_t>(x)];
  }
};

// Turns point samples into a mosaic of even squares with the same integral and moments up to the
// fourth: along each axis p - d2 p / 24 + 3 d4 p / 640 (central differences; the series of 1 /
// sinc). Summing pixels as even squares adds 1/12 px^2 to the second moment of each axis; this
// takes it out.
Stamp sharpened(const Stamp& stamp);

// Flux in circles round a centre on a mosaic of even squares of unit side. Squares are sorted into
// rings once; each evaluation then touches only the rim.
class RingSums {
 public:
  // Centre in the stamp's own indices. Squares without a value count as the mean of their ring.
  RingSums(const Stamp& mosaic, double x, double y, double limit);
  [[nodiscard]] double flux(double r) const;
  // Sum of distance times flux inside r.
  [[nodiscard]] double moment(double r) const;
  // Values of the squares with inner <= distance < outer.
  [[nodiscard]] std::vector<double> values_between(double inner, double outer) const;

 private:
  struct Square {
    float dx;
    float dy;
    float distance;
    float value;
  };
  double limit_;
  std::vector<Square> squares_;          // grouped by whole distance
  std::vector<std::size_t> ring_begin_;  // first square of ring k; one entry past the last ring
  std::vector<double> flux_below_;       // sum over rings < k
};

// The growth curve of one star: flux inside radius r round a centre, for any r up to `limit_px`.
// For a star whose half-flux radius is below kFineBelowPx the innermost pixels are interpolated
// (Lanczos) to fifths of a pixel first: even squares there err by some per cent with the place of
// the star within its pixel.
class GrowthCurve {
 public:
  static constexpr double kFineBelowPx = 3.0;
  // Takes the stamp's point samples (not sharpened), a centre in frame coordinates and the star's
  // expected half-flux radius.
  GrowthCurve(const Stamp& stamp, double x_px, double y_px, double limit_px, double size_px);

  // Flux inside r. 0 <= r <= limit_px.
  [[nodiscard]] double flux(double r_px) const;
  // Radius at which flux(r) first reaches `target` (> 0); the limit where it never does.
  [[nodiscard]] double radius_of(double target) const;
  // Sum of r * f over sum of f inside r: the flux-weighted mean radius. 0 where the flux is not
  // positive.
  [[nodiscard]] double mean_radius(double r_px) const;
  // Light in an annulus from the mean of its pixels within three spreads of their median, so that a
  // neighbour in a part of the annulus does not count; the plain difference where few pixels lie in
  // it. `noise_adu`: of one sky pixel.
  [[nodiscard]] double annulus_flux(double inner_px, double outer_px, double noise_adu) const;
  [[nodiscard]] double limit_px() const { return limit_px_; }

 private:
  double limit_px_;
  RingSums pixels_;
  std::optional<RingSums> fine_;  // in fifths of a pixel
  double fine_limit_px_ = 0;      // up to here the fine mosaic counts
  double fine_excess_ = 0;        // its flux at that radius less the pixels'
  double fine_excess_moment_ = 0;
};

}  // namespace starwaist::stars
