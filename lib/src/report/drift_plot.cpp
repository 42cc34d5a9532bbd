// Best focus against temperature as a figure: the data of drift_plot.gp.
#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "report/figure.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

using report::FigureData;
using report::Range;

using Rows = std::vector<std::vector<double>>;

// What the panel shows.
struct DriftView {
  Range x;
  Range y;
};

std::string title_words(const DriftResult& r) {
  if (!r.slope_steps_per_c) return "No slope of focus with temperature – " + enum_name(r.verdict);
  return "Focus moves " + format_like_sigma(*r.slope_steps_per_c, r.slope_sigma) + " ± " +
         format_like_sigma(*r.slope_sigma, r.slope_sigma) + " steps per °C – " +
         enum_name(r.verdict);
}

std::string subtitle_words(const DriftResult& r) {
  std::string text = std::to_string(r.used) + " of " + std::to_string(r.runs) + " runs";
  if (r.residual_rms_steps) {
    text += ", " + format_fixed(*r.residual_rms_steps, 1) + " steps off the line";
  }
  if (r.refocus_every_c) {
    text += ", refocus every " + format_fixed(*r.refocus_every_c, 1) + " °C";
  }
  if (r.lag_minutes) text += ", " + format_fixed(*r.lag_minutes, 0) + " minutes late";
  if (r.filters.size() > 1) text += "; filter offsets taken out";
  return text;
}

// The ranges follow the runs that count; one far off is drawn at the rim.
DriftView view_of(const std::vector<DriftPoint>& points) {
  DriftView every;
  DriftView view;
  for (const auto& point : points) {
    every.x.include(point.temperature_c);
    every.y.include(point.level_steps);
    if (!point.used) continue;
    const double sigma = point.sigma_steps.value_or(0);
    view.x.include(point.temperature_c);
    view.y.include(point.level_steps - sigma);
    view.y.include(point.level_steps + sigma);
  }
  if (view.x.empty()) view = every;
  if (view.x.empty()) {
    view.x.include(0);
    view.y.include(0);
  }
  const Range used = view.y;
  for (const auto& point : points) {
    view.x.include(point.temperature_c);
    if (point.level_steps > used.low - 0.6 * used.width() &&
        point.level_steps < used.high + 0.6 * used.width()) {
      view.y.include(point.level_steps);
    }
  }
  view.x.pad(0.04);
  view.y.pad(0.08);
  return view;
}

bool off_scale(const DriftView& view, const DriftPoint& point) {
  return point.level_steps < view.y.low || point.level_steps > view.y.high;
}

// Filters as the answer lists them; a table without filters has one nameless group.
std::vector<std::optional<std::string>> groups_of(const DriftFit& fit) {
  std::vector<std::optional<std::string>> names;
  for (const auto& f : fit.result.filters) names.push_back(f.filter);
  if (!names.empty()) return names;
  const auto used = std::find_if(fit.points.begin(), fit.points.end(),
                                 [](const DriftPoint& point) { return point.used; });
  if (used != fit.points.end()) names.push_back(used->filter);
  return names;
}

void put_words(const DriftResult& r, FigureData& data) {
  data.put("title_words", title_words(r));
  data.put("subtitle_words", subtitle_words(r));
  const std::string reason = r.reasons.empty() ? std::string() : r.reasons.front().text;
  data.put("reason_words", report::shortened(report::printable(reason), report::kReasonWidth));
  data.put("temperature_words",
           std::string(r.lag_minutes ? "temperature of the tube [°C]" : "temperature [°C]"));
}

void put_line(const DriftFit& fit, FigureData& data) {
  Rows band;
  for (const auto& p : fit.band) {
    if (!p.position_steps) continue;
    band.push_back(
        {p.temperature_c, *p.position_steps, *p.interval_95_steps.low, *p.interval_95_steps.high});
  }
  data.put("has_line", !fit.band.empty() && fit.result.slope_steps_per_c ? 1 : 0);
  data.put_block("band", band);
}

void put_groups(const DriftFit& fit, const DriftView& view, FigureData& data) {
  const auto names = groups_of(fit);
  std::vector<std::string> words;
  std::vector<double> have_points;
  std::vector<double> have_bars;
  for (const auto& name : names) {
    Rows used;
    Rows bars;
    bool points_in_sight = false;
    bool bars_in_sight = false;
    for (const auto& point : fit.points) {
      if (!point.used || point.filter != name) continue;
      const bool in_sight = !off_scale(view, point);
      used.push_back({point.temperature_c, point.level_steps});
      points_in_sight = points_in_sight || in_sight;
      if (!point.sigma_steps) continue;
      bars.push_back({point.temperature_c, point.level_steps, *point.sigma_steps});
      bars_in_sight = bars_in_sight || in_sight;
    }
    words.push_back(name               ? report::shortened(report::printable(*name), 20)
                    : names.size() > 1 ? "no filter's name"
                                       : "run");
    have_points.push_back(points_in_sight ? 1 : 0);
    have_bars.push_back(bars_in_sight ? 1 : 0);
    const std::string place = std::to_string(words.size());
    data.put_block("used" + place, used);
    data.put_block("bars" + place, bars);
  }
  data.put("groups", static_cast<double>(words.size()));
  data.put("group_words", words);
  data.put("group_points", have_points);
  data.put("group_bars", have_bars);
}

void put_rejected(const std::vector<DriftPoint>& points, const DriftView& view, FigureData& data) {
  Rows rejected;
  Rows off;
  for (const auto& point : points) {
    if (point.used) continue;
    const double y = std::clamp(point.level_steps, view.y.low, view.y.high);
    (off_scale(view, point) ? off : rejected).push_back({point.temperature_c, y});
  }
  data.put("has_rejected", rejected.empty() ? 0 : 1);
  data.put_block("rejected", rejected);
  data.put("has_off", off.empty() ? 0 : 1);
  data.put_block("off", off);
}

report::Figure drift_figure(const DriftFit& fit) {
  const DriftView view = view_of(fit.points);
  report::Figure figure;
  FigureData& data = figure.data;
  put_words(fit.result, data);
  data.put("has_points", fit.points.empty() ? 0 : 1);
  data.put("x_low", view.x.low);
  data.put("x_high", view.x.high);
  data.put("y_low", view.y.low);
  data.put("y_high", view.y.high);
  put_line(fit, data);
  put_groups(fit, view, data);
  put_rejected(fit.points, view, data);
  figure.script = report::kDriftPlotScript;
  figure.title = "Focus and temperature: " + title_words(fit.result);
  figure.description =
      "Best focus of each run against temperature, with the fitted line and the band in which "
      "single runs lie. " +
      subtitle_words(fit.result);
  return figure;
}

}  // namespace

Result<std::string> drift_plot(const DriftFit& fit, FigureFormat format) {
  return report::drawn_figure(drift_figure(fit), format);
}

Result<void> write_drift_plot(const DriftFit& fit, const std::string& path,
                              const std::vector<std::string>& protected_paths) {
  return report::write_figure(path, protected_paths,
                              [&](FigureFormat format) { return drift_plot(fit, format); });
}

}  // namespace starwaist
