// Fit of a symmetric curve shape (hyperbola, blur curve) to the samples, and its profile in x0.
#pragma once

#include <Eigen/Core>
#include <optional>

#include "curve/least_squares.h"
#include "curve/samples.h"
#include "curve/shape.h"

namespace starwaist::curve {

// exp, with the logarithm kept within +-12: a search that runs off (a curve without a core, without
// a slope) stays among finite numbers.
double bounded_exp(double logarithm);

// Parameters in scaled units: t0, ln H0, ln k. The logarithms keep size and slope positive.
class ShapeResiduals {
 public:
  static constexpr int kParameters = 3;
  ShapeResiduals(const Samples& samples, const Shape& shape) : samples_(samples), shape_(shape) {}
  [[nodiscard]] int count() const { return static_cast<int>(samples_.count()); }
  void evaluate(const double* p, double* residuals, double* jacobian) const;

 private:
  const Samples& samples_;
  const Shape& shape_;
};

// The same with t0 held: parameters ln H0, ln k.
class ShapeResidualsAt {
 public:
  static constexpr int kParameters = 2;
  ShapeResidualsAt(const Samples& samples, const Shape& shape, double t0)
      : samples_(samples), shape_(shape), t0_(t0) {}
  [[nodiscard]] int count() const { return static_cast<int>(samples_.count()); }
  void evaluate(const double* p, double* residuals, double* jacobian) const;

 private:
  const Samples& samples_;
  const Shape& shape_;
  double t0_;
};

using ShapeFit = LeastSquaresFit<3>;

// Solves many fits of one data set; keeps the solvers' memory between them.
class ShapeFitter {
 public:
  explicit ShapeFitter(Shape shape) : shape_(shape) {}

  // Best of several starts. Not usable where the points determine no curve.
  ShapeFit fit(const Samples& samples);
  // From one start, which must be near (a fit of nearly the same points).
  ShapeFit refit(const Samples& samples, const ShapeFit& start);
  // The smallest sum of squares with t0 held; `start` gives ln H0 and ln k and is updated.
  double sum_of_squares_at(const Samples& samples, double t0, Eigen::Vector2d& start);

  [[nodiscard]] const Shape& shape() const { return shape_; }

 private:
  Shape shape_;
  LeastSquares<ShapeResiduals> free_;
  LeastSquares<ShapeResidualsAt> held_;
};

// Size in scaled units at t for parameters t0, ln H0, ln k.
double shape_size(const Shape& shape, const Eigen::Vector3d& parameters, double t);

}  // namespace starwaist::curve
