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

using report::kCurveColor;
using report::kInkColor;
using report::kPointColor;
using report::kReasonColor;
using report::kReasonWidth;
using report::kRejectedColor;
using report::number;
using report::quoted;
using report::Range;

constexpr const char* kOtherCurveColor = "#999999";
constexpr const char* kBestColor = "#00694E";
constexpr const char* kIntervalColor = "#A9DBCB";
constexpr const char* kZoneColor = "#DCEFE8";
constexpr int kCurveSamples = 400;
constexpr std::size_t kMostLabels = 8;  // labels of rejected points; more would cover the figure

class FocusFigure {
 public:
  FocusFigure(const RunFit& run, FigureFormat format)
      : fit_(run.fit), format_(format), chosen_(chosen_model(run.fit)) {
    find_ranges();
  }

  [[nodiscard]] std::string script() const {
    std::string text = report::terminal(format_);
    // Error bars without caps: one that is smaller than its marker lies hidden under it.
    text += "set encoding utf8\nset minussign\nset termoption noenhanced\nset errorbars 0\n";
    text += data();
    text += "set multiplot\n";
    text += std::string("set border 3 lw 1 lc rgb '") + kInkColor + "'\n";
    text += "set tics nomirror out scale 0.6 textcolor rgb '" + std::string(kInkColor) + "'\n";
    text += "set lmargin at screen 0.085\nset rmargin at screen 0.965\n";
    text += "set xrange [" + number(x_.low) + ":" + number(x_.high) + "]\n";
    text += curve_panel();
    if (chosen_ != nullptr) text += residual_panel();
    text += "unset multiplot\n";
    return text;
  }

  [[nodiscard]] std::string title() const {
    return "Best focus " + report::best_focus_words(fit_) + " – " + enum_name(fit_.verdict);
  }

  [[nodiscard]] std::string subtitle() const {
    std::string text;
    const auto add = [&](const std::string& part) { text += (text.empty() ? "" : ", ") + part; };
    if (const auto words =
            report::interval_words(fit_.interval_95_steps, fit_.best_focus_sigma_steps);
        !words.empty()) {
      add("95 % interval " + words);
    }
    if (fit_.critical_focus_zone_steps) {
      add("focus zone " + format_like_sigma(*fit_.critical_focus_zone_steps, std::nullopt) +
          " steps wide");
    }
    if (fit_.probability_in_zone) {
      add("inside it with " + report::percent_words(*fit_.probability_in_zone) + " probability");
    }
    return text;
  }

  // Why the answer is not trusted: the first reason, as much of it as one line holds.
  [[nodiscard]] std::string reason() const {
    if (fit_.reasons.empty()) return {};
    return report::shortened(report::printable(fit_.reasons.front()), kReasonWidth);
  }

 private:
  // Ranges follow the points that count; a rejected point far outside is drawn at the rim instead
  // of squeezing the curve.
  void find_ranges() {
    Range every_x;
    Range every_y;
    for (const auto& point : fit_.points) {
      if (!point.size_px) continue;
      every_x.include(point.position_steps);
      every_y.include(*point.size_px);
      if (!point.used) continue;
      const double sigma = point.sigma_px.value_or(0);
      x_.include(point.position_steps);
      y_.include(*point.size_px - sigma);
      y_.include(*point.size_px + sigma);
    }
    if (x_.empty()) {
      x_ = every_x;
      y_ = every_y;
    }
    if (x_.empty()) {
      x_.include(0);
      y_.include(1);
    }
    const Range used_x = x_;
    const Range used_y = y_;
    // Best focus belongs in the figure unless it is far off the sweep.
    if (fit_.best_focus_steps && *fit_.best_focus_steps > used_x.low - 0.5 * used_x.width() &&
        *fit_.best_focus_steps < used_x.high + 0.5 * used_x.width()) {
      x_.include(*fit_.best_focus_steps);
    }
    // So does the bottom of the curve, unless it is far below the sizes of a run that shows its
    // shape.
    const auto used = std::count_if(fit_.points.begin(), fit_.points.end(),
                                    [](const CurvePoint& p) { return p.used && p.size_px; });
    if (chosen_ != nullptr && chosen_->min_size_px &&
        (used < VerdictRules::kFewestPoints ||
         *chosen_->min_size_px > used_y.low - 0.5 * used_y.width())) {
      y_.include(std::min(*chosen_->min_size_px, used_y.high));
    }
    for (const auto& point : fit_.points) {
      if (!point.size_px || point.used) continue;
      if (point.position_steps > used_x.low - 0.4 * used_x.width() &&
          point.position_steps < used_x.high + 0.4 * used_x.width()) {
        x_.include(point.position_steps);
      }
      if (*point.size_px > used_y.low - 0.4 * used_y.width() &&
          *point.size_px < used_y.high + 0.4 * used_y.width()) {
        y_.include(*point.size_px);
      }
    }
    x_.pad(0.06);
    y_.pad(0.08);
    y_.low = std::max(y_.low, 0.0);  // a size below nought means nothing
  }

  [[nodiscard]] bool off_scale(const CurvePoint& point) const {
    return point.position_steps < x_.low || point.position_steps > x_.high ||
           *point.size_px < y_.low || *point.size_px > y_.high;
  }

  [[nodiscard]] std::string data() const {
    std::string used = "$used << EOD\n";
    std::string bars = "$bars << EOD\n";
    std::string rejected = "$rejected << EOD\n";
    std::string off = "$off << EOD\n";
    std::string residual = "$residual << EOD\n";
    std::string residual_bars = "$residual_bars << EOD\n";
    for (const auto& point : fit_.points) {
      if (!point.size_px) continue;
      const std::string at = number(point.position_steps);
      const std::string here = at + " " + number(*point.size_px);
      if (!point.used) {
        if (off_scale(point)) {
          off += number(std::clamp(point.position_steps, x_.low, x_.high)) + " " +
                 number(std::clamp(*point.size_px, y_.low, y_.high)) + "\n";
        } else {
          rejected += here + "\n";
        }
        continue;
      }
      used += here + "\n";
      if (point.sigma_px) bars += here + " " + number(*point.sigma_px) + "\n";
      if (const auto expected = expected_size(point)) {
        const std::string rest = at + " " + number(*point.size_px - *expected);
        residual += rest + "\n";
        if (point.sigma_px) residual_bars += rest + " " + number(*point.sigma_px) + "\n";
      }
    }
    std::string text;
    for (auto* block : {&used, &bars, &rejected, &off, &residual, &residual_bars}) {
      text += *block + "EOD\n";
    }
    for (std::size_t m = 0; m < fit_.models.size(); ++m) {
      text += "$curve" + std::to_string(m) + " << EOD\n";
      for (int i = 0; i <= kCurveSamples; ++i) {
        const double position = x_.low + x_.width() * i / kCurveSamples;
        const auto size = curve_size_px(fit_.models[m], position);
        // A blank line breaks the line where the curve leaves the panel.
        text += size && *size >= y_.low && *size <= y_.high
                    ? number(position) + " " + number(*size) + "\n"
                    : std::string("\n");
      }
      text += "EOD\n";
    }
    return text;
  }

  [[nodiscard]] std::optional<double> expected_size(const CurvePoint& point) const {
    if (chosen_ == nullptr) return std::nullopt;
    return curve_size_px(*chosen_, point.position_steps);
  }

  // A band over the whole height between two positions; open ends reach the rim.
  [[nodiscard]] std::string band(int id, std::optional<double> low, std::optional<double> high,
                                 const char* color) const {
    const double from = std::clamp(low.value_or(x_.low), x_.low, x_.high);
    const double to = std::clamp(high.value_or(x_.high), x_.low, x_.high);
    if (!(from < to)) return {};
    return "set object " + std::to_string(id) + " rectangle from first " + number(from) +
           ",graph 0 to first " + number(to) +
           ",graph 1 behind fillstyle solid noborder fillcolor rgb '" + color + "'\n";
  }

  [[nodiscard]] bool has_interval() const {
    return fit_.interval_95_steps.low || fit_.interval_95_steps.high;
  }

  [[nodiscard]] bool in_sight(const Interval& interval) const {
    return interval.low.value_or(x_.low) < x_.high && interval.high.value_or(x_.high) > x_.low;
  }

  [[nodiscard]] std::string bands() const {
    std::string text;
    if (fit_.best_focus_steps && fit_.critical_focus_zone_steps) {
      const double half = *fit_.critical_focus_zone_steps / 2;
      text += band(1, *fit_.best_focus_steps - half, *fit_.best_focus_steps + half, kZoneColor);
    }
    if (has_interval()) {
      text += band(2, fit_.interval_95_steps.low, fit_.interval_95_steps.high, kIntervalColor);
    }
    if (best_in_sight()) {
      const std::string at = number(*fit_.best_focus_steps);
      text += "set arrow 1 from first " + at + ",graph 0 to first " + at +
              ",graph 1 nohead back linewidth 1.5 linecolor rgb '" + kBestColor + "'\n";
    }
    return text;
  }

  [[nodiscard]] bool best_in_sight() const {
    return fit_.best_focus_steps && *fit_.best_focus_steps >= x_.low &&
           *fit_.best_focus_steps <= x_.high;
  }

  // Labels stand where the curve is not: outwards from a point below it, inwards from one above.
  [[nodiscard]] bool label_to_the_left(const CurvePoint& point, double at_x) const {
    constexpr double kRoom = 0.25;  // of the panel's width, for a label of 24 characters
    if (at_x < x_.low + kRoom * x_.width()) return false;
    if (at_x > x_.high - kRoom * x_.width()) return true;
    const bool left_arm = at_x < fit_.best_focus_steps.value_or((x_.low + x_.high) / 2);
    const auto expected = expected_size(point);
    const bool below = expected && *point.size_px < *expected;
    return left_arm == below;
  }

  [[nodiscard]] std::string rejection_labels() const {
    std::string text;
    std::size_t labels = 0;
    const auto count = std::count_if(fit_.points.begin(), fit_.points.end(),
                                     [](const CurvePoint& p) { return p.size_px && !p.used; });
    if (static_cast<std::size_t>(count) > kMostLabels) return text;
    for (const auto& point : fit_.points) {
      if (!point.size_px || point.used) continue;
      const double at_x = std::clamp(point.position_steps, x_.low, x_.high);
      const double at_y = std::clamp(*point.size_px, y_.low, y_.high);
      const bool to_the_left = label_to_the_left(point, at_x);
      std::string words = report::shortened(report::printable(point.file), 24);
      if (off_scale(point)) {
        words += ": " + format_fixed(*point.size_px, 1) + " px at " +
                 format_fixed(point.position_steps, report::position_decimals(fit_.points));
      }
      text += "set label " + std::to_string(10 + labels++) + " " + quoted(words) + " at first " +
              number(at_x) + ",first " + number(at_y) + (to_the_left ? " right" : " left") +
              " offset character " + (to_the_left ? "-1.2" : "1.2") + "," +
              (at_y > y_.low + 0.9 * y_.width() ? "-0.3" : "0") + " noenhanced front " +
              report::font(format_, 11) + " textcolor rgb '" + kRejectedColor + "'\n";
    }
    return text;
  }

  [[nodiscard]] std::string curve_panel() const {
    const bool with_residuals = chosen_ != nullptr;
    std::string text;
    text += "set label 1 " + quoted(title()) + " at screen 0.085,0.957 left noenhanced " +
            report::font(format_, 20) + " textcolor rgb '" + kInkColor + "'\n";
    text += "set label 2 " + quoted(subtitle()) + " at screen 0.085,0.913 left noenhanced " +
            report::font(format_, 13) + " textcolor rgb '#666666'\n";
    if (!fit_.reasons.empty()) {
      text += "set label 3 " + quoted(reason()) + " at screen 0.085," +
              (subtitle().empty() ? "0.913" : "0.884") + " left noenhanced " +
              report::font(format_, 12) + " textcolor rgb '" + kReasonColor + "'\n";
    }
    text += "set tmargin at screen ";
    text += fit_.reasons.empty() ? "0.88\n" : "0.845\n";
    text += "set bmargin at screen ";
    text += with_residuals ? "0.385\n" : "0.165\n";
    if (std::none_of(fit_.points.begin(), fit_.points.end(),
                     [](const CurvePoint& p) { return p.size_px.has_value(); })) {
      return text +
             "unset tics\nunset border\nunset key\nset label 4 \"no point has a size\" at "
             "graph 0.5,graph 0.5 center " +
             report::font(format_, 16) +
             " textcolor rgb '#666666'\nset yrange [0:1]\nplot NaN notitle\n";
    }
    text += "set yrange [" + number(y_.low) + ":" + number(y_.high) + "]\n";
    text += "set format y \"%.10g\"\n";
    text += with_residuals ? "set format x \"\"\n" : "set format x \"%.10g\"\n";
    if (!with_residuals) text += x_label();
    const bool fwhm = fit_.size_measure == SizeMeasure::fwhm;
    text += "set ylabel " +
            quoted(fwhm ? "full width at half maximum [px]" : "half-flux radius [px]") +
            " offset 0.5,0 textcolor rgb '" + kInkColor + "'\n";
    text += "set grid ytics linecolor rgb '#E3E3E3' linewidth 0.6\n";
    text += bands() + rejection_labels();
    text +=
        "set key at screen 0.525,screen 0.015 center bottom horizontal maxcols 4 Left reverse "
        "samplen 2.2 spacing 1.2 width 1 nobox noenhanced " +
        report::font(format_, 11) + " textcolor rgb '" + kInkColor + "'\n";
    text += "plot " + curve_plots() + "\n";
    text += "unset label\nunset object\nunset arrow\n";
    return text;
  }

  // One thing that is drawn and its line in the key. Drawing order puts points over lines; the key
  // names the measurements first, then the curves, then the bands.
  struct Plot {
    std::string data;   // what is plotted; empty for a band, which is an object
    std::string style;  // gnuplot's with ...
    std::string title;  // empty: no line in the key
    int place_in_key = 0;
  };

  [[nodiscard]] std::vector<Plot> curve_parts() const {
    std::vector<Plot> parts;
    constexpr const char* kDashes[] = {"(9,5)", "(3,4)", "(12,4,3,4)"};
    std::size_t dash = 0;
    for (const bool main : {false, true}) {  // the chosen one over the others
      for (std::size_t m = 0; m < fit_.models.size(); ++m) {
        const ModelFit& model = fit_.models[m];
        if ((&model == chosen_) != main || !curve_size_px(model, x_.low)) continue;
        std::string name = enum_name(model.model);
        if (model.weight && fit_.models.size() > 1) {
          name += " (weight " + report::percent_words(*model.weight) + ")";
        }
        const std::string style =
            main ? std::string("lines linewidth 2.2 linecolor rgb '") + kCurveColor + "'"
                 : std::string("lines linewidth 1.3 dashtype ") +
                       kDashes[dash++ % std::size(kDashes)] + " linecolor rgb '" +
                       kOtherCurveColor + "'";
        parts.push_back({"$curve" + std::to_string(m) + " using 1:2", style, name, main ? 3 : 4});
      }
    }
    return parts;
  }

  [[nodiscard]] std::vector<Plot> point_parts() const {
    std::vector<Plot> parts;
    const auto any = [&](const auto& test) {
      return std::any_of(fit_.points.begin(), fit_.points.end(), test);
    };
    const bool any_sigma =
        any([](const CurvePoint& p) { return p.size_px && p.used && p.sigma_px; });
    const auto colored = [](const std::string& style, const char* color) {
      return style + " linecolor rgb '" + color + "'";
    };
    if (any_sigma) {
      parts.push_back({"$bars using 1:2:3",
                       colored("yerrorbars pointtype 0 linewidth 1.6", kPointColor), "", 0});
    }
    if (any([](const CurvePoint& p) { return p.size_px && p.used; })) {
      parts.push_back({"$used using 1:2", colored("points pointtype 7 pointsize 1.1", kPointColor),
                       any_sigma ? "measured, ± one sigma" : "measured", 0});
    }
    if (any([&](const CurvePoint& p) { return p.size_px && !p.used && !off_scale(p); })) {
      parts.push_back({"$rejected using 1:2",
                       colored("points pointtype 2 pointsize 1.3 linewidth 1.6", kRejectedColor),
                       "not used", 1});
    }
    if (any([&](const CurvePoint& p) { return p.size_px && !p.used && off_scale(p); })) {
      parts.push_back({"$off using 1:2",
                       colored("points pointtype 8 pointsize 1.7 linewidth 1.6", kRejectedColor),
                       "not used, off scale", 2});
    }
    return parts;
  }

  [[nodiscard]] std::vector<Plot> band_parts() const {
    std::vector<Plot> parts;
    if (best_in_sight()) {
      parts.push_back({"", std::string("lines linewidth 1.5 linecolor rgb '") + kBestColor + "'",
                       "best focus", 5});
    }
    const std::string box = "boxes fillstyle solid noborder fillcolor rgb '";
    if (has_interval() && in_sight(fit_.interval_95_steps)) {
      parts.push_back({"", box + kIntervalColor + "'", "95 % interval", 6});
    }
    if (best_in_sight() && fit_.critical_focus_zone_steps) {
      parts.push_back({"", box + kZoneColor + "'", "critical focus zone", 7});
    }
    return parts;
  }

  [[nodiscard]] std::string curve_plots() const {
    std::vector<Plot> parts = curve_parts();
    for (auto& part : point_parts()) parts.push_back(std::move(part));
    for (auto& part : band_parts()) parts.push_back(std::move(part));
    std::string text;
    const auto add = [&](const std::string& plot) { text += (text.empty() ? "" : ", ") + plot; };
    for (const auto& part : parts) {
      if (!part.data.empty()) add(part.data + " with " + part.style + " notitle");
    }
    std::stable_sort(parts.begin(), parts.end(),
                     [](const Plot& a, const Plot& b) { return a.place_in_key < b.place_in_key; });
    for (const auto& part : parts) {
      if (!part.title.empty()) {
        add("keyentry with " + part.style + " title " + quoted(part.title));
      }
    }
    return text.empty() ? "NaN notitle" : text;  // an empty figure still needs something to plot
  }

  [[nodiscard]] std::string x_label() const {
    return std::string("set xlabel \"focuser position [steps]\" textcolor rgb '") + kInkColor +
           "'\n";
  }

  [[nodiscard]] std::string residual_panel() const {
    double largest = 0;
    for (const auto& point : fit_.points) {
      const auto expected = expected_size(point);
      if (!point.used || !point.size_px || !expected) continue;
      largest =
          std::max(largest, std::abs(*point.size_px - *expected) + point.sigma_px.value_or(0));
    }
    if (!(largest > 0)) largest = 0.01;
    std::string text = "set tmargin at screen 0.345\nset bmargin at screen 0.165\nunset key\n";
    text += "set format x \"%.10g\"\nset format y \"%.10g\"\n" + x_label();
    text += std::string("set ylabel \"off curve [px]\" offset 0.5,0 textcolor rgb '") + kInkColor +
            "'\n";
    text += "set yrange [" + number(-1.25 * largest) + ":" + number(1.25 * largest) + "]\n";
    text += "set ytics " + number(report::nice_step(largest)) + "\n";
    text += bands();
    text +=
        std::string("plot 0 with lines linewidth 1.4 linecolor rgb '") + kCurveColor + "' notitle";
    const auto with_sigma = std::any_of(fit_.points.begin(), fit_.points.end(), [](const auto& p) {
      return p.size_px && p.used && p.sigma_px;
    });
    if (with_sigma) {
      text += std::string(
                  ", $residual_bars using 1:2:3 with yerrorbars pointtype 0 linewidth 1.6 "
                  "linecolor rgb '") +
              kPointColor + "' notitle";
    }
    text += std::string(
                ", $residual using 1:2 with points pointtype 7 pointsize 0.9 linecolor "
                "rgb '") +
            kPointColor + "' notitle\n";
    return text;
  }

  const FitResult& fit_;
  FigureFormat format_;
  const ModelFit* chosen_ = nullptr;
  Range x_;
  Range y_;
};

}  // namespace

Result<std::string> focus_plot(const RunFit& run, FigureFormat format) {
  const FocusFigure figure(run, format);
  return report::drawn_figure(
      figure.script(), format, "Focus curve: " + figure.title(),
      "Star size against focuser position, with the fitted curve and its residuals. " +
          figure.subtitle());
}

Result<void> write_focus_plot(const RunFit& run, const std::string& path,
                              const std::vector<std::string>& protected_paths) {
  return report::write_figure(path, protected_paths,
                              [&](FigureFormat format) { return focus_plot(run, format); });
}

}  // namespace starwaist
