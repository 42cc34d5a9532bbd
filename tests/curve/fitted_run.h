// What the tests of the fit share: a noisy run, a fit of it from outside, and parts of an answer.
#pragma once

#include <Eigen/Dense>
#include <cmath>
#include <random>
#include <stdexcept>
#include <string>
#include <vector>

#include "curve/made_run.h"
#include "starwaist/curve.h"

namespace starwaist::made {

inline const ModelFit& model(const FitResult& result, CurveModel wanted) {
  for (const ModelFit& fit : result.models) {
    if (fit.model == wanted) return fit;
  }
  throw std::logic_error("no model " + enum_name(wanted));
}

inline std::string all_reasons(const FitResult& result) {
  std::string text;
  for (const auto& reason : result.reasons) text += reason.text + "\n";
  return text;
}

inline std::vector<CurvePoint> noisy_run() {
  auto points = run(Curve{}, 9, 5000, 400);
  std::mt19937_64 random(11);
  add_relative_noise(points, 0.03, random);
  return points;
}

// Best focus of a hyperbola through the points, by Gauss-Newton from the true one: the answer of
// someone who knows that the curve is even and every point good.
inline double even_hyperbola_best_focus(const std::vector<CurvePoint>& points, const Curve& truth) {
  Eigen::Vector3d p(truth.best_focus_steps, truth.smallest_px, truth.slope_px_per_step);
  for (int step = 0; step < 20; ++step) {
    Eigen::Matrix3d information = Eigen::Matrix3d::Zero();
    Eigen::Vector3d gradient = Eigen::Vector3d::Zero();
    for (const CurvePoint& point : points) {
      const double off = point.position_steps - p[0];
      const double size = std::hypot(p[1], p[2] * off);
      const Eigen::Vector3d by(-p[2] * p[2] * off / size, p[1] / size, p[2] * off * off / size);
      const double weight = 1 / (*point.sigma_px * *point.sigma_px);
      information += weight * by * by.transpose();
      gradient += weight * (*point.size_px - size) * by;
    }
    p += information.ldlt().solve(gradient);
  }
  return p[0];
}

}  // namespace starwaist::made
