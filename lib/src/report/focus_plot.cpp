// The focus curve as a figure: the data of focus_plot.gp.
#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "report/figure.h"
#include "report/focus_view.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

using report::expected_size;
using report::FigureData;
using report::NumberRows;
using report::off_scale;
using report::View;

constexpr std::size_t kMostLabels = 8;  // labels of rejected points; more would cover the figure

void put_words(const FitResult& fit, FigureData& data) {
  data.put("title_words", report::figure_title(fit));
  data.put("subtitle_words", report::figure_subtitle(fit));
  // Why the answer is not trusted: the first reason, as much of it as one line holds.
  const std::string reason = fit.reasons.empty() ? std::string() : fit.reasons.front().text;
  data.put("reason_words", report::shortened(report::printable(reason), report::kReasonWidth));
  data.put("size_words", report::size_words(fit));
}

void put_rows(const std::string& name, const NumberRows& rows, FigureData& data) {
  data.put("has_" + name, rows.empty() ? 0 : 1);
  data.put_block(name, rows);
}

void put_points(const View& view, FigureData& data) {
  NumberRows used;
  NumberRows bars;
  NumberRows rejected;
  NumberRows off;
  for (const auto& point : view.fit.points) {
    if (!point.size_px) continue;
    const double x = point.position_steps;
    const double y = *point.size_px;
    if (point.used) {
      used.push_back({x, y});
      if (point.sigma_px) bars.push_back({x, y, *point.sigma_px});
    } else if (off_scale(view, point)) {
      off.push_back(
          {std::clamp(x, view.x.low, view.x.high), std::clamp(y, view.y.low, view.y.high)});
    } else {
      rejected.push_back({x, y});
    }
  }
  put_rows("used", used, data);
  put_rows("bars", bars, data);
  put_rows("rejected", rejected, data);
  put_rows("off", off, data);
  data.put("has_points", used.empty() && rejected.empty() && off.empty() ? 0 : 1);
}

void put_residuals(const View& view, FigureData& data) {
  NumberRows residual;
  NumberRows bars;
  double largest = 0;
  for (const auto& point : view.fit.points) {
    const auto expected = expected_size(view, point);
    if (!point.used || !point.size_px || !expected) continue;
    const double off_curve = *point.size_px - *expected;
    residual.push_back({point.position_steps, off_curve});
    if (point.sigma_px) bars.push_back({point.position_steps, off_curve, *point.sigma_px});
    largest = std::max(largest, std::abs(off_curve) + point.sigma_px.value_or(0));
  }
  if (!(largest > 0)) largest = 0.01;
  data.put("has_chosen", view.chosen != nullptr ? 1 : 0);
  data.put_block("residual", residual);
  data.put_block("residual_bars", bars);
  data.put("largest_residual", largest);
  data.put("residual_tics", report::nice_step(largest));
}

void put_curves(const View& view, FigureData& data) {
  std::vector<std::string> other_words;
  std::string chosen_words;
  NumberRows chosen;
  for (const ModelFit& model : view.fit.models) {
    if (!curve_size_px(model, view.x.low)) continue;
    const std::string words = report::curve_words(view.fit, model);
    if (&model == view.chosen) {
      chosen = report::curve_rows(view, model);
      chosen_words = words;
    } else {
      other_words.push_back(words);
      data.put_block("other" + std::to_string(other_words.size()), report::curve_rows(view, model));
    }
  }
  data.put_block("chosen", chosen);
  data.put("draws_chosen", chosen.empty() ? 0 : 1);
  data.put("chosen_words", chosen_words);
  data.put("others", static_cast<double>(other_words.size()));
  data.put("other_words", other_words);
}

void put_band(const std::string& name, const Interval& band, const View& view, FigureData& data) {
  const auto shown = report::shown_band(view, band);
  data.put("has_" + name, shown ? 1 : 0);
  data.put(name + "_low", shown ? shown->low : view.x.low);
  data.put(name + "_high", shown ? shown->high : view.x.low);
}

void put_bands(const View& view, FigureData& data) {
  const FitResult& fit = view.fit;
  const auto best = report::shown_best(view);
  const bool has_best = best.has_value();
  data.put("has_best", has_best ? 1 : 0);
  data.put("best", best.value_or(0));
  const Interval zone = report::focus_zone(fit);
  put_band("zone", zone, view, data);
  data.put("names_zone", has_best && fit.critical_focus_zone_steps ? 1 : 0);
  const Interval& interval = fit.interval_95_steps;
  put_band("interval", interval, view, data);
  const bool in_sight = (interval.low || interval.high) &&
                        interval.low.value_or(view.x.low) < view.x.high &&
                        interval.high.value_or(view.x.high) > view.x.low;
  data.put("names_interval", in_sight ? 1 : 0);
}

// Labels stand where the curve is not: outwards from a point below it, inwards from one above.
bool label_to_the_left(const View& view, const CurvePoint& point, double at_x) {
  constexpr double kRoom = 0.25;  // of the panel's width, for a label of 24 characters
  if (at_x < view.x.low + kRoom * view.x.width()) return false;
  if (at_x > view.x.high - kRoom * view.x.width()) return true;
  const double middle = view.fit.best_focus_steps.value_or((view.x.low + view.x.high) / 2);
  const auto expected = expected_size(view, point);
  const bool below = expected && *point.size_px < *expected;
  return (at_x < middle) == below;
}

void put_labels(const View& view, FigureData& data) {
  std::vector<CurvePoint> rejected;
  for (const auto& point : view.fit.points) {
    if (point.size_px && !point.used) rejected.push_back(point);
  }
  if (rejected.size() > kMostLabels) rejected.clear();
  std::vector<std::string> words;
  std::vector<double> x;
  std::vector<double> y;
  std::vector<double> left;
  std::vector<double> lift;
  for (const auto& point : rejected) {
    x.push_back(std::clamp(point.position_steps, view.x.low, view.x.high));
    y.push_back(std::clamp(*point.size_px, view.y.low, view.y.high));
    left.push_back(label_to_the_left(view, point, x.back()) ? 1 : 0);
    lift.push_back(y.back() > view.y.low + 0.9 * view.y.width() ? -0.3 : 0);
    words.push_back(report::shortened(report::printable(point.file), 24));
    if (off_scale(view, point)) {
      words.back() += ": " + format_fixed(*point.size_px, 1) + " px at " +
                      format_fixed(point.position_steps, position_decimals(view.fit.points));
    }
  }
  data.put("labels", static_cast<double>(words.size()));
  data.put("label_words", words);
  data.put("label_x", x);
  data.put("label_y", y);
  data.put("label_left", left);
  data.put("label_lift", lift);
}

report::Figure focus_figure(const FitResult& fit) {
  const View view = report::view_of(fit);
  report::Figure figure;
  FigureData& data = figure.data;
  data.put("x_low", view.x.low);
  data.put("x_high", view.x.high);
  data.put("y_low", view.y.low);
  data.put("y_high", view.y.high);
  put_words(fit, data);
  put_points(view, data);
  put_residuals(view, data);
  put_curves(view, data);
  put_bands(view, data);
  put_labels(view, data);
  figure.script = report::kFocusPlotScript;
  figure.title = "Focus curve: " + report::figure_title(fit);
  figure.description =
      "Star size against focuser position, with the fitted curve and its residuals. " +
      report::figure_subtitle(fit);
  return figure;
}

}  // namespace

Result<std::string> focus_plot(const RunAnswer& run, FigureFormat format) {
  return report::drawn_figure(focus_figure(run.fit), format);
}

Result<void> write_focus_plot(const RunAnswer& run, const std::string& path,
                              const std::vector<std::string>& protected_paths) {
  return report::write_figure(path, protected_paths,
                              [&](FigureFormat format) { return focus_plot(run, format); });
}

}  // namespace starwaist
