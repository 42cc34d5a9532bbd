#include "drift/line_posterior.h"

#include <algorithm>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <cstdint>
#include <limits>
#include <numbers>
#include <utility>

#include "drift/run_scatter.h"
#include "starwaist/statistics.h"

namespace starwaist::drift {

namespace {

using numerics::fit_linear;
using numerics::LinearFit;

// From here on tau is known to 4 % and one value serves: intervals change by less than a hundredth.
constexpr double kManyFreedoms = 300;
// Natural logarithm of the density at which the tails of tau are cut: 1e-8 of the peak, 1e-2 in
// coarse ones.
constexpr double kCut = 18;
constexpr double kCoarseCut = 5;

constexpr double kLeastWeight = 1e-10;  // of a component

// One scatter on the grid: the coefficients there and the density of log tau.
struct ScatterPoint {
  double tau_squared = 0;
  double log_density = 0;
  LinearFit fit;
};

struct ScatterGrid {
  double start = 0;  // log tau
  double step = 0;
  double cut = 0;  // the grid ends where the log density lies so far below the peak
};

// From the start up, then from the start down. The density is the restricted likelihood times the
// prior.
std::vector<ScatterPoint> along_scatter(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                                        const Eigen::VectorXd& sigma_squared,
                                        const ScatterGrid& grid) {
  const double typical = std::sqrt(sigma_squared.mean());
  double peak = -std::numeric_limits<double>::infinity();
  std::vector<ScatterPoint> points;
  for (const double direction : {1.0, -1.0}) {
    constexpr int kMostSteps = 2000;
    for (int i = direction > 0 ? 0 : 1; i < kMostSteps; ++i) {
      const double log_tau = grid.start + direction * i * grid.step;
      const double tau_squared = std::exp(2 * log_tau);
      const Eigen::VectorXd variance = variances(sigma_squared, tau_squared);
      LinearFit fit = fit_linear(x, y, variance);
      if (!fit.usable) break;
      const double density =
          -0.5 * (variance.array().log().sum() + fit.log_det_information + fit.chi_squared) +
          log_tau - 0.5 * std::log(tau_squared + typical * typical);
      if (!std::isfinite(density)) break;
      points.push_back({tau_squared, density, std::move(fit)});
      if (density < peak - grid.cut) break;
      peak = std::max(peak, density);
    }
  }
  return points;
}

double normal_at(double z) {
  return 0.5 * std::erfc(-z * 0.70710678118654752);  // 1 / sqrt 2
}

}  // namespace

void LinePosterior::add(double tau_squared, double weight, double temperature_variance,
                        const LinearFit& fit) {
  components_.push_back(
      {weight, tau_squared, temperature_variance, fit.coefficients, fit.covariance});
}

LinePosterior::LinePosterior(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                             const Eigen::VectorXd& sigma_squared, double temperature_variance,
                             Fineness fineness) {
  const auto freedom = static_cast<double>(x.rows() - x.cols());
  const double scatter_scale = std::sqrt(run_scatter_squared(x, y, sigma_squared));
  const double typical = std::sqrt(sigma_squared.mean());
  const double size = std::max(1e-9, y.cwiseAbs().maxCoeff());
  if (freedom > kManyFreedoms || !(std::max(typical, scatter_scale) > 1e-12 * size)) {
    const double tau_squared = std::exp(2 * std::log(std::max(scatter_scale, 1e-12)));
    const LinearFit fit = fit_linear(x, y, variances(sigma_squared, tau_squared));
    if (!fit.usable) return;
    add(tau_squared, 1, temperature_variance, fit);
    summarise();
    return;
  }
  // The density is nearly normal with deviation 1 / sqrt(2 freedom): sums at 0.8 of it are good to
  // 1e-12, at 1.6 to 1e-3.
  const bool fine = fineness == Fineness::fine;
  const double step = (fine ? 0.8 : 1.6) / std::sqrt(2 * freedom);
  const double start =
      std::log(std::max({scatter_scale, 0.3 * typical / std::sqrt(std::sqrt(freedom)), 1e-9}));
  std::vector<ScatterPoint> points = along_scatter(
      x, y, sigma_squared, {.start = start, .step = step, .cut = fine ? kCut : kCoarseCut});
  double peak = -std::numeric_limits<double>::infinity();
  for (const ScatterPoint& point : points) peak = std::max(peak, point.log_density);
  double sum = 0;
  for (const ScatterPoint& point : points) sum += std::exp(point.log_density - peak);
  if (!(sum > 0)) return;
  log_evidence_ = peak + std::log(sum * step) - 0.5 * freedom * std::log(2 * std::numbers::pi);
  for (const ScatterPoint& point : points) {
    const double weight = std::exp(point.log_density - peak) / sum;
    if (!(weight < kLeastWeight)) add(point.tau_squared, weight, temperature_variance, point.fit);
  }
  summarise();
}

void LinePosterior::summarise() {
  double sum = 0;
  for (const auto& c : components_) sum += c.weight;
  mean_ = Eigen::VectorXd::Zero(components_.front().coefficients.size());
  std::vector<double> taus;
  std::vector<double> weights;
  for (auto& c : components_) {
    c.weight /= sum;  // of what was left out
    mean_ += c.weight * c.coefficients;
    taus.push_back(std::sqrt(c.tau_squared));
    weights.push_back(c.weight);
  }
  tau_ = weighted_median(taus, weights);
}

LinePosterior::LinePosterior(std::vector<LinePosterior> parts, const std::vector<double>& weights) {
  double sum = 0;
  for (std::size_t i = 0; i < parts.size(); ++i) sum += parts[i].usable() ? weights[i] : 0;
  for (std::size_t i = 0; i < parts.size(); ++i) {
    for (Component& c : parts[i].components_) {
      c.weight *= weights[i] / sum;
      constexpr double kNoMatter = 1e-7;  // to any interval
      if (c.weight > kNoMatter) components_.push_back(std::move(c));
    }
  }
  summarise();
}

std::vector<LinePosterior::Normal> LinePosterior::mixture(const Contrast& contrast) const {
  std::vector<Normal> normals;
  normals.reserve(components_.size());
  for (const auto& c : components_) {
    double variance = contrast.weights.dot(c.covariance * contrast.weights);
    if (contrast.of_one_run) {
      variance += c.tau_squared + c.temperature_variance * c.coefficients[1] * c.coefficients[1];
    }
    normals.push_back({c.weight, contrast.weights.dot(c.coefficients),
                       std::max(1e-150, std::sqrt(std::max(0.0, variance)))});
  }
  return normals;
}

double LinePosterior::mean(const Contrast& contrast) const { return contrast.weights.dot(mean_); }

double LinePosterior::quantile(const Contrast& contrast, double probability) const {
  const auto normals = mixture(contrast);
  const double z = normal_quantile(probability);
  // The quantile lies between the least and the largest of the components' own.
  double low = std::numeric_limits<double>::infinity();
  double high = -low;
  for (const auto& n : normals) {
    low = std::min(low, n.mean + z * n.sigma);
    high = std::max(high, n.mean + z * n.sigma);
  }
  if (!(high - low > 1e-12 * (std::abs(low) + std::abs(high)))) return (low + high) / 2;
  const auto excess = [&](double value) {
    double below = 0;
    for (const auto& n : normals) below += n.weight * normal_at((value - n.mean) / n.sigma);
    return below - probability;
  };
  const double excess_low = excess(low);
  const double excess_high = excess(high);
  if (!(excess_low < 0) || !(excess_high > 0)) return excess_low >= 0 ? low : high;
  std::uintmax_t evaluations = 100;
  const auto [from, to] =
      boost::math::tools::toms748_solve(excess, low, high, excess_low, excess_high,
                                        boost::math::tools::eps_tolerance<double>(40), evaluations);
  return (from + to) / 2;
}

Interval LinePosterior::interval(const Contrast& contrast, double probability) const {
  return {quantile(contrast, (1 - probability) / 2), quantile(contrast, (1 + probability) / 2)};
}

double LinePosterior::sigma(const Contrast& contrast) const {
  constexpr double kOneSigma = 0.6826894921370859;
  const Interval inner = interval(contrast, kOneSigma);
  return (*inner.high - *inner.low) / 2;
}

double LinePosterior::probability_within(const Contrast& contrast, double half_width) const {
  const double centre = mean(contrast);
  double probability = 0;
  for (const auto& n : mixture(contrast)) {
    probability += n.weight * (normal_at((centre + half_width - n.mean) / n.sigma) -
                               normal_at((centre - half_width - n.mean) / n.sigma));
  }
  return std::clamp(probability, 0.0, 1.0);
}

}  // namespace starwaist::drift
