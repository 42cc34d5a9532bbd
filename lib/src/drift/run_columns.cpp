#include "drift/run_columns.h"

#include <algorithm>

#include "core/clock.h"
#include "drift/rows.h"
#include "starwaist/codes.h"
#include "starwaist/statistics.h"

namespace starwaist::drift {

namespace {

using Seconds = std::vector<std::optional<double>>;  // by run; absent: no time that can be read

Seconds seconds_of(std::span<const DriftRun> runs) {
  Seconds seconds(runs.size());
  for (std::size_t i = 0; i < runs.size(); ++i) {
    if (runs[i].time_utc) seconds[i] = core::parse_utc(*runs[i].time_utc);
  }
  return seconds;
}

std::vector<std::size_t> order_as_taken(const std::vector<bool>& usable, const Seconds& seconds) {
  std::vector<std::size_t> order = rows_that(usable);
  const bool timed = std::all_of(order.begin(), order.end(),
                                 [&](std::size_t i) { return seconds[i].has_value(); });
  if (timed) {
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return *seconds[a] < *seconds[b]; });
  }
  return order;
}

void name_filters(std::span<const DriftRun> runs, RunColumns& columns) {
  std::map<std::optional<std::string>, int> counts;
  for (const std::size_t i : columns.run) ++counts[runs[i].filter];
  for (const auto& [name, count] : counts) columns.filters.push_back(name);
  std::stable_sort(columns.filters.begin(), columns.filters.end(),
                   [&](const auto& a, const auto& b) { return counts[a] > counts[b]; });
  std::map<std::optional<std::string>, int> place;
  for (std::size_t f = 0; f < columns.filters.size(); ++f) {
    place[columns.filters[f]] = static_cast<int>(f);
  }
  for (const std::size_t i : columns.run) columns.filter.push_back(place[runs[i].filter]);
}

// The runs' own errors; a run without one gets the median of the others. A doubtful run counts as
// twice as unsure as it says: its error is right where the run went as it seems, which is in doubt.
void add_sigmas(std::span<const DriftRun> runs, RunColumns& columns) {
  std::vector<double> known;
  for (const std::size_t i : columns.run) {
    if (runs[i].sigma_steps) known.push_back(*runs[i].sigma_steps);
  }
  columns.sigma_squared = Eigen::VectorXd::Zero(columns.count());
  if (known.empty()) return;
  const double usual = median(known);
  columns.unknown_sigmas = static_cast<int>(columns.count()) - static_cast<int>(known.size());
  for (Eigen::Index i = 0; i < columns.count(); ++i) {
    const double sigma = runs[columns.run[static_cast<std::size_t>(i)]].sigma_steps.value_or(usual);
    const bool doubtful = runs[columns.run[static_cast<std::size_t>(i)]].doubtful;
    columns.sigma_squared[i] = (doubtful ? 4 : 1) * sigma * sigma;
  }
}

// Seconds since the first run, and the nights, where every run has a time.
void add_times(const Seconds& seconds, RunColumns& columns) {
  columns.night_starts = {0};
  const bool timed =
      !columns.run.empty() && std::all_of(columns.run.begin(), columns.run.end(),
                                          [&](std::size_t i) { return seconds[i].has_value(); });
  if (!timed) return;
  columns.seconds.resize(columns.count());
  const double first = *seconds[columns.run.front()];
  for (Eigen::Index i = 0; i < columns.count(); ++i) {
    columns.seconds[i] = *seconds[columns.run[static_cast<std::size_t>(i)]] - first;
    if (i > 0 && columns.seconds[i] - columns.seconds[i - 1] > kNightGapSeconds) {
      columns.night_starts.push_back(static_cast<std::size_t>(i));
    }
  }
}

void add_altitudes(std::span<const DriftRun> runs, RunColumns& columns) {
  const bool known = std::all_of(columns.run.begin(), columns.run.end(),
                                 [&](std::size_t i) { return runs[i].altitude_deg.has_value(); });
  if (!known) return;
  columns.altitude.resize(columns.count());
  for (Eigen::Index i = 0; i < columns.count(); ++i) {
    columns.altitude[i] = *runs[columns.run[static_cast<std::size_t>(i)]].altitude_deg;
  }
}

RunColumns make_columns(std::span<const DriftRun> runs, const std::vector<bool>& usable) {
  RunColumns columns;
  const Seconds seconds = seconds_of(runs);
  columns.run = order_as_taken(usable, seconds);
  const auto n = static_cast<Eigen::Index>(columns.run.size());
  columns.position.resize(n);
  columns.temperature.resize(n);
  for (Eigen::Index i = 0; i < n; ++i) {
    const DriftRun& run = runs[columns.run[static_cast<std::size_t>(i)]];
    columns.position[i] = run.position_steps;
    columns.temperature[i] = *run.temperature_c;
  }
  add_sigmas(runs, columns);
  name_filters(runs, columns);
  add_times(seconds, columns);
  add_altitudes(runs, columns);
  return columns;
}

}  // namespace

ChosenRuns choose_runs(std::span<const DriftRun> runs) {
  ChosenRuns chosen;
  std::vector<bool> usable(runs.size(), true);
  for (std::size_t i = 0; i < runs.size(); ++i) {
    if (runs[i].unusable) {
      chosen.left_out[i] = *runs[i].unusable;
    } else if (!runs[i].temperature_c) {
      chosen.left_out[i] = {codes::run_without_temperature, "it has no temperature"};
    }
    usable[i] = chosen.left_out.count(i) == 0;
  }
  chosen.columns = make_columns(runs, usable);
  return chosen;
}

}  // namespace starwaist::drift
