#include "drift/drift_model.h"

#include <utility>
#include <vector>

#include "drift/rows.h"

namespace starwaist::drift {

namespace {

// Whether these rows have runs of just the filters that the fit has.
bool has_all_filters(const RunColumns& runs, const std::vector<int>& filter_counts,
                     const std::vector<std::size_t>& rows) {
  std::vector<bool> seen(runs.filters.size(), false);
  for (const std::size_t i : rows) seen[static_cast<std::size_t>(runs.filter[i])] = true;
  for (std::size_t f = 0; f < seen.size(); ++f) {
    if (seen[f] != (filter_counts[f] > 0)) return false;
  }
  return true;
}

std::optional<LinePosterior> mixed_posterior(const RunColumns& runs, const LagFit& lag) {
  // What weighs less changes no answer.
  constexpr double kWeightThatCounts = 0.01;
  constexpr double kProductThatCounts = 0.003;
  const LagWeights& lags = lag.lags;
  const auto& sets = lag.kept.rejection.good_rows;
  std::vector<LinePosterior> parts;
  std::vector<double> weights;
  for (std::size_t i = 0; i < lags.minutes.size(); ++i) {
    if (lags.weights[i] < kWeightThatCounts) continue;
    const LaggedTube tube =
        lagged_tube(runs, lag.kept.used, {lags.minutes[i], lags.slope_steps_per_c});
    const Design d = make_design(runs, tube.temperature, lag.kept.terms);
    for (const GoodRows& set : sets) {
      const double weight = lags.weights[i] * set.weight;
      const bool likeliest = &set == &sets.front();
      if (!likeliest && weight < kProductThatCounts) break;
      const auto rows = rows_that(set.good);
      if (!has_all_filters(runs, lag.kept.filter_counts, rows)) continue;
      LinePosterior part(
          rows_of(d.x, rows), rows_of(runs.position, rows), rows_of(tube.sigma_squared, rows),
          tube.delay_variance,
          likeliest ? LinePosterior::Fineness::fine : LinePosterior::Fineness::coarse);
      if (!part.usable()) continue;
      parts.push_back(std::move(part));
      weights.push_back(weight);
    }
  }
  if (parts.empty()) return std::nullopt;
  return LinePosterior(std::move(parts), weights);
}

}  // namespace

DriftModel fit_model(RunColumns runs, const DriftOptions& options) {
  DriftModel model;
  model.runs = std::move(runs);
  if (model.runs.count() == 0) return model;
  KeptRuns kept = keep_runs(model.runs, {model.runs.temperature, model.runs.sigma_squared},
                            choose_terms(model.runs, options.altitude));
  model.lag = options.lag ? fit_lag(model.runs, std::move(kept))
                          : fit_without_lag(model.runs, std::move(kept));
  model.design = make_design(model.runs, model.lag.temperature, model.terms());
  const auto needed = model.design.x.cols() + DriftRules::kFewestSpare;
  if (static_cast<Eigen::Index>(model.used().size()) >= needed &&
      temperature_range(model.lag.temperature, model.used()) > 0) {
    model.posterior = mixed_posterior(model.runs, model.lag);
  }
  return model;
}

Contrast coefficient(const DriftModel& model, Eigen::Index column) {
  Contrast contrast{Eigen::VectorXd::Zero(model.design.x.cols()), false};
  contrast.weights[column] = 1;
  return contrast;
}

}  // namespace starwaist::drift
