#include <cmath>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

using report::Align;
using report::answer_line;

std::string with_sign(double value, std::optional<double> sigma) {
  return (value > 0 ? "+" : "") + format_like_sigma(value, sigma);
}

std::string filter_name(const std::optional<std::string>& filter) {
  return filter ? report::shortened(report::printable(*filter), 16) : "(no name)";
}

constexpr const char* kTrustedSlope = "focus can be moved by temperature with this slope";
constexpr const char* kDoubtfulSlope = "take the slope as a hint, see below";
constexpr const char* kUnusableSlope = "these runs give no slope, see below";

std::string refocus_words(const DriftResult& r) {
  if (!r.refocus_every_c) {
    return r.slope_steps_per_c ? "needs --f-number and --um-per-step" : "unknown";
  }
  std::string text = "every " + format_fixed(*r.refocus_every_c, 1) +
                     " degrees: that moves best focus by half "
                     "the focus zone";
  if (r.refocus_every_minutes) {
    text += "; at the last night's " + format_fixed(*r.night_rate_c_per_hour, 1) +
            " degrees an hour, every " + format_fixed(*r.refocus_every_minutes, 0) + " minutes";
  }
  return text;
}

std::string skip_words(double probability) {
  // Nine in ten: what a person would call dependable; a choice, no source.
  constexpr double kGoodEnough = 0.9;
  std::string text = "the next predicted position is in the zone with " +
                     report::percent_words(probability) + " probability: ";
  return text + (probability >= kGoodEnough
                     ? "good enough to leave out focus runs and move by temperature"
                     : "not good enough to leave out focus runs");
}

std::string filter_table(const DriftResult& r, std::size_t width) {
  std::vector<std::vector<std::string>> rows;
  for (const auto& f : r.filters) {
    rows.push_back({filter_name(f.filter), std::to_string(f.runs),
                    f.sigma_steps ? with_sign(f.offset_steps, f.sigma_steps) : "0",
                    report::like_sigma_or_empty(f.sigma_steps, f.sigma_steps)});
  }
  return report::dashed_table(
      {{"Filter", "", Align::left}, {"Runs", ""}, {"Offset", "steps"}, {"±", "steps"}}, rows,
      width);
}

std::string prediction_table(const DriftResult& r, std::size_t width) {
  std::vector<std::vector<std::string>> rows;
  for (const auto& p : r.predictions) {
    std::string position = "no such filter";
    std::string interval;
    if (!r.slope_steps_per_c) position = "unknown";
    if (p.position_steps && p.interval_95_steps.bounded()) {
      const double sigma = (*p.interval_95_steps.high - *p.interval_95_steps.low) / 4;
      position = format_like_sigma(*p.position_steps, sigma);
      interval = format_like_sigma(*p.interval_95_steps.low, sigma) + " to " +
                 format_like_sigma(*p.interval_95_steps.high, sigma);
    }
    rows.push_back({format_fixed(p.temperature_c, 1), p.filter ? filter_name(p.filter) : "",
                    position, interval,
                    p.probability_in_zone ? report::percent_words(*p.probability_in_zone) : ""});
  }
  return report::dashed_table({{"Temp", "°C"},
                               {"Filter", "", Align::left},
                               {"Best focus", "steps"},
                               {"95 % interval", "steps"},
                               {"In the zone", "", Align::right, 1}},
                              rows, width);
}

std::vector<std::string> rejection_lines(const std::vector<DriftRejection>& rejected) {
  constexpr std::size_t kMostLines = 40;
  std::vector<SkippedFile> rows;
  for (const auto& rejection : rejected) {
    rows.push_back({"row " + std::to_string(rejection.row), rejection.reason});
  }
  auto lines = reason_lines(rows);
  if (lines.size() > kMostLines) {
    const std::size_t more = lines.size() - kMostLines;
    lines.resize(kMostLines);
    lines.push_back("and " + std::to_string(more) + " more");
  }
  return lines;
}

}  // namespace

std::string drift_table(const DriftFit& fit, const TextOptions& options) {
  const DriftResult& r = fit.result;
  const std::size_t width = options.width;
  std::string text;
  if (r.slope_steps_per_c) {
    text += answer_line(
        "Slope",
        with_sign(*r.slope_steps_per_c, r.slope_sigma) + " ± " +
            format_like_sigma(*r.slope_sigma, r.slope_sigma) +
            " steps per degree (95 %: " + with_sign(*r.slope_interval_95.low, r.slope_sigma) +
            " to " + with_sign(*r.slope_interval_95.high, r.slope_sigma) + ")",
        width);
  } else {
    text += answer_line("Slope", "not found", width);
  }
  text += report::verdict_line(r.verdict, {kTrustedSlope, kDoubtfulSlope, kUnusableSlope}, width);
  if (r.slope_steps_per_c) {
    std::string line = format_fixed(*r.position_at_reference_steps, 1) + " steps at " +
                       format_fixed(*r.reference_temperature_c, 1) + " °C";
    if (r.filters.size() > 1) line += ", filter " + filter_name(r.filters.front().filter);
    text += answer_line("Best focus", line, width);
  }
  text += answer_line("Refocus", refocus_words(r), width);
  if (r.next_in_zone_probability) {
    text += answer_line("Prediction", skip_words(*r.next_in_zone_probability), width);
  }
  if (r.residual_rms_steps) {
    text += answer_line("Runs",
                        std::to_string(r.used) + " of " + std::to_string(r.runs) +
                            " count; they lie " + format_fixed(*r.residual_rms_steps, 1) +
                            " steps off the line (root mean square)",
                        width);
  }
  if (r.altitude_steps_per_deg) {
    text += answer_line("Altitude",
                        with_sign(*r.altitude_steps_per_deg, r.altitude_sigma) + " ± " +
                            format_like_sigma(*r.altitude_sigma, r.altitude_sigma) +
                            " steps per degree of altitude, from " +
                            format_fixed(*r.reference_altitude_deg, 0) + " degrees",
                        width);
  }
  if (r.lag_minutes) {
    std::string line =
        "focus follows the temperature by " + format_fixed(*r.lag_minutes, 0) + " minutes";
    if (r.lag_interval_95_minutes.bounded()) {
      line += " (95 %: " + format_fixed(*r.lag_interval_95_minutes.low, 0) + " to " +
              format_fixed(*r.lag_interval_95_minutes.high, 0) + ")";
    }
    text += answer_line("Lag", line, width);
  }
  text += report::why_not_trusted(texts_of(r.reasons), width);
  if (!options.details) return text;
  if (!r.filters.empty()) text += "\n" + filter_table(r, width);
  if (!r.predictions.empty()) text += "\n" + prediction_table(r, width);
  text += report::section("Not used", rejection_lines(r.rejected), width);
  return text + report::section("Notes", texts_of(r.notes), width);
}

}  // namespace starwaist
