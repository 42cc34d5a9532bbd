#include <array>
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

using report::kCurveColor;
using report::kInkColor;
using report::kReasonColor;
using report::kReasonWidth;
using report::kRejectedColor;
using report::number;
using report::quoted;
using report::Range;

// Okabe & Ito's palette again, without the line's vermilion; more filters than colours begin anew
// with another mark.
constexpr std::array<const char*, 6> kFilterColors = {"#0072B2", "#009E73", "#CC79A7",
                                                      "#E69F00", "#56B4E9", "#000000"};
constexpr std::array<int, 3> kFilterMarks = {7, 5, 9};
constexpr const char* kBandColor = "#F6E3D6";

class DriftFigure {
 public:
  DriftFigure(const DriftFit& fit, FigureFormat format) : fit_(fit), format_(format) {
    find_ranges();
  }

  [[nodiscard]] std::string title() const {
    const DriftResult& r = fit_.result;
    if (!r.slope_steps_per_c) return "No slope of focus with temperature – " + enum_name(r.verdict);
    return "Focus moves " + format_like_sigma(*r.slope_steps_per_c, r.slope_sigma) + " ± " +
           format_like_sigma(*r.slope_sigma, r.slope_sigma) + " steps per °C – " +
           enum_name(r.verdict);
  }

  [[nodiscard]] std::string subtitle() const {
    const DriftResult& r = fit_.result;
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

  [[nodiscard]] std::string script() const {
    std::string text = report::terminal(format_);
    text += "set encoding utf8\nset minussign\nset termoption noenhanced\nset errorbars 0\n";
    text += data();
    text += std::string("set border 3 lw 1 lc rgb '") + kInkColor + "'\n";
    text += "set tics nomirror out scale 0.6 textcolor rgb '" + std::string(kInkColor) + "'\n";
    text += "set lmargin at screen 0.085\nset rmargin at screen 0.965\n";
    text += "set label 1 " + quoted(title()) + " at screen 0.085,0.957 left noenhanced " +
            report::font(format_, 20) + " textcolor rgb '" + kInkColor + "'\n";
    text += "set label 2 " + quoted(subtitle()) + " at screen 0.085,0.913 left noenhanced " +
            report::font(format_, 13) + " textcolor rgb '#666666'\n";
    if (!fit_.result.reasons.empty()) {
      text +=
          "set label 3 " +
          quoted(report::shortened(report::printable(fit_.result.reasons.front()), kReasonWidth)) +
          " at screen 0.085,0.884 left noenhanced " + report::font(format_, 12) +
          " textcolor rgb '" + kReasonColor + "'\n";
    }
    text += fit_.result.reasons.empty() ? "set tmargin at screen 0.88\n"
                                        : "set tmargin at screen 0.845\n";
    text += "set bmargin at screen 0.165\n";
    if (fit_.points.empty()) {
      return text +
             "unset tics\nunset border\nunset key\nset label 4 \"no run has a temperature\" at "
             "graph 0.5,graph 0.5 center " +
             report::font(format_, 16) +
             " textcolor rgb '#666666'\nset xrange [0:1]\nset yrange [0:1]\nplot NaN notitle\n";
    }
    text += "set xrange [" + number(x_.low) + ":" + number(x_.high) + "]\n";
    text += "set yrange [" + number(y_.low) + ":" + number(y_.high) + "]\n";
    text += "set format x \"%.10g\"\nset format y \"%.10g\"\n";
    text += "set xlabel " +
            quoted(fit_.result.lag_minutes ? "temperature of the tube [°C]" : "temperature [°C]") +
            " textcolor rgb '" + kInkColor + "'\n";
    text += "set ylabel " + quoted("best focus [steps]") + " offset 0.5,0 textcolor rgb '" +
            kInkColor + "'\n";
    text += "set grid ytics linecolor rgb '#E3E3E3' linewidth 0.6\n";
    text +=
        "set key at screen 0.525,screen 0.015 center bottom horizontal maxcols 5 Left reverse "
        "samplen 2.2 spacing 1.2 width 1 nobox noenhanced " +
        report::font(format_, 11) + " textcolor rgb '" + kInkColor + "'\n";
    return text + "plot " + plots() + "\n";
  }

 private:
  // The ranges follow the runs that count; one far off is drawn at the rim.
  void find_ranges() {
    Range every_x;
    Range every_y;
    for (const auto& point : fit_.points) {
      every_x.include(point.temperature_c);
      every_y.include(point.level_steps);
      if (!point.used) continue;
      const double sigma = point.sigma_steps.value_or(0);
      x_.include(point.temperature_c);
      y_.include(point.level_steps - sigma);
      y_.include(point.level_steps + sigma);
    }
    if (x_.empty()) {
      x_ = every_x;
      y_ = every_y;
    }
    if (x_.empty()) {
      x_.include(0);
      y_.include(0);
    }
    const Range used = y_;
    for (const auto& point : fit_.points) {
      x_.include(point.temperature_c);
      if (point.level_steps > used.low - 0.6 * used.width() &&
          point.level_steps < used.high + 0.6 * used.width()) {
        y_.include(point.level_steps);
      }
    }
    x_.pad(0.04);
    y_.pad(0.08);
  }

  [[nodiscard]] bool off_scale(const DriftPoint& point) const {
    return point.level_steps < y_.low || point.level_steps > y_.high;
  }

  // Filters as the answer lists them; a table without filters has one nameless group.
  [[nodiscard]] std::vector<std::optional<std::string>> groups() const {
    std::vector<std::optional<std::string>> names;
    for (const auto& f : fit_.result.filters) names.push_back(f.filter);
    if (names.empty()) {
      for (const auto& point : fit_.points) {
        if (point.used) {
          names.push_back(point.filter);
          break;
        }
      }
    }
    return names;
  }

  [[nodiscard]] std::string data() const {
    std::string text = "$band << EOD\n";
    for (const auto& p : fit_.band) {
      if (!p.position_steps) continue;
      text += number(p.temperature_c) + " " + number(*p.position_steps) + " " +
              number(*p.interval_95_steps.low) + " " + number(*p.interval_95_steps.high) + "\n";
    }
    text += "EOD\n";
    const auto names = groups();
    for (std::size_t g = 0; g < names.size(); ++g) {
      std::string used = "$used" + std::to_string(g) + " << EOD\n";
      std::string bars = "$bars" + std::to_string(g) + " << EOD\n";
      for (const auto& point : fit_.points) {
        if (!point.used || point.filter != names[g]) continue;
        const std::string here = number(point.temperature_c) + " " + number(point.level_steps);
        used += here + "\n";
        if (point.sigma_steps) bars += here + " " + number(*point.sigma_steps) + "\n";
      }
      text += used + "EOD\n" + bars + "EOD\n";
    }
    std::string rejected = "$rejected << EOD\n";
    std::string off = "$off << EOD\n";
    for (const auto& point : fit_.points) {
      if (point.used) continue;
      const double y = std::clamp(point.level_steps, y_.low, y_.high);
      (off_scale(point) ? off : rejected) += number(point.temperature_c) + " " + number(y) + "\n";
    }
    return text + rejected + "EOD\n" + off + "EOD\n";
  }

  [[nodiscard]] bool any(bool used, bool out_of_sight, bool with_sigma,
                         const std::optional<std::optional<std::string>>& filter) const {
    for (const auto& point : fit_.points) {
      if (point.used != used || off_scale(point) != out_of_sight) continue;
      if (with_sigma && !point.sigma_steps) continue;
      if (filter && point.filter != *filter) continue;
      return true;
    }
    return false;
  }

  [[nodiscard]] std::string plots() const {
    std::string text;
    const auto add = [&](const std::string& plot) { text += (text.empty() ? "" : ", ") + plot; };
    if (!fit_.band.empty() && fit_.result.slope_steps_per_c) {
      add(std::string("$band using 1:3:4 with filledcurves fillstyle solid fillcolor rgb '") +
          kBandColor + "' title " + quoted("95 % of single runs"));
      add(std::string("$band using 1:2 with lines linewidth 2.2 linecolor rgb '") + kCurveColor +
          "' title " + quoted("line"));
    }
    const auto names = groups();
    for (std::size_t g = 0; g < names.size(); ++g) {
      const std::string color = kFilterColors.at(g % kFilterColors.size());
      const int mark = kFilterMarks.at(g / kFilterColors.size() % kFilterMarks.size());
      const std::string place = std::to_string(g);
      if (any(true, false, true, names[g])) {
        add("$bars" + place + " using 1:2:3 with yerrorbars pointtype 0 linewidth 1.4 linecolor " +
            "rgb '" + color + "' notitle");
      }
      if (!any(true, false, false, names[g])) continue;
      std::string name = names[g] ? report::shortened(report::printable(*names[g]), 20) : "";
      if (!names[g]) name = names.size() > 1 ? "no filter's name" : "run";
      add("$used" + place + " using 1:2 with points pointtype " + std::to_string(mark) +
          " pointsize 1.1 linecolor rgb '" + color + "' title " + quoted(name));
    }
    if (any(false, false, false, std::nullopt)) {
      add(std::string("$rejected using 1:2 with points pointtype 2 pointsize 1.3 linewidth 1.6 "
                      "linecolor rgb '") +
          kRejectedColor + "' title " + quoted("not used"));
    }
    if (any(false, true, false, std::nullopt)) {
      add(std::string("$off using 1:2 with points pointtype 8 pointsize 1.7 linewidth 1.6 "
                      "linecolor rgb '") +
          kRejectedColor + "' title " + quoted("not used, off scale"));
    }
    return text.empty() ? "NaN notitle" : text;
  }

  const DriftFit& fit_;
  FigureFormat format_;
  Range x_;
  Range y_;
};

}  // namespace

Result<std::string> drift_plot(const DriftFit& fit, FigureFormat format) {
  const DriftFigure figure(fit, format);
  return report::drawn_figure(figure.script(), format, "Focus and temperature: " + figure.title(),
                              "Best focus of each run against temperature, with the fitted line "
                              "and the band in which single runs lie. " +
                                  figure.subtitle());
}

Result<void> write_drift_plot(const DriftFit& fit, const std::string& path,
                              const std::vector<std::string>& protected_paths) {
  return report::write_figure(path, protected_paths,
                              [&](FigureFormat format) { return drift_plot(fit, format); });
}

}  // namespace starwaist
