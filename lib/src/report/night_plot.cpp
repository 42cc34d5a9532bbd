// A night's timeline as a figure: the data of night_plot.gp.
#include <algorithm>
#include <cmath>
#include <map>
#include <string>
#include <vector>

#include "core/clock.h"
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
using Filters = std::vector<std::optional<std::string>>;

// Pale, so that points stand out; the cause is also written.
const std::map<std::string, std::string> kCauseColors = {
    {"thermal_drift", "#F6D9C6"}, {"focus_drift", "#F6D9C6"},   {"focus_jump", "#F3C4C4"},
    {"missed_focus", "#F3C4C4"},  {"passing_cloud", "#D8DEE6"}, {"fogging", "#CFE3E8"},
    {"image_motion", "#E7D9EE"},  {"bad_seeing", "#E6EBCB"},    {"background_change", "#F7EFC4"}};

std::string title_words(const SessionAnswer& answer) {
  const NightResult& r = answer.judgement.result;
  std::string text = "Night of " + std::to_string(answer.frames.size()) + " frames";
  const auto focus = std::count_if(r.periods.begin(), r.periods.end(),
                                   [](const NightPeriod& p) { return p.focus_lost; });
  if (focus == 0) return text + ": focus held – " + enum_name(r.verdict);
  return text + ": focus lost " + (focus == 1 ? "once" : std::to_string(focus) + " times") + " – " +
         enum_name(r.verdict);
}

// Where the frames lie: by the clock in seconds where every frame has its time, else by number.
struct TimeAxis {
  bool clock = false;
  std::vector<double> x;  // middle of each frame's exposure
  Range range;

  // As drawn: a clock shows whole seconds.
  [[nodiscard]] double at(double value) const { return clock ? std::nearbyint(value) : value; }
};

TimeAxis time_axis_of(const std::vector<MeasuredFrame>& frames) {
  TimeAxis axis;
  std::vector<std::optional<double>> times;
  for (const MeasuredFrame& frame : frames) {
    const auto& time_utc = frame.measurement.time_utc;
    times.push_back(time_utc ? core::parse_utc(*time_utc) : std::nullopt);
  }
  axis.clock = std::all_of(times.begin(), times.end(), [](const auto& t) { return bool(t); });
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const double half = axis.clock ? 0.5 * frames[i].measurement.exposure_s.value_or(0) : 0;
    axis.x.push_back(axis.clock ? *times[i] + half : static_cast<double>(i + 1));
    axis.range.include(axis.x.back() - half);
    axis.range.include(axis.x.back() + half);
  }
  axis.range.pad(0.01);
  return axis;
}

// The stretch of the axis that a period covers.
Range extent_of(const NightPeriod& period, const std::vector<MeasuredFrame>& frames,
                const TimeAxis& axis) {
  const auto half = [&](std::size_t i) {
    return axis.clock ? std::max(0.5 * frames[i].measurement.exposure_s.value_or(0), 30.0) : 0.5;
  };
  std::size_t first = 0;
  std::size_t last = 0;
  for (std::size_t i = frames.size(); i-- > 0;) {
    if (frames[i].measurement.file == period.from_file) first = i;
    if (frames[i].measurement.file == period.to_file) last = std::max(last, i);
  }
  Range range;
  range.include(axis.x[first] - half(first));
  range.include(axis.x[last] + half(last));
  range.low = std::max(range.low, axis.range.low);
  range.high = std::min(range.high, axis.range.high);
  return range;
}

// The periods, shaded, with their names in rows one above the other, so that neighbours do not
// overlap.
void put_periods(const SessionAnswer& answer, const TimeAxis& axis, FigureData& data) {
  std::vector<double> from;
  std::vector<double> to;
  std::vector<std::string> colors;
  std::vector<std::string> words;
  std::vector<double> words_x;
  std::vector<double> words_y;
  std::vector<double> taken_to(4, -1);
  for (const NightPeriod& period : answer.judgement.result.periods) {
    const Range range = extent_of(period, answer.frames, axis);
    const auto color = kCauseColors.find(period.cause);
    from.push_back(axis.at(range.low));
    to.push_back(axis.at(range.high));
    colors.push_back(color == kCauseColors.end() ? "#DDDDDD" : color->second);
    const double width = 0.0085 * static_cast<double>(period.cause.size()) * axis.range.width();
    const double left = std::clamp(0.5 * (range.low + range.high) - width / 2, axis.range.low,
                                   axis.range.high - width);
    std::size_t row = 0;
    while (row + 1 < taken_to.size() && taken_to[row] > left) ++row;
    taken_to[row] = left + width;
    words.push_back(report::spaced(period.cause));
    words_x.push_back(axis.at(left));
    words_y.push_back(0.965 - 0.065 * static_cast<double>(row));
  }
  data.put("periods", static_cast<double>(words.size()));
  data.put("period_from", from);
  data.put("period_to", to);
  data.put("period_color", colors);
  data.put("period_words", words);
  data.put("period_words_x", words_x);
  data.put("period_words_y", words_y);
}

// Moves of the focuser within a filter, between the frames before and after.
void put_moves(const std::vector<MeasuredFrame>& frames, const TimeAxis& axis, FigureData& data) {
  std::vector<double> moves;
  std::map<std::string, double> before;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!frames[i].measurement.position_steps) continue;
    const auto [known, first] = before.try_emplace(frames[i].measurement.filter.value_or(""),
                                                   *frames[i].measurement.position_steps);
    if (!first && known->second != *frames[i].measurement.position_steps && i > 0) {
      moves.push_back(axis.at(0.5 * (axis.x[i - 1] + axis.x[i])));
    }
    known->second = *frames[i].measurement.position_steps;
  }
  data.put("moves", static_cast<double>(moves.size()));
  data.put("move_x", moves);
}

// One figure of every frame that has it, as a block; gives the range of the values.
template <class Value>
Range put_column(const std::string& name, const TimeAxis& axis, Value&& value, FigureData& data) {
  Range range;
  Rows rows;
  for (std::size_t i = 0; i < axis.x.size(); ++i) {
    const std::optional<double> y = value(i);
    if (!y) continue;
    range.include(*y);
    rows.push_back({axis.at(axis.x[i]), *y});
  }
  data.put_block(name, rows);
  return range;
}

// Sizes, and what was reachable, by filter.
Range put_sizes(const SessionAnswer& answer, const TimeAxis& axis, FigureData& data) {
  Range range;
  std::vector<std::string> words;
  for (const NightFilter& filter : answer.judgement.result.filters) {
    words.push_back(filter.filter ? report::shortened(report::printable(*filter.filter), 14)
                                  : "frame");
    const std::string name = lower_case(filter.filter.value_or(""));
    const auto size = [&](std::size_t i) {
      const FrameMeasurement& frame = answer.frames[i].measurement;
      return lower_case(frame.filter.value_or("")) == name ? frame.hfr_px : std::nullopt;
    };
    const auto best = [&](std::size_t i) -> std::optional<double> {
      const auto& loss = answer.judgement.frames[i].loss_percent;
      if (!loss || !size(i)) return std::nullopt;
      return *size(i) / (1 + *loss / 100);
    };
    const std::string place = std::to_string(words.size());
    for (const Range& part : {put_column("best" + place, axis, best, data),
                              put_column("size" + place, axis, size, data)}) {
      if (part.empty()) continue;
      range.include(part.low);
      range.include(part.high);
    }
  }
  data.put("filters", static_cast<double>(words.size()));
  data.put("filter_words", words);
  return range;
}

struct Panel {
  std::string words;
  std::string block;  // "size": a pair of blocks for each filter
  Range range;
  double least_width = 0;
};

// What the frames have nothing of has no panel.
std::vector<Panel> put_panels(const SessionAnswer& answer, const TimeAxis& axis, FigureData& data) {
  const auto& frames = answer.frames;
  const auto column = [&](const std::string& name, const auto& value) {
    return put_column(name, axis, value, data);
  };
  Range sizes = put_sizes(answer, axis, data);
  if (!sizes.empty()) sizes.high += 0.25 * sizes.width();  // room for the names
  Range shape = column("ecc", [&](std::size_t i) { return frames[i].measurement.eccentricity; });
  if (!shape.empty()) shape.include(0);
  std::vector<Panel> panels = {
      {"half-flux radius [px]", "size", sizes, 0.3},
      {"eccentricity", "ecc", shape, 0.2},
      {"star light [%]", "light",
       column("light", [&](std::size_t i) { return answer.judgement.frames[i].light_percent; }),
       20},
      {"sky [ADU]", "sky",
       column("sky",
              [&](std::size_t i) {
                return std::optional<double>(frames[i].measurement.background_adu);
              }),
       10},
      {"temperature [°C]", "temp",
       column("temp", [&](std::size_t i) { return frames[i].measurement.temperature_c; }), 1}};
  panels.erase(std::remove_if(panels.begin(), panels.end(),
                              [](const Panel& panel) { return panel.range.empty(); }),
               panels.end());
  for (Panel& panel : panels) {
    const double room = 0.5 * (panel.least_width - panel.range.width());
    if (room > 0) {
      panel.range.low -= room;
      panel.range.high += room;
    }
    panel.range.pad(0.12);
  }
  return panels;
}

// The first panel takes as much as two.
void put_layout(const std::vector<Panel>& panels, FigureData& data) {
  constexpr double kTop = 0.875;
  constexpr double kBottom = 0.085;
  constexpr double kGap = 0.025;
  const double unit = (kTop - kBottom) / (static_cast<double>(panels.size()) + 1.2);
  std::vector<std::string> words;
  std::vector<std::string> blocks;
  std::vector<double> low;
  std::vector<double> high;
  std::vector<double> tics;
  std::vector<double> tops;
  std::vector<double> bottoms;
  double top = kTop;
  for (const Panel& panel : panels) {
    const double height = words.empty() ? 2.2 * unit : unit;
    words.push_back(panel.words);
    blocks.push_back(panel.block);
    low.push_back(panel.range.low);
    high.push_back(panel.range.high);
    tics.push_back(report::nice_step(panel.range.width() / 2));
    tops.push_back(top);
    bottoms.push_back(top - height + (words.size() == panels.size() ? 0 : kGap));
    top -= height;
  }
  data.put("panels", static_cast<double>(panels.size()));
  data.put("panel_words", words);
  data.put("panel_block", blocks);
  data.put("panel_low", low);
  data.put("panel_high", high);
  data.put("panel_tics", tics);
  data.put("panel_top", tops);
  data.put("panel_bottom", bottoms);
}

report::Figure night_figure(const SessionAnswer& answer) {
  const TimeAxis axis = time_axis_of(answer.frames);
  const NightResult& r = answer.judgement.result;
  report::Figure figure;
  FigureData& data = figure.data;
  data.put("title_words", title_words(answer));
  // The rule itself is the first sentence.
  const std::string rule = report::printable(r.refocus_rule.summary);
  data.put("rule_words", rule.substr(0, std::min(rule.size(), rule.find(". ") + 1)));
  data.put("clock", axis.clock ? 1 : 0);
  data.put("x_low", axis.at(axis.range.low));
  data.put("x_high", axis.at(axis.range.high));
  put_periods(answer, axis, data);
  put_moves(answer.frames, axis, data);
  put_layout(put_panels(answer, axis, data), data);
  figure.script = report::kNightPlotScript;
  figure.title = title_words(answer);
  figure.description =
      "Star size, eccentricity, star light, sky and temperature of each frame against time, "
      "stretches of trouble shaded, moves of the focuser as dotted lines.";
  for (const auto& period : r.periods) figure.description += " " + period.summary;
  return figure;
}

}  // namespace

Result<std::string> night_plot(const SessionAnswer& answer, FigureFormat format) {
  return report::drawn_figure(night_figure(answer), format);
}

Result<void> write_night_plot(const SessionAnswer& answer, const std::string& path,
                              const std::vector<std::string>& protected_paths) {
  return report::write_figure(path, protected_paths,
                              [&](FigureFormat format) { return night_plot(answer, format); });
}

}  // namespace starwaist
