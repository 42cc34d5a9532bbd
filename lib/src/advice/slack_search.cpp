#include "advice/slack_search.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <numeric>

#include "starwaist/statistics.h"

namespace starwaist::advice {
namespace {

constexpr int kFreshStarts = 3;  // of the first search, at every third width

// A rough curve by the smallest points and the arms, midway between the directions.
JointParameters rough_curve(const JointSamples& samples) {
  std::vector<std::size_t> order(samples.count());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::sort(order.begin(), order.end(),
            [&](std::size_t a, std::size_t b) { return samples.y[a] < samples.y[b]; });
  const std::size_t few = std::min<std::size_t>(5, order.size());
  std::vector<double> places;
  for (std::size_t i = 0; i < few; ++i) places.push_back(samples.x[order[i]]);
  const double focus = median(places);
  const double smallest = samples.y[order[std::min<std::size_t>(1, order.size() - 1)]];
  std::vector<double> slopes{0.1};
  for (std::size_t i = 0; i < samples.count(); ++i) {
    const double distance = std::abs(samples.x[i] - focus);
    if (distance > 0.4) slopes.push_back(samples.y[i] / distance);
  }
  JointParameters p{};
  p[kFocus] = focus;
  p[kLnSize] = std::log(smallest);
  p[kLnSlope] = std::log(median(slopes));
  p[kTakenUp] = 0.5;
  return p;
}

// One hypothesis at one width.
struct Trial {
  const JointSamples& samples;
  const SlackModel& model;
  std::size_t hypothesis;
  JointEffort effort;

  [[nodiscard]] std::optional<GridPoint> fit(double width, const JointParameters& from) const {
    const JointResiduals residuals(samples, model.hypotheses[hypothesis], width, model.shape,
                                   model.priors, effort == JointEffort::first_look);
    const auto found = fit_joint_curve(residuals, from, effort);
    if (!found) return std::nullopt;
    return GridPoint{hypothesis, width, *found, 0, 0};
  }

  // The better one of `g` and of fits from the rough curve.
  [[nodiscard]] std::optional<GridPoint> or_afresh(std::optional<GridPoint> g, double width,
                                                   const JointParameters& rough) const {
    const bool between = model.hypotheses[hypothesis].beginnings.front() == Beginning::between;
    for (const double taken_up : {0.15, 0.5, 0.85}) {
      if (!between && taken_up != 0.5) continue;
      JointParameters afresh = rough;
      afresh[kFocus] -= width / 2;
      afresh[kTakenUp] = taken_up;
      const auto other = fit(width, afresh);
      if (other && (!g || other->fit.sum_of_squares < g->fit.sum_of_squares)) g = other;
    }
    return g;
  }
};

}  // namespace

OpenSearch first_search(const SlackModel& model) {
  OpenSearch open;
  for (const PlayHypothesis& h : model.hypotheses) {
    const auto& b = h.beginnings;
    open.active.push_back(b.size() < 2 || std::adjacent_find(b.begin() + 1, b.end(),
                                                             std::not_equal_to<>()) == b.end());
  }
  open.taken_up.assign(model.hypotheses.size(), 0.5);
  open.widths = model.widths;
  return open;
}

std::vector<GridPoint> scan_widths(const JointSamples& samples, const SlackModel& model,
                                   const OpenSearch& open, const WidthScan& scan) {
  std::vector<GridPoint> grid;
  const JointParameters rough = rough_curve(samples);
  const auto [low, high] = scan.widths;
  const double step = (high - low) / (scan.count - 1);
  const auto& known = scan.known;
  const int middle = known ? std::clamp(static_cast<int>(std::lround((known->width - low) / step)),
                                        0, scan.count - 1)
                           : 0;
  for (std::size_t h = 0; h < model.hypotheses.size(); ++h) {
    if (!open.active[h]) continue;
    const Trial trial{samples, model, h, scan.effort};
    for (const int way : {1, -1}) {
      JointParameters from = known ? known->fit.parameters : rough;
      if (known) from[kTakenUp] = open.taken_up[h];
      if (!known) from[kFocus] -= low / 2;  // the rough curve is midway between the directions
      for (int k = way > 0 ? middle : middle - 1; k >= 0 && k < scan.count; k += way) {
        const double width = low + step * k;
        auto g = trial.fit(width, from);
        if (!known && k % kFreshStarts == 0) g = trial.or_afresh(g, width, rough);
        if (!g) continue;
        from = g->fit.parameters;
        grid.push_back(*g);
      }
    }
  }
  return grid;
}

std::optional<GridPoint> best_of(const std::vector<GridPoint>& grid) {
  if (grid.empty()) return std::nullopt;
  return *std::min_element(grid.begin(), grid.end(), [](const auto& a, const auto& b) {
    return a.fit.sum_of_squares < b.fit.sum_of_squares;
  });
}

OpenSearch narrowed(const OpenSearch& open, const SlackModel& model,
                    const std::vector<GridPoint>& grid) {
  // The sums of squares are in units of the noise, at first of more than it.
  constexpr double kFar = 40;
  const std::size_t hypotheses = model.hypotheses.size();
  OpenSearch next{std::vector<bool>(hypotheses, false), open.taken_up, {}};
  std::vector<double> least(hypotheses, std::numeric_limits<double>::infinity());
  double least_of_all = std::numeric_limits<double>::infinity();
  for (const GridPoint& g : grid) {
    least_of_all = std::min(least_of_all, g.fit.sum_of_squares);
    if (g.fit.sum_of_squares >= least[g.hypothesis]) continue;
    least[g.hypothesis] = g.fit.sum_of_squares;
    next.taken_up[g.hypothesis] = g.fit.parameters[kTakenUp];
  }
  const double margin = (open.widths.high - open.widths.low) / kCoarseWidths;
  double low = open.widths.high;
  double high = open.widths.low;
  for (const GridPoint& g : grid) {
    if (g.fit.sum_of_squares >= least_of_all + kFar) continue;
    next.active[g.hypothesis] = true;
    low = std::min(low, g.width - 2 * margin);
    high = std::max(high, g.width + 2 * margin);
  }
  next.widths = {std::max(model.widths.low, low), std::min(model.widths.high, high)};
  return next;
}

Places places_of(const JointSamples& samples, const SlackModel& model, const GridPoint& point) {
  return mechanism(samples, model.hypotheses[point.hypothesis], point.width,
                   std::clamp(point.fit.parameters[kTakenUp], 0.0, 1.0));
}

}  // namespace starwaist::advice
