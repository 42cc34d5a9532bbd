#include "field/donut.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

namespace starwaist::donuts {
namespace {

// Parameters: centre x, y (px from the middle), ln radius, shadow less centre x, y over the radius,
// logit of the shadow's share of the radius, ln blur, rise x, y.
constexpr int kParameters = 9;
using Vector = Eigen::Matrix<double, kParameters, 1>;

// Share of a pixel inside a circle whose edge is `inside_px` beyond its centre.
float coverage(double inside_px) {
  return static_cast<float>(std::clamp(inside_px + 0.5, 0.0, 1.0));
}

double share_of(double logit) { return 0.05 + 0.8 / (1 + std::exp(-logit)); }

// Two round Gaussians: a core and wings, as seeing has.
cv::Mat blurred(const cv::Mat& image, double blur_px) {
  constexpr double kCore = 0.8;
  constexpr double kWings = 0.25;  // of the light
  cv::Mat core;
  cv::Mat wings;
  const auto blur = [&](cv::Mat& out, double sigma) {
    const int reach = 2 * static_cast<int>(std::ceil(3.5 * sigma)) + 1;
    cv::GaussianBlur(image, out, cv::Size(reach, reach), sigma, sigma, cv::BORDER_CONSTANT);
  };
  blur(core, kCore * blur_px);
  blur(wings, 2 * kCore * blur_px);
  return core * (1 - kWings) + wings * kWings;
}

cv::Mat drawn(const Vector& p, int size) {
  cv::Mat image(size, size, CV_32F);
  const double middle = size / 2;  // NOLINT: whole pixels
  const double radius = std::exp(p(2));
  const double hole = share_of(p(5)) * radius;
  const double cx = middle + p(0);
  const double cy = middle + p(1);
  const double hx = cx + p(3) * radius;
  const double hy = cy + p(4) * radius;
  for (int y = 0; y < size; ++y) {
    float* row = image.ptr<float>(y);
    for (int x = 0; x < size; ++x) {
      const double from_centre = std::hypot(x - cx, y - cy);
      const double from_shadow = std::hypot(x - hx, y - hy);
      const float light =
          std::max(0.0F, coverage(radius - from_centre) - coverage(hole - from_shadow));
      const double brightness = 1 + (p(7) * (x - cx) + p(8) * (y - cy)) / radius;
      row[x] = light * static_cast<float>(std::max(0.0, brightness));
    }
  }
  return blurred(image, std::clamp(std::exp(p(6)), 0.3, 0.5 * radius));
}

// Residuals with the best amplitude and level.
Eigen::VectorXd residuals_of(const Vector& p, const DonutImage& image) {
  const cv::Mat model = drawn(p, image.size);
  const auto n = static_cast<Eigen::Index>(image.values.size());
  const Eigen::Map<const Eigen::VectorXf> m(model.ptr<float>(0), n);
  const Eigen::Map<const Eigen::VectorXf> d(image.values.data(), n);
  const Eigen::VectorXd model_d = m.cast<double>();
  const Eigen::VectorXd data = d.cast<double>();
  const double mean_m = model_d.mean();
  const double mean_d = data.mean();
  const Eigen::VectorXd cm = model_d.array() - mean_m;
  const Eigen::VectorXd cd = data.array() - mean_d;
  const double square = cm.squaredNorm();
  const double amplitude = square > 0 ? cm.dot(cd) / square : 0.0;
  return cd - amplitude * cm;
}

}  // namespace

double central_dip(const DonutImage& image, double radius_px) {
  const int middle = image.size / 2;
  double inner = 0;
  double ring = 0;
  int inner_count = 0;
  int ring_count = 0;
  for (int y = 0; y < image.size; ++y) {
    for (int x = 0; x < image.size; ++x) {
      const double r = std::hypot(x - middle, y - middle) / radius_px;
      const float v = image.values[image.index(x, y)];
      if (r < 0.2) {
        inner += v;
        ++inner_count;
      } else if (r > 0.5 && r < 0.85) {
        ring += v;
        ++ring_count;
      }
    }
  }
  if (inner_count == 0 || ring_count == 0 || !(ring > 0)) return 0;
  return 1 - (inner / inner_count) / (ring / ring_count);
}

std::optional<DonutFit> fit_donut(const DonutImage& image, double start_radius_px) {
  Vector p = Vector::Zero();
  p(2) = std::log(start_radius_px);
  p(5) = -0.6;  // a shadow of a third
  p(6) = std::log(std::max(0.8, 0.15 * start_radius_px));
  Eigen::VectorXd residuals = residuals_of(p, image);
  double squares = residuals.squaredNorm();
  double damping = 1e-2;
  constexpr int kRounds = 40;
  bool settled = false;
  for (int round = 0; round < kRounds && !settled; ++round) {
    Eigen::MatrixXd jacobian(residuals.size(), kParameters);
    for (int k = 0; k < kParameters; ++k) {
      const double h = k < 2 ? 0.05 : 0.01;
      Vector up = p;
      Vector down = p;
      up(k) += h;
      down(k) -= h;
      jacobian.col(k) = (residuals_of(up, image) - residuals_of(down, image)) / (2 * h);
    }
    const Eigen::MatrixXd normal = jacobian.transpose() * jacobian;
    const Eigen::VectorXd right = jacobian.transpose() * residuals;
    bool better = false;
    for (int attempt = 0; attempt < 8 && !better; ++attempt) {
      Eigen::MatrixXd damped = normal;
      damped.diagonal() *= 1 + damping;
      damped.diagonal().array() += 1e-12 * normal.trace();
      Vector next = p - damped.ldlt().solve(right);
      next(5) = std::clamp(next(5), -4.0, 4.0);
      if (!next.allFinite() || std::abs(next(2) - std::log(start_radius_px)) > 1.0) {
        damping *= 10;
        continue;
      }
      const Eigen::VectorXd tried = residuals_of(next, image);
      if (tried.squaredNorm() < squares) {
        settled = squares - tried.squaredNorm() < 1e-5 * squares;
        p = next;
        residuals = tried;
        squares = tried.squaredNorm();
        damping = std::max(1e-6, 0.3 * damping);
        better = true;
      } else {
        damping *= 10;
      }
    }
    if (!better) settled = true;
  }
  DonutFit fit;
  fit.radius_px = std::exp(p(2));
  fit.hole_of_radius = share_of(p(5));
  fit.outline_x = p(3);
  fit.outline_y = p(4);
  fit.rise_x = p(7);
  fit.rise_y = p(8);
  fit.blur_px = std::exp(p(6));
  const bool inside = std::hypot(p(3), p(4)) + fit.hole_of_radius < 1.0;
  if (!settled || !inside || std::hypot(p(0), p(1)) > 0.5 * fit.radius_px) return std::nullopt;
  return fit;
}

}  // namespace starwaist::donuts
