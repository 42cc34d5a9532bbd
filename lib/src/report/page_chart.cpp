// What page.js draws. The panel, the curves and the words are those of the figure and the table.
#include <algorithm>
#include <cmath>
#include <limits>
#include <string>
#include <vector>

#include "report/fit_parts.h"
#include "report/focus_view.h"
#include "report/page_parts.h"
#include "report/text_table.h"

namespace starwaist::report {

namespace {

using encoding::Json;

// Enough for any screen; a page of a long run stays small.
double rounded(double value) {
  constexpr double kDigits = 1e7;
  if (!std::isfinite(value) || value == 0) return 0;
  const double unit = std::pow(10.0, std::floor(std::log10(std::abs(value)))) / kDigits;
  return std::round(value / unit) * unit;
}

Json range_json(const Range& range) {
  return Json::array({rounded(range.low), rounded(range.high)});
}

Json optional_json(const std::optional<double>& value) {
  return value && std::isfinite(*value) ? Json(*value) : Json(nullptr);
}

Json rows_json(const NumberRows& rows) {
  Json json = Json::array();
  for (const auto& row : rows) {
    json.push_back(row.empty() ? Json::array() : Json::array({rounded(row[0]), rounded(row[1])}));
  }
  return json;
}

Json point_json(std::size_t index, const CurvePoint& point, double x, double y) {
  return {{"x", x}, {"y", y}, {"s", optional_json(point.sigma_px)}, {"i", index}};
}

// The name of each point's frame and its numbers, as the table has them.
Json point_words(const FitResult& fit) {
  const Table table = points_table(fit, std::numeric_limits<std::size_t>::max());
  Json words = Json::array();
  for (std::size_t i = 0; i < table.rows.size(); ++i) {
    const CurvePoint& point = fit.points[i];
    Json lines = Json::array({printable(point.file)});
    for (std::size_t c = 0; c < table.columns.size(); ++c) {
      const Column& column = table.columns[c];
      const std::string& cell = table.rows[i][c];
      if (cell.empty() || column.heading == "Used" || column.heading == "Frame") continue;
      lines.push_back(column.heading + " " + cell + (column.unit.empty() ? "" : " " + column.unit));
    }
    if (!point.used) {
      lines.push_back("not used" + (point.reason ? ": " + printable(point.reason->text) : ""));
    }
    words.push_back(std::move(lines));
  }
  return words;
}

void put_points(const View& view, Json& data) {
  for (const char* name : {"used", "rejected", "off", "residuals"}) data[name] = Json::array();
  double largest = 0;
  for (std::size_t i = 0; i < view.fit.points.size(); ++i) {
    const CurvePoint& point = view.fit.points[i];
    if (!point.size_px) continue;
    const double x = point.position_steps;
    const double y = *point.size_px;
    if (!point.used && off_scale(view, point)) {
      data["off"].push_back(point_json(i, point, std::clamp(x, view.x.low, view.x.high),
                                       std::clamp(y, view.y.low, view.y.high)));
      continue;
    }
    data[point.used ? "used" : "rejected"].push_back(point_json(i, point, x, y));
    const auto expected = expected_size(view, point);
    if (!point.used || !expected) continue;
    data["residuals"].push_back(point_json(i, point, x, y - *expected));
    largest = std::max(largest, std::abs(y - *expected) + point.sigma_px.value_or(0));
  }
  data["largest_residual"] = largest > 0 ? largest : 0.01;
}

}  // namespace

encoding::Json chart_data(const FitResult& fit) {
  const View view = view_of(fit);
  Json data = {{"x", range_json(view.x)}, {"y", range_json(view.y)}};
  data["size_words"] = size_words(fit);
  data["points"] = point_words(fit);
  put_points(view, data);
  data["curve"] = nullptr;
  data["other_curves"] = Json::array();
  for (const ModelFit& model : fit.models) {
    if (!curve_size_px(model, view.x.low)) continue;
    Json rows = rows_json(curve_rows(view, model));
    if (&model == view.chosen) {
      data["curve"] = std::move(rows);
    } else {
      data["other_curves"].push_back(std::move(rows));
    }
  }
  data["best"] = optional_json(shown_best(view));
  const auto band = [&view](const Interval& interval) {
    const auto range = shown_band(view, interval);
    return range ? range_json(*range) : Json(nullptr);
  };
  data["zone"] = band(focus_zone(fit));
  data["interval"] = band(fit.interval_95_steps);
  return data;
}

}  // namespace starwaist::report
