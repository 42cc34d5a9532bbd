#include "drift/lag.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <utility>

#include "drift/rows.h"
#include "drift/run_scatter.h"
#include "drift/tube_temperature.h"
#include "numerics/grid.h"
#include "numerics/linear_fit.h"
#include "starwaist/statistics.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;
using Eigen::VectorXd;
using numerics::fit_linear;
using numerics::LinearFit;

// The lags that are weighed, minutes.
constexpr double kShortestLag = 2;
constexpr double kLongestLag = 150;
constexpr double kLagFactor = 1.25;

// Before the data are seen, some lag is likelier than none (a tube has one, if small), and lags are
// even in their logarithm.
constexpr double kNoLagBefore = 0.3;

// From so many runs on the last ones show a lag as well as all do, and leave no doubt about it.
constexpr std::size_t kManyRuns = 3000;

// Log-likelihood of the used rows, the scatter fitted; with it, the slope.
struct Likelihood {
  double value = -1e300;
  double slope = 0;
};

Likelihood likelihood(const RunColumns& runs, const KeptRuns& kept, const LaggedTube& tube) {
  const Design d = make_design(runs, tube.temperature, kept.terms);
  const std::size_t first = kept.used.size() > kManyRuns ? kept.used.size() - kManyRuns : 0;
  const std::vector<std::size_t> rows(kept.used.begin() + static_cast<std::ptrdiff_t>(first),
                                      kept.used.end());
  const Eigen::MatrixXd x = rows_of(d.x, rows);
  const VectorXd y = rows_of(runs.position, rows);
  const VectorXd s2 = rows_of(tube.sigma_squared, rows);
  Likelihood found;
  if (x.rows() <= x.cols()) return found;
  const VectorXd v = variances(s2, run_scatter_squared(x, y, s2));
  const LinearFit fit = fit_linear(x, y, v);
  if (!fit.usable) return found;
  found.value = -0.5 * (v.array().log().sum() + fit.chi_squared);
  found.slope = fit.coefficients[1];
  return found;
}

bool can_show_lag(const RunColumns& runs) {
  constexpr std::size_t kRunsOfNight = 4;
  constexpr std::size_t kRunsInAll = 16;
  constexpr double kLongestPause = 5400;  // seconds
  if (!runs.timed()) return false;
  std::size_t close = 0;
  for (std::size_t night = 0; night < runs.night_starts.size(); ++night) {
    const std::size_t begin = runs.night_starts[night];
    const std::size_t end = runs.night_end(night);
    if (end - begin < kRunsOfNight) continue;
    std::vector<double> pauses;
    for (std::size_t i = begin + 1; i < end; ++i) {
      pauses.push_back(runs.seconds[static_cast<Index>(i)] -
                       runs.seconds[static_cast<Index>(i - 1)]);
    }
    if (median(pauses) <= kLongestPause) close += end - begin;
  }
  return close >= kRunsInAll;
}

// Weighs every lag by its likelihood.
LagWeights weigh_lags(const RunColumns& runs, const KeptRuns& kept) {
  LagWeights lags;
  const auto spare =
      static_cast<Index>(kept.used.size()) - static_cast<Index>(kept.terms.filters.size());
  constexpr Index kSpareForLag = 6;
  if (!can_show_lag(runs) || spare < kSpareForLag) return lags;
  const Likelihood none = likelihood(runs, kept, lagged_tube(runs, kept.used, {}));
  lags.slope_steps_per_c = none.slope;
  std::vector<double> values = {none.value};
  double best = none.value;
  for (double minutes = kShortestLag; minutes < kLongestLag; minutes *= kLagFactor) {
    const Likelihood here =
        likelihood(runs, kept, lagged_tube(runs, kept.used, {minutes, lags.slope_steps_per_c}));
    lags.minutes.push_back(minutes);
    values.push_back(here.value);
    if (here.value > best) {
      best = here.value;
      lags.slope_steps_per_c = here.slope;
    }
  }
  lags.weights.assign(values.size(), 0);
  double sum = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const double before =
        i == 0 ? kNoLagBefore : (1 - kNoLagBefore) / static_cast<double>(values.size() - 1);
    lags.weights[i] = before * std::exp(values[i] - best);
    sum += lags.weights[i];
  }
  for (double& weight : lags.weights) weight /= sum;
  if (kept.used.size() <= kManyRuns) return lags;
  const auto most = std::max_element(lags.weights.begin(), lags.weights.end());
  const auto place = static_cast<std::size_t>(most - lags.weights.begin());
  lags.weights.assign(values.size(), 0);
  lags.weights[place] = 1;
  return lags;
}

// Whether the runs speak for a lag by themselves, nineteen to one.
bool is_demanded(const LagWeights& lags) {
  constexpr double kOdds = 19;
  return 1 - lags.weights.front() >
         kOdds * (1 - kNoLagBefore) / kNoLagBefore * lags.weights.front();
}

// The lag where one is demanded, between the lags that were weighed.
std::optional<double> quantile(const LagWeights& lags, double probability) {
  std::vector<double> shares;
  for (std::size_t i = 1; i < lags.weights.size(); ++i) {
    shares.push_back(lags.weights[i] / (1 - lags.weights.front()));
  }
  const auto place = numerics::place_of_mass(shares, probability);
  if (!place) return std::nullopt;
  return lags.minutes[place->cell + 1] * std::pow(kLagFactor, place->part - 0.5);
}

}  // namespace

LaggedTube lagged_tube(const RunColumns& runs, const std::vector<std::size_t>& used,
                       const Lag& lag) {
  if (!(lag.minutes > 0)) return {runs.temperature, runs.sigma_squared};
  const TubeTemperature tube = tube_temperature(runs, kSecondsPerMinute * lag.minutes);
  LaggedTube made;
  const auto n = static_cast<double>(used.size());
  for (const std::size_t i : used) {
    const auto row = static_cast<Index>(i);
    made.usual_delay += (tube.temperature[row] - runs.temperature[row]) / n;
  }
  for (const std::size_t i : used) {
    const auto row = static_cast<Index>(i);
    made.delay_variance +=
        std::pow(tube.temperature[row] - runs.temperature[row] - made.usual_delay, 2) / (n - 1);
  }
  made.temperature = tube.temperature.array() - made.usual_delay;
  made.sigma_squared =
      runs.sigma_squared + (lag.slope_steps_per_c * tube.start_deviation).array().square().matrix();
  return made;
}

LagFit fit_without_lag(const RunColumns& runs, KeptRuns kept) {
  return {LagWeights(), std::move(kept), runs.temperature, std::nullopt, {}};
}

namespace {

// The runs kept at the likeliest lag, and the lags weighed with them; absent where these runs do
// not demand one.
std::optional<LagFit> fit_at_lag(const RunColumns& runs, const KeptRuns& kept,
                                 const LagWeights& lags) {
  LagFit fit;
  const LaggedTube likely =
      lagged_tube(runs, kept.used, {*quantile(lags, 0.5), lags.slope_steps_per_c});
  // What looked off without the lag may belong.
  fit.kept = keep_runs(runs, {likely.temperature, likely.sigma_squared}, kept.terms);
  fit.lags = weigh_lags(runs, fit.kept);
  if (!is_demanded(fit.lags)) return std::nullopt;
  fit.minutes = quantile(fit.lags, 0.5);
  fit.interval_95_minutes = {quantile(fit.lags, 0.025), quantile(fit.lags, 0.975)};
  fit.temperature =
      lagged_tube(runs, fit.kept.used, {*fit.minutes, fit.lags.slope_steps_per_c}).temperature;
  return fit;
}

// Runs that are out, and those that need a level of their own.
std::size_t set_apart(const KeptRuns& kept) {
  std::size_t count = kept.rejection.off_line.size();
  for (const Shift& shift : kept.rejection.shifts) count += shift.level.last - shift.level.first;
  return count;
}

}  // namespace

LagFit fit_lag(const RunColumns& runs, KeptRuns without_lag) {
  // A lag makes whole nights look shifted and single runs look bad: it is tried on all runs first,
  // then without those that are bad by themselves.
  KeptRuns all = without_lag;
  all.terms.levels.clear();
  all.used.resize(runs.run.size());
  std::iota(all.used.begin(), all.used.end(), std::size_t{0});
  const KeptRuns good =
      keep_runs(runs, {runs.temperature, runs.sigma_squared}, without_lag.terms, Shifts::none);
  std::optional<LagFit> best;
  for (const KeptRuns* kept : std::array<const KeptRuns*, 3>{&all, &good, &without_lag}) {
    const LagWeights lags = weigh_lags(runs, *kept);
    if (!is_demanded(lags)) continue;
    auto fit = fit_at_lag(runs, *kept, lags);
    if (fit && (!best || set_apart(fit->kept) < set_apart(best->kept))) best = std::move(fit);
  }
  if (best && set_apart(best->kept) <= set_apart(without_lag)) return std::move(*best);
  LagFit fit = fit_without_lag(runs, std::move(without_lag));
  const LagWeights lags = weigh_lags(runs, fit.kept);
  if (!is_demanded(lags)) fit.lags = lags;
  return fit;
}

}  // namespace starwaist::drift
