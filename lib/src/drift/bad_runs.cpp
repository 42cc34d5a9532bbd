#include "drift/bad_runs.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <optional>
#include <queue>
#include <set>
#include <utility>

#include "drift/line_posterior.h"
#include "drift/robust_line.h"
#include "drift/rows.h"
#include "drift/run_scatter.h"
#include "numerics/linear_fit.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;
using numerics::fit_linear;
using numerics::LinearFit;

constexpr std::array<double, 5> kBadSpreads = {4, 8, 16, 32, 64};  // over a good run's
constexpr double kShareFor = 2;                                    // of the Beta prior
constexpr double kShareAgainst = 18;
constexpr std::size_t kSearched = 250;  // more rows than that: one set

// Logarithm of the density of a row that is off by `off`, good ones having `variance`.
double log_bad(double off, double variance, double leverage) {
  double density = 0;
  for (const double spread : kBadSpreads) {
    const double wide = spread * spread * variance + leverage;
    density += std::exp(-0.5 * off * off / wide) / std::sqrt(wide);
  }
  return std::log(std::max(density / (kBadSpreads.size() * std::sqrt(2 * std::numbers::pi)),
                           std::numeric_limits<double>::min()));
}

// Logarithm of the prior odds that one row more is bad, `bad` of `n` being so.
double log_odds_of_bad(double bad, double n) {
  return std::log((bad + kShareFor) / (n - bad + kShareAgainst));
}

// The rows of one line.
struct LineRows {
  const MatrixXd& x;
  const VectorXd& y;
  VectorXd sigma_squared;
  bool sigmas = false;  // whether any run says how sure it is
};

LineRows make_rows(const MatrixXd& x, const VectorXd& y, const VectorXd& sigma_squared) {
  LineRows rows{x, y, sigma_squared, sigma_squared.mean() > 0};
  // Runs without any scatter must not make a weight infinite.
  const double floor = 1e-10 * std::max(1.0, y.cwiseAbs().maxCoeff());
  rows.sigma_squared.array() += floor * floor;
  return rows;
}

// The good rows' fit, and how all rows lie to it.
struct Split {
  std::vector<bool> good;
  VectorXd off;       // as the fit without the row sees it
  VectorXd relative;  // over its standard deviation
  double usual = 0;
  double log_weight = -std::numeric_limits<double>::infinity();
};

struct LessLikely {
  bool operator()(const Split& a, const Split& b) const { return a.log_weight < b.log_weight; }
};

// How the rows lie to the fit of the good ones, without a weight. Absent where those cannot be
// fitted.
std::optional<Split> placed(const LineRows& rows, std::vector<bool> good) {
  const auto used = rows_that(good);
  if (static_cast<Index>(used.size()) < rows.x.cols() + 2) return std::nullopt;
  const VectorXd& s2 = rows.sigma_squared;
  const MatrixXd used_x = rows_of(rows.x, used);
  const VectorXd v =
      variances(s2, run_scatter_squared(used_x, rows_of(rows.y, used), rows_of(s2, used)));
  const LinearFit fit = fit_linear(used_x, rows_of(rows.y, used), rows_of(v, used));
  if (!fit.usable) return std::nullopt;
  Split split;
  split.usual = std::sqrt(rows_of(v, used).mean());
  split.off = rows.y - rows.x * fit.coefficients;
  split.relative.resize(rows.y.size());
  for (Index i = 0; i < rows.y.size(); ++i) {
    const double leverage = rows.x.row(i) * fit.covariance * rows.x.row(i).transpose();
    if (good[static_cast<std::size_t>(i)]) {
      const double left = v[i] - leverage;
      // A run that its own column fits (the only one of a filter) cannot be judged.
      const bool judged = left > 1e-6 * v[i];
      split.relative[i] = judged ? split.off[i] / std::sqrt(left) : 0;
      if (judged) split.off[i] *= v[i] / left;
    } else {
      split.relative[i] = split.off[i] / std::sqrt(v[i] + leverage);
    }
  }
  split.good = std::move(good);
  return split;
}

// The same with its weight, up to a factor that all splits share.
std::optional<Split> weighed(const LineRows& rows, std::vector<bool> good) {
  auto split = placed(rows, std::move(good));
  if (!split) return std::nullopt;
  const VectorXd& s2 = rows.sigma_squared;
  const auto used = rows_that(split->good);
  const auto bad = rows_that(split->good, false);
  const LinePosterior posterior(rows_of(rows.x, used), rows_of(rows.y, used), rows_of(s2, used), 0,
                                LinePosterior::Fineness::coarse);
  if (!posterior.usable()) return std::nullopt;
  const double typical_squared = rows_of(s2, used).mean();
  double likelihood = 0;
  for (const auto& c : posterior.components()) {
    double log_likelihood =
        rows.sigmas ? -0.5 * std::log((c.tau_squared + typical_squared) / s2.mean()) : 0;
    for (const std::size_t i : bad) {
      const auto row = static_cast<Index>(i);
      const double leverage = rows.x.row(row) * c.covariance * rows.x.row(row).transpose();
      log_likelihood += log_bad(rows.y[row] - rows.x.row(row).dot(c.coefficients),
                                s2[row] + c.tau_squared, leverage);
    }
    likelihood += c.weight * std::exp(log_likelihood);
  }
  const auto k = static_cast<double>(bad.size());
  const auto n = static_cast<double>(split->good.size());
  split->log_weight = posterior.log_evidence() +
                      std::log(std::max(likelihood, std::numeric_limits<double>::min())) +
                      std::lgamma(kShareFor + k) + std::lgamma(kShareAgainst + n - k);
  return split;
}

// All rows but the `bad` ones that lie farthest off.
std::vector<bool> without_farthest(std::size_t bad, const VectorXd& relative) {
  std::vector<std::size_t> order(static_cast<std::size_t>(relative.size()));
  for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return std::abs(relative[static_cast<Index>(a)]) > std::abs(relative[static_cast<Index>(b)]);
  });
  std::vector<bool> good(order.size(), true);
  for (std::size_t i = 0; i < bad; ++i) good[order[i]] = false;
  return good;
}

// The likeliest split with `bad` rows out that concentration steps (Rousseeuw & Van Driessen 1999,
// from memory) find from where the rows lie to a robust line.
std::optional<Split> with_bad(const LineRows& rows, std::size_t bad, VectorXd relative) {
  std::optional<Split> best;
  std::vector<bool> before;
  constexpr int kSteps = 5;
  for (int step = 0; step < kSteps; ++step) {
    std::vector<bool> good = without_farthest(bad, relative);
    if (good == before) break;
    before = good;
    const auto split = weighed(rows, std::move(good));
    if (!split) break;
    relative = split->relative;
    if (!best || split->log_weight > best->log_weight) best = split;
  }
  return best;
}

// All splits of weight, the likeliest first, from those given.
std::vector<Split> all_from(const LineRows& rows, std::vector<Split> starts) {
  constexpr double kDoubtful = 1.7;  // standard deviations from which a good row is looked at
  constexpr double kFarBelow = 7;    // logarithm of the weight over the best one's
  constexpr int kMostTurned = 24;    // splits whose rows are turned over
  std::set<std::vector<bool>> seen;
  std::priority_queue<Split, std::vector<Split>, LessLikely> open;
  for (auto& start : starts) {
    if (seen.insert(start.good).second) open.push(std::move(start));
  }
  std::vector<Split> found;
  double best = -std::numeric_limits<double>::infinity();
  for (int turned = 0; !open.empty() && turned < kMostTurned; ++turned) {
    Split split = open.top();
    open.pop();
    best = std::max(best, split.log_weight);
    if (split.log_weight < best - kFarBelow) break;
    for (std::size_t i = 0; i < split.good.size(); ++i) {
      if (split.good[i] && std::abs(split.relative[static_cast<Index>(i)]) < kDoubtful) continue;
      std::vector<bool> other = split.good;
      other[i] = !other[i];
      if (!seen.insert(other).second) continue;
      if (auto turned_over = weighed(rows, std::move(other))) open.push(std::move(*turned_over));
    }
    found.push_back(std::move(split));
  }
  for (; !open.empty(); open.pop()) found.push_back(open.top());
  std::stable_sort(found.begin(), found.end(),
                   [](const Split& a, const Split& b) { return a.log_weight > b.log_weight; });
  return found;
}

// Standard deviations from which a row is bad more likely than not.
double border_of(double bad, double n) {
  constexpr double kStep = 0.01;
  constexpr double kFirst = 1.5;
  constexpr double kLast = 8;
  const double odds = log_odds_of_bad(bad, n);
  double z = kFirst;
  while (z < kLast &&
         -0.5 * z * z - 0.5 * std::log(2 * std::numbers::pi) > log_bad(z, 1, 0) + odds) {
    z += kStep;
  }
  return z;
}

std::vector<bool> rows_within(double border, const VectorXd& relative) {
  std::vector<bool> good(static_cast<std::size_t>(relative.size()));
  for (std::size_t i = 0; i < good.size(); ++i) {
    good[i] = std::abs(relative[static_cast<Index>(i)]) < border;
  }
  return good;
}

// Large samples: the border that follows from the share of bad rows, until nothing changes.
Split settled(const LineRows& rows, Split split) {
  constexpr int kMostRounds = 30;
  for (int round = 0; round < kMostRounds; ++round) {
    const auto bad = static_cast<double>(rows_that(split.good, false).size());
    std::vector<bool> good =
        rows_within(border_of(bad, static_cast<double>(split.good.size())), split.relative);
    if (good == split.good) break;
    split.good = good;
    auto next = placed(rows, std::move(good));
    if (!next) break;
    split = std::move(*next);
  }
  return split;
}

BadRuns from_split(const Split& split) {
  BadRuns answer;
  answer.good_rows.push_back({split.good, 1});
  for (const std::size_t i : rows_that(split.good, false)) {
    answer.off_line.push_back({i, split.off[static_cast<Index>(i)], split.usual});
  }
  return answer;
}

// Rows that are not clearly bad, over all sets.
constexpr double kClearlyBad = 0.65;
std::vector<bool> probably_good(const std::vector<GoodRows>& sets) {
  std::vector<double> good(sets.front().good.size(), 0.0);
  for (const GoodRows& likely : sets) {
    for (std::size_t i = 0; i < good.size(); ++i) good[i] += likely.good[i] ? likely.weight : 0;
  }
  std::vector<bool> probably(good.size());
  for (std::size_t i = 0; i < good.size(); ++i) probably[i] = good[i] >= 1 - kClearlyBad;
  return probably;
}

std::vector<GoodRows> likely_sets(const std::vector<Split>& splits, bool sigmas) {
  constexpr double kWeightThatCounts = 1e-3;
  std::vector<GoodRows> sets;
  double sum = 0;
  for (const Split& split : splits) {
    const double weight = std::exp(split.log_weight - splits.front().log_weight);
    if (weight < kWeightThatCounts) break;
    sets.push_back({split.good, weight});
    sum += weight;
  }
  for (GoodRows& likely : sets) likely.weight /= sum;
  // Where no run seems bad the plain fit stands; with no sigma to hold runs against, sooner.
  const double enough = sigmas ? 0.9 : 0.5;
  const std::vector<bool>& first = sets.front().good;
  const bool none_bad = std::find(first.begin(), first.end(), false) == first.end();
  if (none_bad && sets.front().weight >= enough) return {{first, 1}};
  return sets;
}

}  // namespace

BadRuns find_bad_runs(const MatrixXd& x, const VectorXd& y, const VectorXd& sigma_squared,
                      const std::vector<int>& groups) {
  const auto n = static_cast<std::size_t>(y.size());
  const auto p = static_cast<std::size_t>(x.cols());
  BadRuns nothing;
  nothing.good_rows.push_back({std::vector<bool>(n, true), 1});
  constexpr std::size_t kFewestSpare = 3;
  if (n < p + kFewestSpare) return nothing;
  const LineRows rows = make_rows(x, y, sigma_squared);
  const Robust robust = robust_fit_of_some(x, y, sigma_squared, groups);
  if (!robust.usable) return nothing;
  const VectorXd relative = (y - x * robust.coefficients).array() /
                            variances(sigma_squared, robust.tau_squared).array().sqrt();
  if (n > kSearched) {
    constexpr double kFirstBorder = 3.5;
    auto start = placed(rows, rows_within(kFirstBorder, relative));
    return start ? from_split(settled(rows, std::move(*start))) : nothing;
  }
  auto all = weighed(rows, std::vector<bool>(n, true));
  if (!all) return nothing;
  std::vector<Split> starts = {std::move(*all)};
  const std::size_t most = std::min(n / 3 + 1, n - p - 2);
  for (std::size_t bad = 1; bad <= most; ++bad) {
    if (auto split = with_bad(rows, bad, relative)) starts.push_back(std::move(*split));
  }
  const std::vector<Split> splits = all_from(rows, std::move(starts));
  std::vector<GoodRows> sets = likely_sets(splits, rows.sigmas);
  const auto middle = placed(rows, probably_good(sets));
  BadRuns answer = from_split(middle ? *middle : splits.front());
  answer.good_rows = std::move(sets);
  return answer;
}

}  // namespace starwaist::drift
