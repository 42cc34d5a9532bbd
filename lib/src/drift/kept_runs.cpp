#include "drift/kept_runs.h"

#include <algorithm>
#include <cmath>

#include "drift/rows.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;

// To a tenth of a degree.
double mean_temperature(const Eigen::VectorXd& temperature, const std::vector<std::size_t>& rows) {
  if (rows.empty()) return 0;
  double sum = 0;
  for (const std::size_t i : rows) sum += temperature[static_cast<Index>(i)];
  return std::round(10 * sum / static_cast<double>(rows.size())) / 10;
}

// Filters in use, the one with the most runs first.
std::vector<int> filters_in_use(const std::vector<int>& counts) {
  std::vector<int> filters;
  for (std::size_t f = 0; f < counts.size(); ++f) {
    if (counts[f] > 0) filters.push_back(static_cast<int>(f));
  }
  std::stable_sort(filters.begin(), filters.end(), [&](int a, int b) {
    return counts[static_cast<std::size_t>(a)] > counts[static_cast<std::size_t>(b)];
  });
  return filters;
}

}  // namespace

KeptRuns keep_runs(const RunColumns& runs, const Temperatures& tube, Terms terms, Shifts shifts) {
  KeptRuns kept;
  terms.reference_temperature_c = runs.temperature.mean();
  terms.levels.clear();
  const Design design = make_design(runs, tube.temperature, terms);
  kept.rejection =
      reject({design.x, runs.position, tube.sigma_squared, runs.filter, runs.night_starts}, shifts);
  for (const Shift& shift : kept.rejection.shifts) terms.levels.push_back(shift.level);
  kept.used = rows_that(kept.rejection.keep);
  kept.filter_counts.assign(runs.filters.size(), 0);
  for (const std::size_t i : kept.used) {
    ++kept.filter_counts[static_cast<std::size_t>(runs.filter[i])];
  }
  terms.reference_temperature_c = mean_temperature(tube.temperature, kept.used);
  terms.filters = filters_in_use(kept.filter_counts);
  kept.terms = std::move(terms);
  return kept;
}

double temperature_range(const Eigen::VectorXd& temperature, const std::vector<std::size_t>& rows) {
  if (rows.empty()) return 0;
  double low = temperature[static_cast<Index>(rows.front())];
  double high = low;
  for (const std::size_t i : rows) {
    low = std::min(low, temperature[static_cast<Index>(i)]);
    high = std::max(high, temperature[static_cast<Index>(i)]);
  }
  return high - low;
}

}  // namespace starwaist::drift
