#include "drift/rejection.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <set>

#include "drift/linear_fit.h"
#include "drift/robust_line.h"
#include "drift/samples.h"
#include "starwaist/statistics.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

// Columns that are nought throughout (a filter whose runs are all out) would cost the rank.
MatrixXd without_empty_columns(const MatrixXd& x) {
  std::vector<Index> kept;
  for (Index c = 0; c < x.cols(); ++c) {
    if (x.col(c).cwiseAbs().maxCoeff() > 0) kept.push_back(c);
  }
  MatrixXd some(x.rows(), static_cast<Index>(kept.size()));
  for (std::size_t c = 0; c < kept.size(); ++c) some.col(static_cast<Index>(c)) = x.col(kept[c]);
  return some;
}

struct Candidate {
  std::size_t first = 0;  // place among the rows looked at
  std::size_t last = 0;
  double t = 0;
};

// The step whose column would lower the misfit most, by running sums: for rows first..last-1 the
// statistic is R / sqrt(A - U^T C U), with A, U, R the sums of w, w x, w r and C the covariance.
Candidate largest_step(const MatrixXd& x, const LinearFit& fit, const VectorXd& variance,
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
  Candidate best;
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

constexpr std::size_t kFewestShifted = 3;
constexpr std::size_t kFewestForShifts = 9;
constexpr double kFalseShifts = 0.005;  // of runs without one in which one is seen
constexpr double kShiftOverScatter = 3.5;

// A shift among the rows that are kept, or nothing. Its rows are given as places in `rows`.
std::optional<Candidate> find_shift(const RejectionInput& input,
                                    const std::vector<std::size_t>& rows, double& steps) {
  const std::size_t n = rows.size();
  if (n < kFewestForShifts) return std::nullopt;
  const MatrixXd x = without_empty_columns(rows_of(input.x, rows));
  const VectorXd y = rows_of(input.y, rows);
  const VectorXd s2 = rows_of(input.sigma_squared, rows);
  if (x.rows() < x.cols() + 4) return std::nullopt;
  const Robust robust = robust_fit_of_some(x, y, s2, groups_of(input.groups, rows));
  if (!robust.usable) return std::nullopt;
  const VectorXd variance = variances(s2, robust.tau_squared);
  // Single wild runs must not look like a step.
  const VectorXd expected = x * robust.coefficients;
  VectorXd tamed(y.size());
  for (Index i = 0; i < y.size(); ++i) {
    const double rim = 8 * std::sqrt(variance[i]);
    tamed[i] = expected[i] + std::clamp(y[i] - expected[i], -rim, rim);
  }
  const LinearFit fit = fit_linear(x, tamed, variance);
  if (!fit.usable) return std::nullopt;
  std::vector<std::size_t> breaks;  // places of the nights' first rows
  for (const std::size_t start : input.night_starts) {
    breaks.push_back(
        static_cast<std::size_t>(std::lower_bound(rows.begin(), rows.end(), start) - rows.begin()));
  }
  const Candidate step = largest_step(x, fit, variance, breaks, kFewestShifted);
  // The scatter still holds the step: the statistic stays small however large the step is.
  constexpr double kWorthALook = 2;
  if (!(std::abs(step.t) > kWorthALook)) return std::nullopt;

  // With a column of its own: a robust fit, then plain least squares without the wild ones.
  MatrixXd wide(x.rows(), x.cols() + 1);
  wide.leftCols(x.cols()) = x;
  std::vector<int> groups = groups_of(input.groups, rows);
  for (std::size_t i = 0; i < n; ++i) {
    const bool inside = i >= step.first && i < step.last;
    wide(static_cast<Index>(i), x.cols()) = inside ? 1 : 0;
    groups[i] = 2 * groups[i] + (inside ? 1 : 0);
  }
  std::vector<std::size_t> sample = thinned(n);
  // The stepped rows must be among those looked at, however few.
  if (sample.size() < n) {
    std::set<std::size_t> both(sample.begin(), sample.end());
    for (std::size_t i = step.first; i < std::min(step.last, step.first + 50); ++i) both.insert(i);
    sample.assign(both.begin(), both.end());
  }
  const Robust with = robust_fit(rows_of(wide, sample), rows_of(y, sample), rows_of(s2, sample),
                                 groups_of(groups, sample));
  if (!with.usable) return std::nullopt;
  const VectorXd v = variances(s2, with.tau_squared);
  const VectorXd rest = y - wide * with.coefficients;
  std::vector<std::size_t> good;
  std::size_t good_inside = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const auto row = static_cast<Index>(i);
    if (std::abs(rest[row]) > 3.5 * std::sqrt(v[row])) continue;
    good.push_back(i);
    if (i >= step.first && i < step.last) ++good_inside;
  }
  if (good_inside < kFewestShifted || good.size() - good_inside < kFewestShifted) {
    return std::nullopt;
  }
  const MatrixXd good_x = rows_of(wide, good);
  if (good_x.rows() <= good_x.cols()) return std::nullopt;
  const VectorXd good_y = rows_of(y, good);
  const VectorXd good_s2 = rows_of(s2, good);
  const double tau_squared = run_scatter_squared(good_x, good_y, good_s2);
  const VectorXd good_v = variances(good_s2, tau_squared);
  const LinearFit stepped = fit_linear(good_x, good_y, good_v);
  if (!stepped.usable) return std::nullopt;
  steps = stepped.coefficients[x.cols()];
  const double error = std::sqrt(stepped.covariance(x.cols(), x.cols()));
  const double freedom = static_cast<double>(good_x.rows() - good_x.cols());
  // Every row may begin a shift, either way.
  const double wanted =
      student_t_quantile(1 - kFalseShifts / (2 * static_cast<double>(n)), freedom);
  const double scatter = std::sqrt(good_v.mean());
  const double noise_floor = 1e-9 * std::max(1.0, y.cwiseAbs().maxCoeff());
  if (!(std::abs(steps) > wanted * error + noise_floor) ||
      !(std::abs(steps) > kShiftOverScatter * scatter)) {
    return std::nullopt;
  }
  return step;
}

void reject_single(const RejectionInput& input, Rejection& rejection) {
  const std::vector<std::size_t> rows = rows_that(rejection.keep);
  const BadRuns bad =
      find_bad_runs(without_empty_columns(rows_of(input.x, rows)), rows_of(input.y, rows),
                    rows_of(input.sigma_squared, rows), groups_of(input.groups, rows));
  for (const Account& account : bad.accounts) {
    Account whole{std::vector<bool>(rejection.keep.size(), false), account.weight};
    for (std::size_t i = 0; i < rows.size(); ++i) whole.good[rows[i]] = account.good[i];
    rejection.accounts.push_back(std::move(whole));
  }
  for (OffLine off : bad.off_line) {
    off.row = rows[off.row];
    rejection.keep[off.row] = false;
    rejection.off_line.push_back(off);
  }
}

}  // namespace

Rejection reject(const RejectionInput& input) {
  Rejection rejection;
  rejection.keep.assign(static_cast<std::size_t>(input.y.size()), true);
  constexpr int kMostShifts = 6;
  for (int round = 0; round < kMostShifts; ++round) {
    const std::vector<std::size_t> rows = rows_that(rejection.keep);
    double steps = 0;
    const auto found = find_shift(input, rows, steps);
    if (!found) break;
    std::size_t first = found->first;
    std::size_t last = found->last;
    // A step that lasts to the end leaves two levels: the one with fewer runs goes, the older one
    // where they are even.
    if (last == rows.size() && last - first >= first) {
      last = first;
      first = 0;
      steps = -steps;
    }
    Shift shift{{}, steps, last == rows.size()};
    for (std::size_t i = first; i < last; ++i) {
      rejection.keep[rows[i]] = false;
      shift.rows.push_back(rows[i]);
    }
    rejection.shifts.push_back(std::move(shift));
  }
  // What a shift took out stays out; single runs are judged among the rest.
  reject_single(input, rejection);
  return rejection;
}

}  // namespace starwaist::drift
