#include "drift/level_shift.h"

#include <algorithm>
#include <cmath>
#include <set>

#include "drift/robust_line.h"
#include "drift/rows.h"
#include "drift/run_scatter.h"
#include "numerics/linear_fit.h"
#include "starwaist/statistics.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;
using numerics::fit_linear;
using numerics::LinearFit;

constexpr std::size_t kFewestShifted = 3;
constexpr std::size_t kFewestForShifts = 9;
constexpr double kFalseShifts = 0.005;  // of runs without one in which one is seen
constexpr double kShiftOverScatter = 3.5;

// The rows looked at.
struct Rows {
  MatrixXd x;
  VectorXd y;
  VectorXd sigma_squared;
  std::vector<int> groups;
  std::vector<std::size_t> breaks;  // places of the nights' first rows
  [[nodiscard]] std::size_t count() const { return groups.size(); }
};

Rows rows_looked_at(const RejectionInput& input, const std::vector<std::size_t>& rows) {
  Rows some{without_empty_columns(rows_of(input.x, rows)),
            rows_of(input.y, rows),
            rows_of(input.sigma_squared, rows),
            rows_of(input.groups, rows),
            {}};
  for (const std::size_t start : input.night_starts) {
    some.breaks.push_back(
        static_cast<std::size_t>(std::lower_bound(rows.begin(), rows.end(), start) - rows.begin()));
  }
  return some;
}

struct Step {
  std::size_t first = 0;  // place among the rows looked at
  std::size_t last = 0;
  double t = 0;
  [[nodiscard]] bool holds(std::size_t i) const { return i >= first && i < last; }
};

// The step whose column would lower the misfit most, by running sums: for rows first..last-1 the
// statistic is R / sqrt(A - U^T C U), with A, U, R the sums of w, w x, w r and C the covariance.
Step largest_step(const MatrixXd& x, const LinearFit& fit, const VectorXd& variance,
                  const std::vector<std::size_t>& breaks, std::size_t fewest) {
  const auto n = static_cast<std::size_t>(x.rows());
  std::vector<double> a(n + 1, 0.0);
  std::vector<double> r(n + 1, 0.0);
  MatrixXd u = MatrixXd::Zero(x.cols(), x.rows() + 1);
  for (std::size_t i = 0; i < n; ++i) {
    const auto row = static_cast<Index>(i);
    const double w = 1 / variance[row];
    a[i + 1] = a[i] + w;
    r[i + 1] = r[i] + w * fit.residuals[row];
    u.col(row + 1) = u.col(row) + w * x.row(row).transpose();
  }
  Step best;
  const auto look = [&](std::size_t first, std::size_t last) {
    if (last - first < fewest || n - (last - first) < fewest) return;
    const VectorXd du = u.col(static_cast<Index>(last)) - u.col(static_cast<Index>(first));
    const double information = a[last] - a[first] - du.dot(fit.covariance * du);
    if (!(information > 1e-9 * (a[last] - a[first]))) return;
    const double t = (r[last] - r[first]) / std::sqrt(information);
    if (std::abs(t) > std::abs(best.t)) best = {first, last, t};
  };
  std::size_t next_break = 0;
  for (std::size_t k = 0; k < n; ++k) {
    while (next_break < breaks.size() && breaks[next_break] <= k) ++next_break;
    const std::size_t night_end = next_break < breaks.size() ? breaks[next_break] : n;
    if (k > 0) look(k, n);
    if (night_end < n) look(k, night_end);
  }
  return best;
}

// The step that a robust line shows most, or nothing that is worth a look.
std::optional<Step> suspected_step(const Rows& rows) {
  const Robust robust = robust_fit_of_some(rows.x, rows.y, rows.sigma_squared, rows.groups);
  if (!robust.usable) return std::nullopt;
  const VectorXd variance = variances(rows.sigma_squared, robust.tau_squared);
  // Single wild runs must not look like a step.
  const VectorXd expected = rows.x * robust.coefficients;
  VectorXd tamed(rows.y.size());
  for (Index i = 0; i < rows.y.size(); ++i) {
    const double rim = 8 * std::sqrt(variance[i]);
    tamed[i] = expected[i] + std::clamp(rows.y[i] - expected[i], -rim, rim);
  }
  const LinearFit fit = fit_linear(rows.x, tamed, variance);
  if (!fit.usable) return std::nullopt;
  const Step step = largest_step(rows.x, fit, variance, rows.breaks, kFewestShifted);
  // The scatter still holds the step: the statistic stays small however large the step is.
  constexpr double kWorthALook = 2;
  if (!(std::abs(step.t) > kWorthALook)) return std::nullopt;
  return step;
}

// The rows with the step as a column of its own, the last one.
Rows with_step(const Rows& rows, const Step& step) {
  Rows wide = rows;
  wide.x.conservativeResize(Eigen::NoChange, rows.x.cols() + 1);
  for (std::size_t i = 0; i < rows.count(); ++i) {
    const bool inside = step.holds(i);
    wide.x(static_cast<Index>(i), rows.x.cols()) = inside ? 1 : 0;
    wide.groups[i] = 2 * rows.groups[i] + (inside ? 1 : 0);
  }
  return wide;
}

// The rows that lie near a robust line with the step; none where that fails or too few are near on
// one side of the step.
std::vector<std::size_t> rows_near_line(const Rows& wide, const Step& step) {
  const std::size_t n = wide.count();
  std::vector<std::size_t> sample = thinned(n);
  // The stepped rows must be among those looked at, however few.
  if (sample.size() < n) {
    std::set<std::size_t> both(sample.begin(), sample.end());
    for (std::size_t i = step.first; i < std::min(step.last, step.first + 50); ++i) both.insert(i);
    sample.assign(both.begin(), both.end());
  }
  const Robust line = robust_fit(rows_of(wide.x, sample), rows_of(wide.y, sample),
                                 rows_of(wide.sigma_squared, sample), rows_of(wide.groups, sample));
  if (!line.usable) return {};
  const VectorXd v = variances(wide.sigma_squared, line.tau_squared);
  const VectorXd rest = wide.y - wide.x * line.coefficients;
  constexpr double kFar = 3.5;  // standard deviations
  std::vector<std::size_t> near;
  std::size_t inside = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const auto row = static_cast<Index>(i);
    if (std::abs(rest[row]) > kFar * std::sqrt(v[row])) continue;
    near.push_back(i);
    inside += step.holds(i) ? 1 : 0;
  }
  if (inside < kFewestShifted || near.size() - inside < kFewestShifted) return {};
  return near;
}

// Height of the step by plain least squares over the rows `near`, where it is no chance.
std::optional<double> height_of_step(const Rows& wide, const std::vector<std::size_t>& near) {
  const MatrixXd x = rows_of(wide.x, near);
  if (x.rows() <= x.cols()) return std::nullopt;
  const VectorXd y = rows_of(wide.y, near);
  const VectorXd s2 = rows_of(wide.sigma_squared, near);
  const VectorXd v = variances(s2, run_scatter_squared(x, y, s2));
  const LinearFit fit = fit_linear(x, y, v);
  if (!fit.usable) return std::nullopt;
  const Index column = x.cols() - 1;
  const double steps = fit.coefficients[column];
  const double error = std::sqrt(fit.covariance(column, column));
  const double freedom = static_cast<double>(x.rows() - x.cols());
  // Every row may begin a shift, either way.
  const double wanted =
      student_t_quantile(1 - kFalseShifts / (2 * static_cast<double>(wide.count())), freedom);
  const double scatter = std::sqrt(v.mean());
  const double noise_floor = 1e-9 * std::max(1.0, wide.y.cwiseAbs().maxCoeff());
  if (!(std::abs(steps) > wanted * error + noise_floor) ||
      !(std::abs(steps) > kShiftOverScatter * scatter)) {
    return std::nullopt;
  }
  return steps;
}

}  // namespace

MatrixXd without_empty_columns(const MatrixXd& x) {
  std::vector<Index> kept;
  for (Index c = 0; c < x.cols(); ++c) {
    if (x.col(c).cwiseAbs().maxCoeff() > 0) kept.push_back(c);
  }
  MatrixXd some(x.rows(), static_cast<Index>(kept.size()));
  for (std::size_t c = 0; c < kept.size(); ++c) some.col(static_cast<Index>(c)) = x.col(kept[c]);
  return some;
}

std::optional<LevelShift> find_level_shift(const RejectionInput& input,
                                           const std::vector<std::size_t>& rows) {
  if (rows.size() < kFewestForShifts) return std::nullopt;
  const Rows some = rows_looked_at(input, rows);
  constexpr Index kFewestSpare = 4;
  if (some.x.rows() < some.x.cols() + kFewestSpare) return std::nullopt;
  const auto step = suspected_step(some);
  if (!step) return std::nullopt;
  const Rows wide = with_step(some, *step);
  const auto near = rows_near_line(wide, *step);
  if (near.empty()) return std::nullopt;
  const auto steps = height_of_step(wide, near);
  if (!steps) return std::nullopt;
  return LevelShift{step->first, step->last, *steps};
}

}  // namespace starwaist::drift
