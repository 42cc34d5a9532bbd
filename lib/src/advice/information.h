// How well points at given places determine best focus: Fisher's information of the focus curve.
#pragma once

#include <array>
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

// Information on (best focus in B, ln smallest size, ln slope) from relative sizes.
class Information {
 public:
  // A point at u = (x - x0) / B.
  void add(const curve::Shape& shape, double u, const PointNoise& noise);
  // A part found before, so many times; -1 takes it out.
  void add(const Information& part, int times);
  // Standard deviation of best focus in B; absent where the points do not determine it.
  [[nodiscard]] std::optional<double> sigma() const { return sigma_of(0); }
  // The same of ln slope.
  [[nodiscard]] std::optional<double> log_slope_sigma() const { return sigma_of(2); }

 private:
  [[nodiscard]] std::optional<double> sigma_of(int parameter) const;

  std::array<std::array<double, 3>, 3> matrix_{};
};

// By what the error of fit_curve exceeds the bound, at n points: it weighs which points are bad,
// whether the curve is lopsided and how the noise is spread, all of which cost where nothing is the
// matter.
double fit_cost(int points);

// u at which the curve is `ratio` (>= 1) times its smallest.
double distance_of_ratio(const curve::Shape& shape, double ratio);

}  // namespace starwaist::advice
