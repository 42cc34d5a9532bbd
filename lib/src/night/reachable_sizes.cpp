#include "night/reachable_sizes.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <string>

#include "night/lower_sigma.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

constexpr double kMiddleOfBestQuarter = 0.125;

std::vector<NightFilter> sizes_by_filter(const TakenFrames& taken, const ReachableSizes& sizes) {
  struct Found {
    NightFilter filter;
    std::vector<double> sizes_px;
    std::vector<double> best_px;
  };
  std::map<std::string, Found> by_name;
  for (std::size_t i = 0; i < taken.size(); ++i) {
    const NightFrame& frame = taken.frames[i];
    Found& found = by_name[lower_case(frame.filter.value_or(""))];
    found.filter.filter = frame.filter;
    if (!taken.growth[i]) continue;
    found.filter.frames += 1;
    found.sizes_px.push_back(*frame.size_px);
    if (sizes.best_px[i]) found.best_px.push_back(*sizes.best_px[i]);
  }
  std::vector<NightFilter> filters;
  for (auto& [name, found] : by_name) {
    if (!found.sizes_px.empty()) found.filter.median_size_px = median(found.sizes_px);
    if (!found.best_px.empty()) {
      // In the smallest air mass it may be less than any that was measured: it was not seen.
      found.filter.best_size_px =
          std::max(*std::min_element(found.best_px.begin(), found.best_px.end()),
                   *std::min_element(found.sizes_px.begin(), found.sizes_px.end()));
    }
    filters.push_back(found.filter);
  }
  std::stable_sort(filters.begin(), filters.end(),
                   [](const auto& a, const auto& b) { return a.frames > b.frames; });
  return filters;
}

// By how much the model's level of a group lies below the smallest size that was measured in it.
std::vector<double> below_measured(const FocusOfNight& focus, double good) {
  const Sizes& s = focus.used.sizes;
  std::vector<std::optional<double>> smallest(static_cast<std::size_t>(s.groups));
  for (std::size_t k = 0; k < s.size(); ++k) {
    auto& least = smallest[static_cast<std::size_t>(s.group[k])];
    const double size = s.log_size[k] - focus.model.air[k];
    if (!least || size < *least) least = size;
  }
  std::vector<double> below(smallest.size(), 0.0);
  for (std::size_t g = 0; g < below.size(); ++g) {
    if (smallest[g]) below[g] = std::max(0.0, *smallest[g] - (focus.model.levels[g] + good));
  }
  return below;
}

}  // namespace

void hold_to_measured(FocusOfNight& focus) {
  std::vector<double> seen;
  for (const auto& value : focus.seen) {
    if (value) seen.push_back(*value);
  }
  const std::vector<double> below =
      below_measured(focus, sample_quantile(seen, kMiddleOfBestQuarter));
  for (std::size_t g = 0; g < below.size(); ++g) focus.model.levels[g] += below[g];
  for (std::size_t k = 0; k < focus.used.frame.size(); ++k) {
    const std::size_t i = focus.used.frame[k];
    const double less = below[static_cast<std::size_t>(focus.used.sizes.group[k])];
    for (double* growth :
         {&focus.focus[i], &focus.drifted[i], &focus.model.focus[k], &focus.model.by_drift[k]}) {
      *growth = std::max(0.0, *growth - less);
    }
  }
}

ReachableSizes find_reachable(const TakenFrames& taken, const FocusOfNight& focus) {
  std::vector<double> seen;
  for (const auto& value : focus.seen) {
    if (value) seen.push_back(*value);
  }
  ReachableSizes sizes;
  sizes.typical = median(seen);
  sizes.scatter = lower_sigma(seen);
  const double good = sample_quantile(seen, kMiddleOfBestQuarter);
  sizes.best_px.resize(taken.size());
  sizes.loss.resize(taken.size());
  for (std::size_t i = 0; i < taken.size(); ++i) {
    const NightFrame& frame = taken.frames[i];
    if (const auto level = focus.level_of(frame)) {
      sizes.best_px[i] = std::exp(*level + good + focus.air[i]);
    }
    if (sizes.best_px[i] && taken.growth[i]) {
      sizes.loss[i] = std::max(std::log(*frame.size_px / *sizes.best_px[i]), 0.0);
    }
  }
  sizes.filters = sizes_by_filter(taken, sizes);
  return sizes;
}

}  // namespace starwaist::night
