#include "drift/rejection.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <set>

#include "drift/linear_fit.h"
#include "drift/samples.h"
#include "starwaist/statistics.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

// The start is found on at most this many rows: more make it no better, only slower.
constexpr std::size_t kStartRows = 1500;
constexpr double kMedianOfNormal = 0.6744897501960817;  // of |z|
constexpr double kBisquare = 4.685;  // 95 % efficient (Beaton & Tukey 1974, from memory)

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

struct Robust {
  VectorXd coefficients;
  double tau_squared = 0;
  double scale = std::numeric_limits<double>::infinity();  // typical sigma of a row
  bool usable = false;
};

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
      const double u = residuals[i] / (kBisquare * std::sqrt(variance[i]));
      const double weight = std::abs(u) < 1 ? (1 - u * u) * (1 - u * u) : 0;
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
    const double u = residuals[i] / (kBisquare * std::sqrt(variance[i]));
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

Robust robust_fit(const MatrixXd& x, const VectorXd& y, const VectorXd& sigma_squared,
                  const std::vector<int>& groups) {
  const VectorXd start = least_absolute(x, y, sigma_squared);
  if (start.size() != x.cols()) return {};
  Robust first = refined(x, y, sigma_squared, start);
  Robust second = refined(x, y, sigma_squared, median_slopes(x, y, groups, start));
  if (!second.usable) return first;
  return first.usable && first.scale <= second.scale ? first : second;
}

// Every k-th row, so that at most kStartRows are left.
std::vector<std::size_t> thinned(const std::vector<std::size_t>& rows) {
  if (rows.size() <= kStartRows) return rows;
  std::vector<std::size_t> few;
  const double stride = static_cast<double>(rows.size()) / kStartRows;
  for (std::size_t i = 0; i < kStartRows; ++i) {
    few.push_back(rows[static_cast<std::size_t>(stride * static_cast<double>(i))]);
  }
  return few;
}

std::vector<int> groups_of(const std::vector<int>& groups, const std::vector<std::size_t>& rows) {
  std::vector<int> some;
  some.reserve(rows.size());
  for (const std::size_t i : rows) some.push_back(groups[i]);
  return some;
}

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

// ---- shifts of many runs ----

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
  const std::vector<std::size_t> few = thinned(rows);
  const Robust robust =
      robust_fit(without_empty_columns(rows_of(input.x, few)), rows_of(input.y, few),
                 rows_of(input.sigma_squared, few), groups_of(input.groups, few));
  if (!robust.usable || robust.coefficients.size() != x.cols()) return std::nullopt;
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
  std::vector<std::size_t> places(n);
  for (std::size_t i = 0; i < n; ++i) places[i] = i;
  std::vector<std::size_t> sample = thinned(places);
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

// ---- single runs ----

// Bad runs are taken to scatter this many times as far as good ones: with a tenth of bad runs the
// border then lies at 3.2 standard deviations, with one in hundreds at 3.8.
constexpr double kBadSpread = 16;
// Share of bad runs among `n`, `bad` of which seem so: as if one in twenty others had been.
double bad_share(double bad, double n) { return (bad + 1) / (n + 20); }
// A run further off than that costs no more: it may be off by anything.
constexpr double kMostOfSpread = 2;

// The fit of the rows that are taken for good, and how all rows lie to it.
struct Split {
  std::vector<bool> good;
  VectorXd off;       // as the fit without the row sees it
  VectorXd relative;  // over its standard deviation
  double usual = 0;
  double cost = std::numeric_limits<double>::infinity();
};

class Splitter {
 public:
  Splitter(MatrixXd x, VectorXd y, VectorXd sigma_squared)
      : x_(std::move(x)), y_(std::move(y)), s2_(std::move(sigma_squared)) {}

  // Fits the good rows. Cost: minus twice the logarithm of the restricted likelihood of good and
  // bad rows, the share of bad ones fitted. False where the good rows cannot be fitted.
  bool evaluate(Split& split) const {
    std::vector<std::size_t> used;
    for (std::size_t i = 0; i < split.good.size(); ++i) {
      if (split.good[i]) used.push_back(i);
    }
    const Index p = x_.cols();
    if (static_cast<Index>(used.size()) < p + 2) return false;
    const MatrixXd used_x = rows_of(x_, used);
    const VectorXd used_y = rows_of(y_, used);
    const VectorXd used_s2 = rows_of(s2_, used);
    const double floor = 1e-10 * std::max(1.0, y_.cwiseAbs().maxCoeff());
    const VectorXd v =
        variances(s2_, std::max(floor * floor, run_scatter_squared(used_x, used_y, used_s2)));
    const LinearFit fit = fit_linear(used_x, used_y, rows_of(v, used));
    if (!fit.usable) return false;
    split.usual = std::sqrt(rows_of(v, used).mean());
    split.off = y_ - x_ * fit.coefficients;
    split.relative.resize(y_.size());
    double bad = 0;
    double cost = v.array().log().sum() + fit.log_det_information + fit.chi_squared;
    for (Index i = 0; i < y_.size(); ++i) {
      const double leverage = x_.row(i) * fit.covariance * x_.row(i).transpose();
      if (split.good[static_cast<std::size_t>(i)]) {
        const double left = v[i] - leverage;
        // A run that its own column fits (the only one of a filter) cannot be judged.
        const bool judged = left > 1e-6 * v[i];
        split.relative[i] = judged ? split.off[i] / std::sqrt(left) : 0;
        if (judged) split.off[i] *= v[i] / left;
      } else {
        split.relative[i] = split.off[i] / std::sqrt(v[i] + leverage);
        const double spread = split.off[i] / (kBadSpread * std::sqrt(v[i]));
        cost += 2 * std::log(kBadSpread) + std::min(spread * spread, kMostOfSpread);
        ++bad;
      }
    }
    // A scatter far above the runs' own errors is the less likely the larger it is (Jeffreys).
    if (s2_.mean() > 0) cost += std::log(split.usual * split.usual / s2_.mean());
    const auto n = static_cast<double>(y_.size());
    const double share = bad_share(bad, n);
    split.cost = cost - 2 * (bad * std::log(share) + (n - bad) * std::log(1 - share));
    return true;
  }

  // The best split with `bad` rows out that concentration steps (Rousseeuw & Van Driessen 1999,
  // from memory) find from `start`.
  std::optional<Split> with_bad(std::size_t bad, Split start) const {
    std::optional<Split> best;
    constexpr int kSteps = 5;
    for (int step = 0; step < kSteps; ++step) {
      const std::vector<bool> before = start.good;
      take_out(bad, start);
      if (step > 0 && start.good == before) break;
      if (!evaluate(start)) break;
      if (!best || start.cost < best->cost) best = start;
    }
    return best;
  }

  // Puts single rows to the other side as long as that lowers the cost.
  void improve(Split& split) const {
    constexpr int kMostRounds = 40;
    constexpr double kDoubtful = 1.8;  // standard deviations from which a good row is looked at
    for (int round = 0; round < kMostRounds; ++round) {
      Split best = split;
      for (std::size_t i = 0; i < split.good.size(); ++i) {
        if (split.good[i] && std::abs(split.relative[static_cast<Index>(i)]) < kDoubtful) continue;
        Split other = split;
        other.good[i] = !other.good[i];
        if (evaluate(other) && other.cost < best.cost - 1e-9) best = std::move(other);
      }
      if (!(best.cost < split.cost - 1e-9)) return;
      split = std::move(best);
    }
  }

  // Large samples: the border that follows from the share of bad rows, until nothing changes.
  void settle(Split& split) const {
    constexpr int kMostRounds = 30;
    for (int round = 0; round < kMostRounds; ++round) {
      const auto bad = static_cast<double>(std::count(split.good.begin(), split.good.end(), false));
      const double share = bad_share(bad, static_cast<double>(split.good.size()));
      const double border =
          std::sqrt((2 * std::log(kBadSpread) + 2 * std::log((1 - share) / share)) /
                    (1 - 1 / (kBadSpread * kBadSpread)));
      bool changed = false;
      for (std::size_t i = 0; i < split.good.size(); ++i) {
        const bool belongs = std::abs(split.relative[static_cast<Index>(i)]) < border;
        changed = changed || belongs != split.good[i];
        split.good[i] = belongs;
      }
      if (!changed || !evaluate(split)) break;
    }
  }

 private:
  static void take_out(std::size_t bad, Split& split) {
    std::vector<std::size_t> order(split.good.size());
    for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
    std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
      return std::abs(split.relative[static_cast<Index>(a)]) >
             std::abs(split.relative[static_cast<Index>(b)]);
    });
    std::fill(split.good.begin(), split.good.end(), true);
    for (std::size_t i = 0; i < bad; ++i) split.good[order[i]] = false;
  }

  MatrixXd x_;
  VectorXd y_;
  VectorXd s2_;
};

void reject_single(const RejectionInput& input, Rejection& rejection) {
  std::vector<std::size_t> rows;
  for (std::size_t i = 0; i < rejection.keep.size(); ++i) {
    if (rejection.keep[i]) rows.push_back(i);
  }
  const MatrixXd x = without_empty_columns(rows_of(input.x, rows));
  const VectorXd y = rows_of(input.y, rows);
  const VectorXd s2 = rows_of(input.sigma_squared, rows);
  const auto p = static_cast<std::size_t>(x.cols());
  constexpr std::size_t kFewestSpare = 3;
  if (rows.size() < p + kFewestSpare) return;
  const Splitter splitter(x, y, s2);
  Split best{std::vector<bool>(rows.size(), true), {}, {}, 0};
  if (!splitter.evaluate(best)) return;
  const std::vector<std::size_t> few = thinned(rows);
  const Robust robust =
      robust_fit(without_empty_columns(rows_of(input.x, few)), rows_of(input.y, few),
                 rows_of(input.sigma_squared, few), groups_of(input.groups, few));
  if (robust.usable && robust.coefficients.size() == x.cols()) {
    Split start = best;
    start.relative =
        (y - x * robust.coefficients).array() / variances(s2, robust.tau_squared).array().sqrt();
    constexpr std::size_t kSearched = 400;
    if (rows.size() <= kSearched) {
      const std::size_t most = std::min(rows.size() / 3 + 1, rows.size() - p - 2);
      for (std::size_t bad = 1; bad <= most; ++bad) {
        auto split = splitter.with_bad(bad, start);
        if (split && split->cost < best.cost) best = std::move(*split);
      }
      splitter.improve(best);
    } else {
      constexpr double kFirstBorder = 3.5;
      for (std::size_t i = 0; i < rows.size(); ++i) {
        start.good[i] = std::abs(start.relative[static_cast<Index>(i)]) < kFirstBorder;
      }
      if (splitter.evaluate(start)) {
        splitter.settle(start);
        best = std::move(start);
      }
    }
  }
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (best.good[i]) continue;
    rejection.keep[rows[i]] = false;
    rejection.off_line.push_back({rows[i], best.off[static_cast<Index>(i)], best.usual});
  }
}

}  // namespace

Rejection reject(const RejectionInput& input) {
  Rejection rejection;
  const auto n = static_cast<std::size_t>(input.y.size());
  rejection.keep.assign(n, true);
  constexpr int kMostShifts = 6;
  for (int round = 0; round < kMostShifts; ++round) {
    std::vector<std::size_t> rows;
    for (std::size_t i = 0; i < n; ++i) {
      if (rejection.keep[i]) rows.push_back(i);
    }
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
