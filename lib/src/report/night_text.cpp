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
using report::count_words;
using report::fixed_or_empty;
using report::printable;
using report::shortened;

// "20:11" of a time; empty where there is none.
std::string clock_time(const std::optional<std::string>& time_utc) {
  return time_utc && time_utc->size() >= 16 ? printable(time_utc->substr(11, 5)) : std::string();
}

std::string hours_words(double seconds) {
  return seconds < 5400 ? format_fixed(seconds / 60, 0) + " min"
                        : format_fixed(seconds / 3600, 1) + " h";
}

std::string first_words(const SessionAnswer& answer) {
  const NightResult& r = answer.judgement.result;
  std::size_t focus = 0;
  for (const auto& period : r.periods) focus += period.focus_lost ? 1 : 0;
  if (r.periods.empty()) return "Focus held all night, and nothing else spoiled the frames.";
  if (focus == 0) {
    return "Focus held all night. " +
           count_words(r.periods.size(), "stretch of frames was", "stretches of frames were") +
           " spoiled by something else, see below.";
  }
  std::string text = "Focus was lost " + (focus == 1 ? "once" : std::to_string(focus) + " times");
  if (r.exposure_s > 0) {
    text += " and cost the worth of " + hours_words(r.focus_lost_s) + " of " +
            hours_words(r.exposure_s) + " exposure";
  }
  return text + ".";
}

constexpr const char* kNotTrusted = "take it as a hint, see below";

std::string frames_table(const SessionAnswer& answer, std::size_t width) {
  constexpr std::size_t kWidest = 22;
  std::vector<std::vector<std::string>> rows;
  for (std::size_t i = 0; i < answer.frames.size(); ++i) {
    const FrameMeasurement& f = answer.frames[i].measurement;
    const NightFrameAnswer& a = answer.judgement.frames[i];
    rows.push_back({shortened(printable(f.file), kWidest), clock_time(f.time_utc),
                    shortened(printable(f.filter.value_or("")), 6), fixed_or_empty(f.hfr_px, 2),
                    fixed_or_empty(a.loss_percent, 0), fixed_or_empty(a.light_percent, 0),
                    fixed_or_empty(f.eccentricity, 2), fixed_or_empty(f.temperature_c, 1),
                    report::spaced(a.cause.value_or(""))});
  }
  constexpr std::size_t kLeastName = 13;
  return report::dashed_table({{"File", "", Align::left, 2, kLeastName},
                               {"UTC", ""},
                               {"Filter", "", Align::left, 4},
                               {"Size", "px", Align::right, 1},
                               {"Loss", "%"},
                               {"Light", "%", Align::right, 3},
                               {"Ecc", "", Align::right, 6},
                               {"Temp", "°C", Align::right, 5},
                               {"Cause", "", Align::left}},
                              rows, width, "Cause");
}

}  // namespace

std::string night_text(const SessionAnswer& answer, const TextOptions& options) {
  const std::size_t width = options.width;
  const NightResult& r = answer.judgement.result;
  std::string text = report::wrapped(first_words(answer), "", width);
  for (const NightPeriod& period : r.periods) {
    text += report::wrapped(printable(period.summary), "  - ", width);
  }
  text += "\n" + answer_line("Refocus", printable(r.refocus_rule.summary), width);
  for (const NightFilter& filter : r.filters) {
    if (!filter.best_size_px) continue;
    text +=
        answer_line(filter.filter ? "Filter " + shortened(printable(*filter.filter), 8) : "Sizes",
                    count_words(static_cast<std::size_t>(filter.frames), "frame", "frames") +
                        ", best size " + format_fixed(*filter.best_size_px, 2) + " px, middle " +
                        fixed_or_empty(filter.median_size_px, 2) + " px",
                    width);
  }
  if (r.exposure_s > 0) {
    text += answer_line("Cost",
                        "against best size and a clear sky " + hours_words(r.exposure_lost_s) +
                            " of " + hours_words(r.exposure_s) + ", of that by lost focus " +
                            hours_words(r.focus_lost_s),
                        width);
  }
  text += report::verdict_line(r.verdict, {"", kNotTrusted, kNotTrusted}, width);
  text += report::why_not_trusted(texts_of(r.reasons), width);
  if (!options.details) return text;
  text += report::section("Skipped", reason_lines(answer.skipped), width);
  text += report::section("Notes", texts_of(r.notes), width);
  return text + "\n" + frames_table(answer, width);
}

std::string night_watch_text(const NightWatchAnswer& answer, const TextOptions& options) {
  constexpr std::size_t kNameWidth = 30;
  const std::string name = shortened(printable(answer.file), kNameWidth) + "  ";
  std::string line =
      answer.size_px ? format_fixed(*answer.size_px, 2) + " px" : "no star could be measured";
  if (answer.best_size_px && answer.loss_percent) {
    line += ", " + format_fixed(*answer.loss_percent, 0) + " % above the best of " +
            format_fixed(*answer.best_size_px, 2) + " px";
  }
  if (answer.temperature_c) line += ", " + format_fixed(*answer.temperature_c, 1) + " °C";
  // Without details only what asks for an action.
  const std::string text = report::labelled(name, line, options.width);
  if (!options.details && !answer.refocus) return text;
  return text + report::wrapped(printable(answer.advice.text), answer.refocus ? "! " : "  ",
                                options.width);
}

}  // namespace starwaist
