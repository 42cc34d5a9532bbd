#include "advice/slack_posterior.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "advice/information.h"
#include "advice/slack_noise.h"
#include "curve/priors.h"
#include "numerics/grid.h"

namespace starwaist::advice {
namespace {

// In half ranges of the positions.
constexpr double kLeastWidth = -0.6;
constexpr double kMostWidth = 2;
constexpr int kNarrowings = 3;
constexpr int kFineWidths = 81;
constexpr double kNegligible = 12;  // of a log posterior below its highest
constexpr double kInfinity = std::numeric_limits<double>::infinity();

struct Region {
  JointSamples samples;  // with the weights that the noise asks for
  OpenSearch open;
  GridPoint best;
};

// The hypotheses and widths that matter, and the noise. The noise, and which points are bad, show
// only where the widths are tried in steps well below the curve's own width: in a slack of many B a
// coarse one misfits good points.
std::optional<Region> find_region(SweepData data, const SlackModel& model) {
  JointSamples& samples = data.samples;
  samples.weight = first_weights(samples);
  OpenSearch open = first_search(model);
  auto grid = scan_widths(samples, model, open,
                          {model.widths, kCoarseWidths, JointEffort::first_look, std::nullopt});
  std::optional<GridPoint> best = best_of(grid);
  if (!best) return std::nullopt;
  open = narrowed(open, model, grid);
  samples.weight = learnt_weights(data, model, *best);
  open.active.assign(model.hypotheses.size(), true);
  for (int round = 0; round < kNarrowings; ++round) {
    const double before = open.widths.high - open.widths.low;
    grid = scan_widths(samples, model, open,
                       {open.widths, kCoarseWidths / 2, JointEffort::first_look, best});
    best = best_of(grid);
    if (!best) return std::nullopt;
    open = narrowed(open, model, grid);
    samples.weight = learnt_weights(data, model, *best);
    if (open.widths.high - open.widths.low > 0.5 * before) break;
  }
  return Region{samples, open, *best};
}

double least_squares_of(const std::vector<GridPoint>& grid) {
  double least = kInfinity;
  for (const GridPoint& g : grid) least = std::min(least, g.fit.sum_of_squares);
  return least;
}

// The variance of the noise integrated out.
void weigh(std::vector<GridPoint>& grid, const SlackModel& model, double degrees) {
  const double floor = std::max(0.0, curve::kLuckiestVariance * degrees - least_squares_of(grid));
  double highest = -kInfinity;
  for (GridPoint& g : grid) {
    g.log_posterior = -0.5 * (degrees + 1) * std::log(g.fit.sum_of_squares + floor) +
                      std::log(model.hypotheses[g.hypothesis].prior);
    highest = std::max(highest, g.log_posterior);
  }
  double total = 0;
  for (GridPoint& g : grid) {
    g.log_posterior -= highest;
    g.weight = std::exp(g.log_posterior);
    total += g.weight;
  }
  for (GridPoint& g : grid) g.weight /= total;
}

// Whether the last cells hold more than a trace of the posterior.
bool reaches_the_end(const std::vector<GridPoint>& grid, double end, double step) {
  constexpr double kTrace = 0.01;
  double at_end = 0;
  for (const GridPoint& g : grid) {
    if (g.width > end - 1.5 * step) at_end += g.weight;
  }
  return at_end > kTrace;
}

// The hypotheses and widths that are not negligible.
OpenSearch likely_part(const OpenSearch& open, const std::vector<GridPoint>& grid) {
  OpenSearch part{
      std::vector<bool>(open.active.size(), false), open.taken_up, {kInfinity, -kInfinity}};
  for (const GridPoint& g : grid) {
    if (g.log_posterior < -kNegligible) continue;
    part.widths.low = std::min(part.widths.low, g.width);
    part.widths.high = std::max(part.widths.high, g.width);
    part.active[g.hypothesis] = true;
  }
  return part;
}

}  // namespace

double SlackPosterior::quantile(double q) const {
  std::vector<std::pair<double, double>> sorted;  // width, weight
  for (const GridPoint& g : points) sorted.emplace_back(g.width, g.weight);
  std::sort(sorted.begin(), sorted.end());
  std::vector<double> widths;
  std::vector<double> masses;  // over all hypotheses
  for (const auto& [width, weight] : sorted) {
    if (widths.empty() || widths.back() != width) {
      widths.push_back(width);
      masses.push_back(0);
    }
    masses.back() += weight;
  }
  // Each width stands for the cell half a step to either side.
  const auto place = numerics::place_of_mass(masses, q);
  return place ? widths[place->cell] + step * (place->part - 0.5) : widths.back();
}

SlackModel slack_model(const SweepData& data, const Rig& rig, double drift_sigma) {
  const bool reversal_inside = std::any_of(data.segments.begin(), data.segments.end(),
                                           [](const Segment& s) { return !s.begins_record; });
  SlackModel model;
  model.shape = shape_of(SizeMeasure::hfr, rig);
  model.priors.lopsidedness = curve::kLopsided;
  model.priors.drift = drift_sigma;
  model.hypotheses = play_hypotheses(data.samples.record_start.size(), reversal_inside);
  model.widths = {kLeastWidth, kMostWidth};
  return model;
}

SlackModel takeup_model(const SweepData& data, const Rig& rig) {
  constexpr double kNoDrift = 1e-3;  // half ranges
  SlackModel model = slack_model(data, rig, kNoDrift);
  model.hypotheses = nothing_taken_up(data.samples.record_start.size());
  model.widths.low = 0;
  return model;
}

std::optional<SlackPosterior> estimate_slack(const SweepData& data, const SlackModel& model) {
  constexpr int kRounds = 4;
  constexpr int kEnough = 25;  // cells that carry the posterior
  auto region = find_region(data, model);
  if (!region) return std::nullopt;
  JointSamples& samples = region->samples;
  const Rejection rejection = reject_bad_points(samples, model, region->best);
  samples.weight = rejection.weights;
  const double degrees = std::max(1.0, static_cast<double>(samples.used()) - kFittedOfSlack);
  SlackPosterior posterior;
  OpenSearch open = region->open;
  WidthRange range = open.widths;
  int count = kCoarseWidths;
  for (int round = 0; round < kRounds; ++round) {
    posterior.points =
        scan_widths(samples, model, open, {range, count, JointEffort::final_fit, region->best});
    if (posterior.points.empty()) return std::nullopt;
    weigh(posterior.points, model, degrees);
    const double step = (range.high - range.low) / (count - 1);
    posterior.step = step;
    open = likely_part(open, posterior.points);
    if (round == 0) {
      posterior.open_above = reaches_the_end(posterior.points, model.widths.high, step);
    }
    if ((open.widths.high - open.widths.low) / step >= kEnough) break;
    range.low = std::max(model.widths.low, open.widths.low - 2 * step);
    range.high = std::min(model.widths.high, open.widths.high + 2 * step);
    count = kFineWidths;
  }
  posterior.hypotheses = model.hypotheses;
  posterior.point_weights = samples.weight;
  posterior.rejected = rejection.rejected;
  posterior.variance =
      std::max(least_squares_of(posterior.points) / degrees, curve::kLuckiestVariance);
  return posterior;
}

}  // namespace starwaist::advice
