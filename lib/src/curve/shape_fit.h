// Fit of a curve shape (hyperbola, blur curve) to the samples, and its profile in t0.
//
// The shapes are even; a real curve is a little lopsided. Spherical aberration puts the smallest
// star beside the point where the two straight arms would meet: the arms keep their slopes and are
// moved together against the core. So size = H0 h(u + a q(u)), u = k (t - t0) / H0 and q = 1 - 1 /
// sqrt(1 + u^2), which is 0 with no slope at best focus and 1 far out: whatever the lopsidedness a,
// the smallest star stays at t0.
//
// a is hardly seen in a short run and matters little in a noisy one. It has a prior of its own, one
// more residual a / sigma_a. Two are weighed against each other by their evidence: kEven, a curve
// without lopsidedness, and kLopsided. So a run that knows nothing of a leaves it near 0 and its
// interval widens by what it might be; one that shows it has it fitted.
#pragma once

#include <Eigen/Core>
#include <cmath>
#include <optional>

#include "curve/least_squares.h"
#include "curve/priors.h"
#include "curve/samples.h"
#include "curve/shape.h"

namespace starwaist::curve {

// Standard deviation of a's prior that holds it at 0; kLopsided of priors.h is the other one.
inline constexpr double kEven = 1e-4;

// H0 has one too, which is felt only far below the small sizes that were seen: under kLeastSize of
// them it rises as a Gaussian's tail. Data that see the bottom of the curve never meet it; without
// it a run whose sizes make a V (rings measured short, steps wider than the core) would be fitted
// by a curve without a core.
inline constexpr double kLeastSize = 0.4;
inline constexpr double kSizeSpread = 0.3;  // of ln H0 below that

// exp, with the logarithm kept within +-12: a search that runs off (a curve without a core, without
// a slope) stays among finite numbers.
double bounded_exp(double logarithm);

// Parameters in scaled units: t0, ln H0, ln k, a. The logarithms keep size and slope positive.
constexpr int kShapeParameters = 4;
// Those that the points alone must determine; a has its prior.
constexpr int kFreeShapeParameters = 3;
using ShapeParameters = Eigen::Matrix<double, kShapeParameters, 1>;

// ln of the second smallest size among the points in use (the smallest may be a bad point).
double log_small_size(const Samples& samples);

// The curve at one t: size and how it changes with u (lopsidedness included) and with a.
struct CurveValue {
  double h;      // size / H0
  double u;      // distance from best focus
  double slope;  // dh / du
  double by_a;   // dh / da
};
CurveValue curve_at(const Shape& shape, const ShapeParameters& parameters, double t);

// The points' residuals and, last, those of the priors of ln H0 and of a.
class ShapeResiduals {
 public:
  static constexpr int kParameters = kShapeParameters;
  ShapeResiduals(const Samples& samples, const Shape& shape, double sigma_a)
      : samples_(samples),
        shape_(shape),
        sigma_a_(sigma_a),
        least_log_(log_small_size(samples) + std::log(kLeastSize)) {}
  [[nodiscard]] int count() const { return static_cast<int>(samples_.count()) + 2; }
  void evaluate(const double* p, double* residuals, double* jacobian) const {
    evaluate(p[0], p + 1, residuals, jacobian, jacobian == nullptr ? nullptr : jacobian + count());
  }
  // `rest`: ln H0, ln k, a. `by_t0` takes the derivatives by t0, `by_rest` the three columns of the
  // others; either may be null.
  void evaluate(double t0, const double* rest, double* residuals, double* by_t0,
                double* by_rest) const;
  // J^T J, J^T r and r^T r in one pass.
  struct Sums {
    Eigen::Matrix<double, kShapeParameters, kShapeParameters> information;  // lower triangle
    ShapeParameters gradient;
    double squares;
  };
  [[nodiscard]] Sums sums(const ShapeParameters& parameters) const;

 private:
  const Samples& samples_;
  const Shape& shape_;
  double sigma_a_;
  double least_log_;
};

// The same with t0 held: parameters ln H0, ln k, a.
class ShapeResidualsAt {
 public:
  static constexpr int kParameters = kShapeParameters - 1;
  ShapeResidualsAt(const ShapeResiduals& all, double t0) : all_(all), t0_(t0) {}
  [[nodiscard]] int count() const { return all_.count(); }
  void evaluate(const double* p, double* residuals, double* jacobian) const {
    all_.evaluate(t0_, p, residuals, nullptr, jacobian);
  }

 private:
  ShapeResiduals all_;
  double t0_;
};

using ShapeFit = LeastSquaresFit<kShapeParameters>;
using HeldParameters = Eigen::Matrix<double, kShapeParameters - 1, 1>;

// Relative steps that end a search from far. The last step is smaller than the tolerance and what
// is left is a small part of it; best focus is hardly ever known to a thousandth of the half range.
inline constexpr double kShapeTolerance = 1e-5;
// Where only the sum of squares counts: the parameters' error enters it by its square.
inline constexpr double kSquaresTolerance = 1e-4;

// The smallest sum of squares with t0 held, and how it changes with t0.
struct ProfilePoint {
  double squares = 0;
  double slope = 0;
};

// Solves many fits of one data set. From a near start it takes plain Gauss-Newton steps, on normal
// equations that are summed while the curve is evaluated; where one of those does not lower the
// squares, or the points hardly determine the curve, the general solver takes over.
class ShapeFitter {
 public:
  explicit ShapeFitter(Shape shape, double sigma_a = kEven) : shape_(shape), sigma_a_(sigma_a) {}

  // Best of several starts. Not usable where the points determine no curve.
  ShapeFit fit(const Samples& samples);
  // From one start, which must be near (a fit of nearly the same points).
  ShapeFit refit(const Samples& samples, const ShapeFit& start);
  // `start` gives ln H0, ln k and a and is updated. `close_enough`: error of the sum of squares
  // that does not matter.
  ProfilePoint profile_at(const Samples& samples, double t0, HeldParameters& start,
                          double close_enough);
  // The same to what a search needs: a millionth of itself.
  double sum_of_squares_at(const Samples& samples, double t0, HeldParameters& start);

  [[nodiscard]] const Shape& shape() const { return shape_; }
  [[nodiscard]] double sigma_a() const { return sigma_a_; }

 private:
  Shape shape_;
  double sigma_a_;
  LeastSquares<ShapeResiduals> free_;
  LeastSquares<ShapeResidualsAt> held_;
};

// Size in scaled units at t.
double shape_size(const Shape& shape, const ShapeParameters& parameters, double t);

}  // namespace starwaist::curve
