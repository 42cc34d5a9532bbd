// How well points at given places determine best focus: Fisher's information of the focus curve.
#pragma once

#include <array>
#include <cstddef>
#include <optional>

#include "curve/curve_shape.h"
#include "starwaist/conditions.h"

namespace starwaist::advice {

// The blur of the rig's pupil for half-flux radii, else a hyperbola.
curve::Shape shape_of(SizeMeasure size, const Rig& rig);

// Relative noise of one point that is the mean of `frames`.
struct PointNoise {
  double measuring = 0.01;  // of one frame
  double seeing = 0.03;     // seeing scatter times the seeing's share
  int frames = 1;
};
// Of one frame under these conditions.
PointNoise noise_of_frame(const ObservingConditions& conditions);

// How ln size at one place changes with (best focus in B, ln smallest size, ln slope), and with
// what is not fitted.
struct SizeRow {
  std::array<double, 3> by_parameter{};
  double by_seeing = 0;        // ln of its width
  double by_lopsidedness = 0;  // of an even curve; see curve/shape_fit.h
};
// At u = (x - x0) / B.
SizeRow size_row(const curve::Shape& shape, double u);

// Relative variance of a point there.
double variance_of(const SizeRow& row, const PointNoise& noise);

// Information on (best focus in B, ln smallest size, ln slope) from relative sizes.
class Information {
 public:
  // A size there with a weight, 1 / variance where it is its own.
  void add(const SizeRow& row, double weight);
  // A point at u = (x - x0) / B.
  void add(const curve::Shape& shape, double u, const PointNoise& noise);
  // Standard deviation of best focus in B; absent where the points do not determine it.
  [[nodiscard]] std::optional<double> sigma() const { return sigma_of(0); }
  // The same of ln slope.
  [[nodiscard]] std::optional<double> log_slope_sigma() const { return sigma_of(2); }
  // The inverse times a vector: of the rows times weights and sizes the parameters that they give.
  // Absent as above.
  [[nodiscard]] std::optional<std::array<double, 3>> solved(
      const std::array<double, 3>& vector) const;

 private:
  [[nodiscard]] std::optional<double> sigma_of(std::size_t parameter) const;

  std::array<std::array<double, 3>, 3> matrix_{};
};

// By what the error of fit_curve exceeds the bound, at n points: it weighs which points are bad,
// whether the curve is lopsided and how the noise is spread, all of which cost where nothing is the
// matter.
double fit_cost(int points);

// u at which the curve is `ratio` (>= 1) times its smallest.
double distance_of_ratio(const curve::Shape& shape, double ratio);

}  // namespace starwaist::advice
