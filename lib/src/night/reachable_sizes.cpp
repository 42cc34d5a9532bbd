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
      found.filter.best_size_px = *std::min_element(found.best_px.begin(), found.best_px.end());
    }
    filters.push_back(found.filter);
  }
  std::stable_sort(filters.begin(), filters.end(),
                   [](const auto& a, const auto& b) { return a.frames > b.frames; });
  return filters;
}

}  // namespace

ReachableSizes find_reachable(const TakenFrames& taken, const FocusOfNight& focus) {
  std::vector<double> seen;
  for (const auto& value : focus.seen) {
    if (value) seen.push_back(*value);
  }
  ReachableSizes sizes;
  sizes.typical = median(seen);
  sizes.scatter = lower_sigma(seen);
  constexpr double kMiddleOfBestQuarter = 0.125;
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
