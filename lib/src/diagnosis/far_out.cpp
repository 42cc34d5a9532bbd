#include "diagnosis/far_out.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "curve/priors.h"
#include "diagnosis/focus_samples.h"
#include "diagnosis/phrases.h"
#include "numerics/line.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

// A line through the sizes about the middle of the run, all points alike.
struct Line {
  double middle_steps = 0;
  double size_px = 0;
  double slope_px_per_step = 0;
  double slope_sigma = 0;
  double range_steps = 0;
  double smallest_px = 0;
};

std::optional<Line> line_of(const RunView& run) {
  const std::vector<std::size_t>& which = run.sized_points();
  constexpr std::size_t kFewest = 3;
  if (which.size() < kFewest) return std::nullopt;
  const auto [low, high] = ends_of(run, [&](std::size_t i) { return run.position_steps(i); });
  Line line;
  line.range_steps = high - low;
  if (!(line.range_steps > 0)) return std::nullopt;
  line.smallest_px = smallest_size_px(run);
  const auto n = static_cast<double>(which.size());
  for (const std::size_t i : which) line.middle_steps += run.position_steps(i) / n;
  std::vector<double> places;  // in ranges from the middle
  std::vector<double> sizes;
  for (const std::size_t i : which) {
    places.push_back((run.position_steps(i) - line.middle_steps) / line.range_steps);
    sizes.push_back(*run.point(i).size_px);
  }
  const auto fit = numerics::weighted_line(places, sizes, std::vector<double>(sizes.size(), 1.0));
  if (!fit) return std::nullopt;
  line.size_px = fit->intercept;
  line.slope_px_per_step = fit->slope / line.range_steps;
  double squares = 0;
  for (std::size_t k = 0; k < sizes.size(); ++k) {
    squares += std::pow(sizes[k] - fit->intercept - fit->slope * places[k], 2);
  }
  // No run scatters by less than the seeing does.
  constexpr double kLeastScatter = 0.01;  // of a size; common practice, no source
  const double scatter = std::max(std::sqrt(squares / (n - 2)), kLeastScatter * line.size_px);
  line.slope_sigma = scatter * fit->slope_sigma / line.range_steps;
  return line;
}

// Half-flux radius in focus under a seeing of `arcsec`, no smaller than a pixel.
double size_in_focus_px(Rig rig, double arcsec) {
  rig.seeing_arcsec = arcsec;
  constexpr double kWithoutFocalLengthPx = 2;
  return std::max(1.0, seeing_half_flux_radius_px(rig).value_or(kWithoutFocalLengthPx));
}

}  // namespace

std::optional<FarOut> far_out(const RunView& run) {
  const auto arm = optics_slope_px_per_step(run.record());
  const auto line = line_of(run);
  if (!arm || !line) return std::nullopt;
  const Rig& rig = run.record().rig;
  constexpr double kFarBeyondAnyAirArcsec = 20;
  if (line->smallest_px < size_in_focus_px(rig, kFarBeyondAnyAirArcsec)) return std::nullopt;
  FarOut far;
  far.middle_steps = line->middle_steps;
  far.size_px = line->size_px;
  far.distance_steps = line->size_px / *arm;
  // The optics' slope, the obstruction and what the seeing adds.
  constexpr double kOfDistance = 0.08;
  far.sigma_steps = kOfDistance * far.distance_steps;
  far.core_steps =
      size_in_focus_px(rig, rig.seeing_arcsec.value_or(curve::kUsualSeeingArcsec)) / *arm;
  if (far.distance_steps < 0.5 * line->range_steps + 2 * far.sigma_steps) return std::nullopt;
  // Towards best focus the sizes fall by the arm's slope; equal sizes, or a steeper change, are of
  // something else.
  constexpr double kSigmas = 3;
  const double slope = std::abs(line->slope_px_per_step);
  if (std::abs(slope - *arm) > 0.4 * *arm + kSigmas * line->slope_sigma) return std::nullopt;
  if (slope > kSigmas * line->slope_sigma) far.side = line->slope_px_per_step < 0 ? 1 : -1;
  return far;
}

}  // namespace starwaist::diagnosis
