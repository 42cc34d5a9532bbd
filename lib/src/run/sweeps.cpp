#include "run/sweeps.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>

#include "starwaist/codes.h"
#include "starwaist/numbers.h"

namespace starwaist::run_detail {
namespace {

// A hundred positions with five frames each. The cost of judging a run grows with the square.
constexpr std::size_t kMostRows = 500;
constexpr std::size_t kShortestSweep = 4;  // positions; fewer show no curve
constexpr double kFarApart = 5;            // sigmas

// Positions one after another, repeats at one place counted once.
struct Stop {
  std::size_t first_point = 0;
  double position_steps = 0;
};

std::vector<Stop> stops_of(const std::vector<CurvePoint>& points) {
  std::vector<Stop> stops;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const double position = points[i].position_steps;
    if (stops.empty() || position != stops.back().position_steps) stops.push_back({i, position});
  }
  return stops;
}

// Stops from `begin` on that go the way of the first two; one past the last.
std::size_t end_of_sweep(const std::vector<Stop>& stops, std::size_t begin) {
  std::size_t end = begin + 1;
  if (end >= stops.size()) return stops.size();
  const bool outward = stops[end].position_steps > stops[begin].position_steps;
  while (end < stops.size() &&
         (stops[end].position_steps > stops[end - 1].position_steps) == outward) {
    ++end;
  }
  return end;
}

std::optional<FitResult> fit_of(const std::vector<CurvePoint>& points, std::size_t begin,
                                std::size_t end, const Rig& rig, const FitOptions& options) {
  const auto at = [&points](std::size_t i) {
    return points.begin() + static_cast<std::ptrdiff_t>(i);
  };
  auto fit = fit_curve({at(begin), at(end)}, rig, options);
  if (!fit || fit->verdict == Verdict::unusable) return std::nullopt;
  if (!fit->best_focus_steps || !fit->best_focus_sigma_steps) return std::nullopt;
  return std::move(*fit);
}

bool far_apart(const FitResult& a, const FitResult& b) {
  const double sigma = std::hypot(*a.best_focus_sigma_steps, *b.best_focus_sigma_steps);
  return std::abs(*a.best_focus_steps - *b.best_focus_steps) > kFarApart * sigma;
}

// The place and best focus of two neighbouring sweeps that are not of one run.
std::optional<std::string> runs_in(const std::vector<CurvePoint>& points,
                                   const std::vector<std::size_t>& starts, const Rig& rig,
                                   const FitOptions& options) {
  const int decimals = position_decimals(points);
  std::optional<FitResult> last;
  for (std::size_t k = 0; k < starts.size(); ++k) {
    const std::size_t end = k + 1 < starts.size() ? starts[k + 1] : points.size();
    auto fit = fit_of(points, starts[k], end, rig, options);
    if (last && fit && far_apart(*last, *fit)) {
      return points[starts[k]].file + ", with best focus near " +
             format_fixed(*last->best_focus_steps, decimals) + " before and " +
             format_fixed(*fit->best_focus_steps, decimals) + " after";
    }
    if (fit) last = std::move(fit);
  }
  return std::nullopt;
}

}  // namespace

std::vector<std::size_t> sweep_starts(const std::vector<CurvePoint>& points) {
  std::vector<std::size_t> starts = {0};
  const std::vector<Stop> stops = stops_of(points);
  std::size_t begin = 0;
  while (begin < stops.size()) {
    const std::size_t end = end_of_sweep(stops, begin);
    const std::size_t next_end = end < stops.size() ? end_of_sweep(stops, end) : end;
    if (end - begin < kShortestSweep || next_end - end < kShortestSweep) {
      begin = std::max(end - 1, begin + 1);  // the place of a turn belongs to both ways
      continue;
    }
    const double range = stops[end - 1].position_steps - stops[begin].position_steps;
    const double back = stops[end - 1].position_steps - stops[end].position_steps;
    const double next_range = stops[next_end - 1].position_steps - stops[end].position_steps;
    if (range * next_range > 0 && back / range > 0.5) starts.push_back(stops[end].first_point);
    begin = end;
  }
  return starts;
}

Result<void> check_one_run(RunTable& table, const Rig& rig, const FitOptions& options) {
  const std::vector<CurvePoint>& points = table.points;
  if (points.size() > kMostRows) {
    return fail(ErrorCode::no_data,
                table.source + ": " + std::to_string(points.size()) +
                    " rows are more than a run can have (" + std::to_string(kMostRows) + ")",
                "Keep the rows of one run, or distinguish runs by a column 'run' and use --each");
  }
  const std::vector<std::size_t> starts = sweep_starts(points);
  if (starts.size() < 2) return {};
  const std::string count = starts.size() == 2 ? "two" : std::to_string(starts.size());
  const auto runs = table.named ? std::nullopt : runs_in(points, starts, rig, options);
  if (runs) {
    return fail(
        ErrorCode::no_data,
        table.source + ": the table holds " + count + " runs: positions start again at " + *runs,
        "Add a column 'run' and use 'starwaist fit --each', or keep the rows of one run");
  }
  table.notes.push_back({codes::positions_start_again, "positions start again at " +
                                                           points[starts[1]].file + ": " + count +
                                                           " sweeps are read as one run"});
  return {};
}

}  // namespace starwaist::run_detail
