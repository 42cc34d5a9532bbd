#include "report/focus_view.h"

#include <algorithm>
#include <cmath>

#include "report/words.h"
#include "starwaist/numbers.h"

namespace starwaist::report {

namespace {

constexpr int kCurveSamples = 400;

// The rectangle that holds some points, an error bar to either side.
struct Extent {
  Range x;
  Range y;

  void include(const CurvePoint& point, double sigma_px) {
    x.include(point.position_steps);
    y.include(*point.size_px - sigma_px);
    y.include(*point.size_px + sigma_px);
  }
};

// Of the points that count; of all where none counts.
Extent extent_of_points(const FitResult& fit) {
  Extent every;
  Extent used;
  for (const auto& point : fit.points) {
    if (!point.size_px) continue;
    every.include(point, 0);
    if (point.used) used.include(point, point.sigma_px.value_or(0));
  }
  if (!used.x.empty()) return used;
  if (!every.x.empty()) return every;
  every.x.include(0);
  every.y.include(1);
  return every;
}

// Whether the value is no farther outside the range than so much of its width.
bool near(const Range& range, double value, double widths) {
  return value > range.low - widths * range.width() && value < range.high + widths * range.width();
}

}  // namespace

std::string figure_title(const FitResult& fit) {
  return "Best focus " + best_focus_words(fit) + " – " + enum_name(fit.verdict);
}

std::string figure_subtitle(const FitResult& fit) {
  std::string text;
  const auto add = [&](const std::string& part) { text += (text.empty() ? "" : ", ") + part; };
  if (const auto words = interval_words(fit.interval_95_steps, fit.best_focus_sigma_steps);
      !words.empty()) {
    add("95 % interval " + words);
  }
  if (fit.critical_focus_zone_steps) {
    add("focus zone " + format_like_sigma(*fit.critical_focus_zone_steps, std::nullopt) +
        " steps wide");
  }
  if (fit.probability_in_zone) {
    add("inside it with " + percent_words(*fit.probability_in_zone) + " probability");
  }
  return text;
}

std::string size_words(const FitResult& fit) {
  return fit.size_measure == SizeMeasure::fwhm ? "full width at half maximum [px]"
                                               : "half-flux radius [px]";
}

std::string curve_words(const FitResult& fit, const ModelFit& model) {
  std::string words = enum_name(model.model);
  if (model.weight && fit.models.size() > 1) {
    words += " (weight " + percent_words(*model.weight) + ")";
  }
  return words;
}

View view_of(const FitResult& fit) {
  const Extent used = extent_of_points(fit);
  View view{fit, chosen_model(fit), used.x, used.y};
  // Best focus belongs in the figure unless it is far off the sweep.
  if (fit.best_focus_steps && near(used.x, *fit.best_focus_steps, 0.5)) {
    view.x.include(*fit.best_focus_steps);
  }
  // So does the bottom of the curve, unless it is far below the sizes of a run that shows its
  // shape.
  const auto count = std::count_if(fit.points.begin(), fit.points.end(),
                                   [](const CurvePoint& p) { return p.used && p.size_px; });
  if (view.chosen != nullptr && view.chosen->min_size_px &&
      (count < VerdictRules::kFewestPoints ||
       *view.chosen->min_size_px > used.y.low - 0.5 * used.y.width())) {
    view.y.include(std::min(*view.chosen->min_size_px, used.y.high));
  }
  for (const auto& point : fit.points) {
    if (!point.size_px || point.used) continue;
    if (near(used.x, point.position_steps, 0.4)) view.x.include(point.position_steps);
    if (near(used.y, *point.size_px, 0.4)) view.y.include(*point.size_px);
  }
  view.x.pad(0.06);
  view.y.pad(0.08);
  view.y.low = std::max(view.y.low, 0.0);  // a size below zero means nothing
  return view;
}

bool off_scale(const View& view, const CurvePoint& point) {
  return point.position_steps < view.x.low || point.position_steps > view.x.high ||
         *point.size_px < view.y.low || *point.size_px > view.y.high;
}

std::optional<double> expected_size(const View& view, const CurvePoint& point) {
  if (view.chosen == nullptr) return std::nullopt;
  return curve_size_px(*view.chosen, point.position_steps);
}

NumberRows curve_rows(const View& view, const ModelFit& model) {
  NumberRows rows;
  for (int i = 0; i <= kCurveSamples; ++i) {
    const double position = view.x.low + view.x.width() * i / kCurveSamples;
    const auto size = curve_size_px(model, position);
    const bool shown = size && *size >= view.y.low && *size <= view.y.high;
    rows.push_back(shown ? std::vector<double>{position, *size} : std::vector<double>());
  }
  return rows;
}

std::optional<double> shown_best(const View& view) {
  const auto& best = view.fit.best_focus_steps;
  return best && *best >= view.x.low && *best <= view.x.high ? best : std::nullopt;
}

Interval focus_zone(const FitResult& fit) {
  if (!fit.best_focus_steps || !fit.critical_focus_zone_steps) return {};
  const double half = *fit.critical_focus_zone_steps / 2;
  return {*fit.best_focus_steps - half, *fit.best_focus_steps + half};
}

std::optional<Range> shown_band(const View& view, const Interval& band) {
  if (!band.low && !band.high) return std::nullopt;
  const double low = std::clamp(band.low.value_or(view.x.low), view.x.low, view.x.high);
  const double high = std::clamp(band.high.value_or(view.x.high), view.x.low, view.x.high);
  return low < high ? std::optional<Range>({low, high}) : std::nullopt;
}

}  // namespace starwaist::report
