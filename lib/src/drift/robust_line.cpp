#include "drift/robust_line.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "drift/rows.h"
#include "drift/run_scatter.h"
#include "numerics/linear_fit.h"
#include "numerics/robust.h"
#include "starwaist/statistics.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;
using numerics::fit_linear;
using numerics::LinearFit;

// The start is found on at most this many rows: more make it no better, only slower.
constexpr std::size_t kStartRows = 1500;
// Of |z|, to all digits: numerics::kSigmaOfMad is the inverse to eight.
constexpr double kMedianOfNormal = 0.6744897501960817;

// tau for which the median of |r| / sqrt(sigma^2 + tau^2) is that of a normal distribution, with
// the factor that p fitted coefficients cost.
double robust_tau_squared(const VectorXd& residuals, const VectorXd& sigma_squared, Index p) {
  const auto n = static_cast<double>(residuals.size());
  const double freedom = std::max(1.0, n - static_cast<double>(p));
  const double wanted = kMedianOfNormal * std::sqrt(freedom / n);
  std::vector<double> scaled(static_cast<std::size_t>(residuals.size()));
  const auto median_at = [&](double tau_squared) {
    for (Index i = 0; i < residuals.size(); ++i) {
      scaled[static_cast<std::size_t>(i)] =
          std::abs(residuals[i]) / std::sqrt(std::max(1e-24, sigma_squared[i] + tau_squared));
    }
    return median(scaled);
  };
  if (median_at(0) <= wanted) return 0;
  double high = std::max(1e-20, residuals.squaredNorm());
  double low = 0;
  for (int i = 0; i < 100 && high - low > 1e-3 * high; ++i) {
    const double middle = low > 0 ? std::sqrt(low * high) : high / 16;
    if (low == 0 && middle < 1e-20) break;
    (median_at(middle) > wanted ? low : high) = middle;
  }
  return high;
}

// Bisquare steps from a start (an MM-estimate's second part).
Robust refined(const MatrixXd& x, const VectorXd& y, const VectorXd& sigma_squared,
               VectorXd coefficients) {
  Robust robust;
  for (int step = 0; step < 30; ++step) {
    const VectorXd residuals = y - x * coefficients;
    robust.tau_squared = robust_tau_squared(residuals, sigma_squared, x.cols());
    const VectorXd variance = variances(sigma_squared, robust.tau_squared);
    VectorXd effective(variance.size());
    for (Index i = 0; i < variance.size(); ++i) {
      const double u = residuals[i] / (numerics::kBisquare * std::sqrt(variance[i]));
      const double weight = numerics::bisquare_weight(u * u);
      effective[i] = variance[i] / std::max(weight, 1e-9);
    }
    const LinearFit fit = fit_linear(x, y, effective);
    if (!fit.usable) return robust;
    const double moved =
        ((x * (fit.coefficients - coefficients)).array().abs() / variance.array().sqrt())
            .maxCoeff();
    coefficients = fit.coefficients;
    if (moved < 1e-4) break;
  }
  robust.coefficients = coefficients;
  robust.tau_squared = robust_tau_squared(y - x * coefficients, sigma_squared, x.cols());
  // The mean variance, with rows that do not belong counted at the rim: less is better.
  const VectorXd residuals = y - x * coefficients;
  const VectorXd variance = variances(sigma_squared, robust.tau_squared);
  double lost = 0;
  for (Index i = 0; i < variance.size(); ++i) {
    const double u = residuals[i] / (numerics::kBisquare * std::sqrt(variance[i]));
    lost += std::log(variance[i]) + (std::abs(u) < 1 ? 1 - std::pow(1 - u * u, 3) : 1) * 7;
  }
  robust.scale = lost / static_cast<double>(variance.size());
  robust.usable = true;
  return robust;
}

// Least absolute deviations by reweighting.
VectorXd least_absolute(const MatrixXd& x, const VectorXd& y, const VectorXd& sigma_squared) {
  VectorXd variance = variances(sigma_squared, 1.0);
  LinearFit fit = fit_linear(x, y, variance);
  for (int step = 0; step < 25 && fit.usable; ++step) {
    const double floor = 1e-3 * fit.residuals.cwiseAbs().mean() + 1e-12;
    variance = fit.residuals.cwiseAbs().array().max(floor);
    LinearFit next = fit_linear(x, y, variance);
    if (!next.usable) break;
    fit = std::move(next);
  }
  return fit.coefficients;
}

// Theil and Sen's slope over pairs of one group, then the groups' medians; further columns keep
// what `start` says.
VectorXd median_slopes(const MatrixXd& x, const VectorXd& y, const std::vector<int>& groups,
                       const VectorXd& start) {
  const auto is_level = [&x](Index c) {
    return ((x.col(c).array() == 0) || (x.col(c).array() == 1)).all();
  };
  // The temperature's column is left out where all runs have the same.
  if (x.cols() < 2 || is_level(1)) return start;
  VectorXd rest = y;
  for (Index c = 2; c < x.cols(); ++c) {
    if (!is_level(c)) rest -= x.col(c) * start[c];
  }
  std::map<int, std::vector<Index>> members;
  for (std::size_t i = 0; i < groups.size(); ++i)
    members[groups[i]].push_back(static_cast<Index>(i));
  std::vector<double> slopes;
  std::vector<double> reach;
  constexpr std::size_t kMostPairs = 20000;
  for (const auto& [group, rows] : members) {
    const std::size_t stride =
        std::max<std::size_t>(1, rows.size() * rows.size() / 2 * members.size() / kMostPairs);
    std::size_t pair = 0;
    for (std::size_t a = 0; a < rows.size(); ++a) {
      for (std::size_t b = a + 1; b < rows.size(); ++b) {
        const double distance = x(rows[b], 1) - x(rows[a], 1);
        if (pair++ % stride != 0 || distance == 0) continue;
        slopes.push_back((rest[rows[b]] - rest[rows[a]]) / distance);
        reach.push_back(std::abs(distance));
      }
    }
  }
  if (slopes.empty()) return start;
  const double slope = weighted_median(slopes, reach);
  // Levels as the design has them: solved from one pseudo-observation a row, its group's median.
  VectorXd level(y.size());
  for (const auto& [group, rows] : members) {
    std::vector<double> values;
    for (const Index i : rows) values.push_back(rest[i] - slope * x(i, 1));
    const double middle = median(values);
    for (const Index i : rows) level[i] = middle + slope * x(i, 1) + (y[i] - rest[i]);
  }
  const LinearFit fit = fit_linear(x, level, VectorXd::Ones(y.size()));
  return fit.usable ? fit.coefficients : start;
}

}  // namespace

Robust robust_fit(const MatrixXd& x, const VectorXd& y, const VectorXd& sigma_squared,
                  const std::vector<int>& groups) {
  const VectorXd start = least_absolute(x, y, sigma_squared);
  if (start.size() != x.cols()) return {};
  Robust first = refined(x, y, sigma_squared, start);
  Robust second = refined(x, y, sigma_squared, median_slopes(x, y, groups, start));
  if (!second.usable) return first;
  return first.usable && first.scale <= second.scale ? first : second;
}

std::vector<std::size_t> thinned(std::size_t count) {
  const std::size_t left = std::min(count, kStartRows);
  const double stride =
      static_cast<double>(count) / static_cast<double>(std::max<std::size_t>(1, left));
  std::vector<std::size_t> few(left);
  for (std::size_t i = 0; i < left; ++i) {
    few[i] = static_cast<std::size_t>(stride * static_cast<double>(i));
  }
  return few;
}

Robust robust_fit_of_some(const MatrixXd& x, const VectorXd& y, const VectorXd& sigma_squared,
                          const std::vector<int>& groups) {
  const std::vector<std::size_t> few = thinned(static_cast<std::size_t>(y.size()));
  return robust_fit(rows_of(x, few), rows_of(y, few), rows_of(sigma_squared, few),
                    rows_of(groups, few));
}

}  // namespace starwaist::drift
