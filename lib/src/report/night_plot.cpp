#include <algorithm>
#include <array>
#include <map>
#include <string>
#include <vector>

#include "core/clock.h"
#include "report/figure.h"
#include "report/text_table.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

using report::font;
using report::kInkColor;
using report::number;
using report::quoted;
using report::Range;

constexpr std::array<const char*, 6> kFilterColors = {"#0072B2", "#009E73", "#CC79A7",
                                                      "#E69F00", "#56B4E9", "#000000"};
// Pale, so that points stand out; the cause is also written.
const std::map<std::string, std::string> kCauseColors = {
    {"thermal_drift", "#F6D9C6"}, {"focus_drift", "#F6D9C6"},   {"focus_jump", "#F3C4C4"},
    {"missed_focus", "#F3C4C4"},  {"passing_cloud", "#D8DEE6"}, {"fogging", "#CFE3E8"},
    {"image_motion", "#E7D9EE"},  {"bad_seeing", "#E6EBCB"},    {"background_change", "#F7EFC4"}};

std::string words_of(std::string cause) {
  std::replace(cause.begin(), cause.end(), '_', ' ');
  return cause;
}

struct Panel {
  std::string label;
  Range range;
  std::string plots;
};

class Timeline {
 public:
  Timeline(const SessionAnswer& answer, FigureFormat format) : a_(answer), format_(format) {
    for (const auto& frame : a_.frames) {
      if (frame.time_utc) times_.push_back(core::parse_utc(*frame.time_utc));
    }
    clock_ = times_.size() == a_.frames.size() &&
             std::all_of(times_.begin(), times_.end(), [](const auto& t) { return bool(t); });
    for (std::size_t i = 0; i < a_.frames.size(); ++i) {
      const double half = 0.5 * a_.frames[i].exposure_s.value_or(0);
      x_.push_back(clock_ ? *times_[i] + half : static_cast<double>(i + 1));
      range_.include(x_.back() - (clock_ ? half : 0));
      range_.include(x_.back() + (clock_ ? half : 0));
    }
    range_.pad(0.01);
  }

  [[nodiscard]] std::string title() const {
    const NightResult& r = a_.judgement.result;
    std::string text = "Night of " + std::to_string(a_.frames.size()) + " frames";
    std::size_t focus = 0;
    for (const auto& period : r.periods) focus += period.focus_lost ? 1 : 0;
    if (focus == 0) return text + ": focus held – " + enum_name(r.verdict);
    return text + ": focus lost " + (focus == 1 ? "once" : std::to_string(focus) + " times") +
           " – " + enum_name(r.verdict);
  }

  [[nodiscard]] std::string script() {
    std::string text = report::terminal(format_);
    text += "set encoding utf8\nset minussign\nset termoption noenhanced\nset errorbars 0\n";
    text += data();
    const std::vector<Panel> panels = make_panels();
    text += "set multiplot\n";
    text += std::string("set border 3 lw 1 lc rgb '") + kInkColor + "'\n";
    text += "set tics nomirror out scale 0.6 textcolor rgb '" + std::string(kInkColor) + "'\n";
    text += "set lmargin at screen 0.085\nset rmargin at screen 0.975\n";
    text += "set label 1 " + quoted(title()) + " at screen 0.085,0.965 left noenhanced " +
            font(format_, 20) + " textcolor rgb '" + kInkColor + "'\n";
    text += "set label 2 " +
            quoted(report::shortened(report::printable(a_.judgement.result.refocus_rule.summary),
                                     report::kReasonWidth)) +
            " at screen 0.085,0.93 left noenhanced " + font(format_, 12) +
            " textcolor rgb '#666666'\n";
    if (clock_) text += "set xdata time\nset timefmt \"%s\"\n";
    text += "set xrange [" + at(range_.low) + ":" + at(range_.high) + "]\n";
    text += "set grid ytics linecolor rgb '#E3E3E3' linewidth 0.6\n";
    text += shading();
    // The first panel takes as much as two.
    constexpr double kTop = 0.875;
    constexpr double kBottom = 0.085;
    constexpr double kGap = 0.025;
    const double unit = (kTop - kBottom) / (static_cast<double>(panels.size()) + 1.2);
    double top = kTop;
    for (std::size_t p = 0; p < panels.size(); ++p) {
      const double height = p == 0 ? 2.2 * unit : unit;
      const bool last = p + 1 == panels.size();
      text += "set tmargin at screen " + number(top) + "\n";
      text += "set bmargin at screen " + number(top - height + (last ? 0 : kGap)) + "\n";
      top -= height;
      text +=
          "set yrange [" + number(panels[p].range.low) + ":" + number(panels[p].range.high) + "]\n";
      text += "set ylabel " + quoted(panels[p].label) + " offset 0.5,0 " + font(format_, 11) +
              " textcolor rgb '" + kInkColor + "'\n";
      text += p == 0 ? "set ytics autofreq\n" : ytics(panels[p].range);
      if (last) {
        text += clock_ ? "set format x \"%H:%M\"\nset xlabel \"UTC\"\n"
                       : "set format x \"%g\"\nset xlabel \"frame\"\n";
      } else {
        text += "set format x \"\"\nunset xlabel\n";
      }
      if (p == 0) {
        text +=
            "set key at screen 0.975,screen 0.888 right bottom horizontal maxcols 8 Left "
            "reverse samplen 1.5 spacing 1.1 width 1 nobox noenhanced " +
            font(format_, 11) + " textcolor rgb '" + kInkColor + "'\n";
        text += names_of_periods();
      } else {
        text += "unset key\n";
        if (p == 1) text += "unset label\n";
      }
      text += "plot " + panels[p].plots + "\n";
    }
    return text + "unset multiplot\n";
  }

 private:
  [[nodiscard]] std::string at(double x) const {
    return clock_ ? "\"" + format_fixed(x, 0) + "\"" : number(x);
  }
  [[nodiscard]] std::string x_of(std::size_t i) const {
    return clock_ ? format_fixed(x_[i], 0) : number(x_[i]);
  }

  static std::string ytics(const Range& range) {
    return "set ytics " + number(report::nice_step(range.width() / 2)) + "\n";
  }

  [[nodiscard]] std::size_t place_of(const std::string& file, bool last) const {
    std::size_t place = 0;
    for (std::size_t i = 0; i < a_.frames.size(); ++i) {
      if (a_.frames[i].file != file) continue;
      place = i;
      if (!last) break;
    }
    return place;
  }

  [[nodiscard]] Range extent(const NightPeriod& period) const {
    const std::size_t first = place_of(period.from_file, false);
    const std::size_t last = place_of(period.to_file, true);
    const auto half = [&](std::size_t i) {
      return clock_ ? std::max(0.5 * a_.frames[i].exposure_s.value_or(0), 30.0) : 0.5;
    };
    Range range;
    range.include(x_[first] - half(first));
    range.include(x_[last] + half(last));
    range.low = std::max(range.low, range_.low);
    range.high = std::min(range.high, range_.high);
    return range;
  }

  [[nodiscard]] std::string shading() const {
    std::string text;
    int object = 1;
    for (const NightPeriod& period : a_.judgement.result.periods) {
      const auto color = kCauseColors.find(period.cause);
      const Range range = extent(period);
      text += "set object " + std::to_string(object++) + " rectangle from first " + at(range.low) +
              ",graph 0 to first " + at(range.high) +
              ",graph 1 behind fillstyle solid 1 noborder fillcolor rgb '" +
              (color == kCauseColors.end() ? "#DDDDDD" : color->second) + "'\n";
    }
    // Moves of the focuser within a filter.
    std::map<std::string, double> before;
    for (std::size_t i = 0; i < a_.frames.size(); ++i) {
      if (!a_.frames[i].position_steps) continue;
      const auto [known, first] =
          before.try_emplace(a_.frames[i].filter.value_or(""), *a_.frames[i].position_steps);
      if (!first && known->second != *a_.frames[i].position_steps && i > 0) {
        const std::string x = at(0.5 * (x_[i - 1] + x_[i]));
        text += "set arrow from first " + x + ",graph 0 to first " + x +
                ",graph 1 nohead back dashtype 3 linewidth 1 linecolor rgb '#888888'\n";
      }
      known->second = *a_.frames[i].position_steps;
    }
    return text;
  }

  // Names in rows one above the other, so that neighbours do not overlap.
  [[nodiscard]] std::string names_of_periods() const {
    std::string text;
    int label = 10;
    std::vector<double> taken_to(4, -1);
    for (const NightPeriod& period : a_.judgement.result.periods) {
      const Range range = extent(period);
      const double width = 0.0085 * static_cast<double>(period.cause.size()) * range_.width();
      double left = 0.5 * (range.low + range.high) - width / 2;
      left = std::clamp(left, range_.low, range_.high - width);
      std::size_t row = 0;
      while (row + 1 < taken_to.size() && taken_to[row] > left) ++row;
      taken_to[row] = left + width;
      text += "set label " + std::to_string(label++) + " " + quoted(words_of(period.cause)) +
              " at first " + at(left) + ",graph " +
              number(0.965 - 0.065 * static_cast<double>(row)) + " left noenhanced " +
              font(format_, 10) + " textcolor rgb '#444444'\n";
    }
    return text;
  }

  [[nodiscard]] std::vector<std::optional<std::string>> filters() const {
    std::vector<std::optional<std::string>> names;
    for (const auto& filter : a_.judgement.result.filters) names.push_back(filter.filter);
    return names;
  }

  template <class Value>
  std::string column(const std::string& name, Value&& value, Range& range) const {
    std::string text = "$" + name + " << EOD\n";
    for (std::size_t i = 0; i < a_.frames.size(); ++i) {
      const std::optional<double> y = value(i);
      if (!y) continue;
      range.include(*y);
      text += x_of(i) + " " + number(*y) + "\n";
    }
    return text + "EOD\n";
  }

  std::string data() {
    std::string text;
    const auto names = filters();
    for (std::size_t f = 0; f < names.size(); ++f) {
      text += column(
          "best" + std::to_string(f),
          [&](std::size_t i) -> std::optional<double> {
            const auto& loss = a_.judgement.frames[i].loss_percent;
            if (!loss || !a_.frames[i].hfr_px ||
                lower_case(a_.frames[i].filter.value_or("")) != lower_case(names[f].value_or(""))) {
              return std::nullopt;
            }
            return *a_.frames[i].hfr_px / (1 + *loss / 100);
          },
          size_);
      text += column(
          "size" + std::to_string(f),
          [&](std::size_t i) {
            return lower_case(a_.frames[i].filter.value_or("")) == lower_case(names[f].value_or(""))
                       ? a_.frames[i].hfr_px
                       : std::nullopt;
          },
          size_);
    }
    text += column(
        "ecc", [&](std::size_t i) { return a_.frames[i].eccentricity; }, ecc_);
    text += column(
        "light", [&](std::size_t i) { return a_.judgement.frames[i].light_percent; }, light_);
    text += column(
        "sky", [&](std::size_t i) -> std::optional<double> { return a_.frames[i].background_adu; },
        sky_);
    text += column(
        "temp", [&](std::size_t i) { return a_.frames[i].temperature_c; }, temperature_);
    return text;
  }

  [[nodiscard]] std::vector<Panel> make_panels() const {
    std::vector<Panel> panels;
    const auto add = [&](const std::string& label, Range range, const std::string& plots,
                         double least) {
      if (range.empty()) return;
      if (range.width() < least) {
        const double room = 0.5 * (least - range.width());
        range.low -= room;
        range.high += room;
      }
      range.pad(0.12);
      panels.push_back({label, range, plots});
    };
    std::string sizes;
    const auto names = filters();
    for (std::size_t f = 0; f < names.size(); ++f) {
      const std::string title =
          names[f] ? report::shortened(report::printable(*names[f]), 14) : "frame";
      sizes += "$size" + std::to_string(f) + " using 1:2 with points pointtype 7 pointsize 0.8 " +
               "linecolor rgb '" + kFilterColors.at(f % kFilterColors.size()) + "' title " +
               quoted(title) + ", ";
    }
    for (std::size_t f = 0; f < names.size(); ++f) {
      sizes += (f > 0 ? ", " : "") + std::string("$best") + std::to_string(f) +
               " using 1:2 with lines linewidth 1 dashtype 2 linecolor rgb '" +
               kFilterColors.at(f % kFilterColors.size()) + "' " +
               (f == 0 ? "title " + quoted("best reachable") : std::string("notitle"));
    }
    Range sized = size_;
    if (!sized.empty()) sized.high += 0.25 * sized.width();  // room for the names
    add("half-flux radius [px]", sized, sizes, 0.3);
    const auto line = [](const std::string& name) {
      return "$" + name + " using 1:2 with linespoints pointtype 7 pointsize 0.45 linewidth 0.7 " +
             "linecolor rgb '" + std::string("#555555") + "' notitle";
    };
    Range shape = ecc_;
    if (!shape.empty()) shape.include(0);
    add("eccentricity", shape, line("ecc"), 0.2);
    add("star light [%]", light_, line("light"), 20);
    add("sky [ADU]", sky_, line("sky"), 10);
    add("temperature [°C]", temperature_, line("temp"), 1);
    return panels;
  }

  const SessionAnswer& a_;
  FigureFormat format_;
  std::vector<std::optional<double>> times_;
  bool clock_ = false;
  std::vector<double> x_;
  Range range_;
  Range size_;
  Range ecc_;
  Range light_;
  Range sky_;
  Range temperature_;
};

}  // namespace

Result<std::string> night_plot(const SessionAnswer& answer, FigureFormat format) {
  Timeline timeline(answer, format);
  const std::string script = timeline.script();
  std::string description =
      "Star size, eccentricity, star light, sky and temperature of each frame against time, "
      "stretches of trouble shaded, moves of the focuser as dotted lines.";
  for (const auto& period : answer.judgement.result.periods) description += " " + period.summary;
  return report::drawn_figure(script, format, timeline.title(), description);
}

Result<void> write_night_plot(const SessionAnswer& answer, const std::string& path,
                              const std::vector<std::string>& protected_paths) {
  return report::write_figure(path, protected_paths,
                              [&](FigureFormat format) { return night_plot(answer, format); });
}

}  // namespace starwaist
