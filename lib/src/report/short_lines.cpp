// Answers in one line each, for a small screen.
#include <algorithm>
#include <cmath>
#include <initializer_list>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "report/opening.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using report::printable;
using report::screen_width;
using report::short_position_words;
using report::short_side_words;
using report::short_use_words;

// `text` without what does not fit, and a line break.
std::string cut_line(const std::string& text) {
  std::string line = printable(text);
  if (screen_width(line) <= kShortLineWidth) return line + "\n";
  constexpr const char* kCut = "...";
  // At a blank where there is one, so that no word is cut through.
  std::string kept = report::wrapped(line, "", kShortLineWidth - 3);
  kept.resize(kept.find('\n'));
  if (screen_width(kept) > kShortLineWidth - 3)
    return report::shortened(line, kShortLineWidth) + "\n";
  return kept + kCut + "\n";
}

// The first of the wordings that fits, from the fullest to the barest.
std::string first_that_fits(std::initializer_list<std::string> wordings) {
  const auto fitting = std::find_if(wordings.begin(), wordings.end(), [](const std::string& line) {
    return screen_width(line) <= kShortLineWidth;
  });
  return fitting == wordings.end() ? cut_line(*(wordings.end() - 1)) : *fitting + "\n";
}

std::string do_not_use(const std::string& what, const std::string& why) {
  return cut_line("do not use " + what + (why.empty() ? "" : ": " + why));
}

// Whole from 1 on; below it one digit that is not zero.
int rough_decimals(double size) {
  constexpr int kMost = 6;
  if (!(size > 0) || size >= 0.95) return 0;
  return std::min(kMost, -static_cast<int>(std::floor(std::log10(size))));
}

std::string rough(double value) { return format_fixed(value, rough_decimals(std::abs(value))); }

// "47 ± 3": the value with the decimals of its error; absent: none known.
std::string rough_with_error(double value, std::optional<double> sigma) {
  if (!sigma) return rough(value);
  return format_fixed(value, rough_decimals(*sigma)) + " ± " + rough(*sigma);
}

// "0.9": a figure with the decimals that a screen has room for.
std::string tenths(double value) {
  return std::abs(value) < 9.95 ? format_fixed(value, 1) : format_fixed(value, 0);
}

// A title without what follows its colon.
std::string short_title(const std::string& cause) {
  const std::string title = report::title_of(cause);
  return title.substr(0, title.find(':'));
}

}  // namespace

std::string short_line(const RunAnswer& answer) {
  const FitResult& fit = answer.fit;
  if (!fit.best_focus_steps || fit.verdict == Verdict::unusable) {
    const auto told = report::told_findings(answer);
    std::string why;
    if (!told.plain.empty()) {
      why = short_title(told.plain.front()->cause);
    } else if (!fit.reasons.empty()) {
      why = fit.reasons.front().text;
    } else if (!fit.best_focus_steps) {
      why = "no best focus";
    }
    return do_not_use("this run", why);
  }
  const std::string lead = short_position_words(fit) + short_side_words(fit.approach) + ": " +
                           short_use_words(fit.verdict);
  const auto& sigma = fit.best_focus_sigma_steps;
  const auto& zone = fit.critical_focus_zone_steps;
  const std::string error = sigma ? "± " + rough(*sigma) : std::string();
  if (error.empty()) return first_that_fits({lead});
  return zone ? first_that_fits({lead + " (" + error + ", zone " + rough(*zone) + ")",
                                 lead + " (" + error + ")", lead})
              : first_that_fits({lead + " (" + error + ")", lead});
}

std::string watch_short_line(const WatchAnswer& watched, const RunAnswer& answer) {
  std::string line = short_line(answer);
  line.pop_back();
  const std::string next = report::short_next_words(watched);
  if (next.empty()) return line + "\n";
  // A run that is being taken has not failed yet.
  if (!watched.enough &&
      (!answer.fit.best_focus_steps || answer.fit.verdict == Verdict::unusable)) {
    return first_that_fits({"no best focus yet; " + next, next});
  }
  return first_that_fits({line + "; " + next, line});
}

std::string night_watch_short_line(const NightWatchAnswer& answer) {
  if (!answer.size_px) return cut_line("no star could be measured");
  std::string line = format_fixed(*answer.size_px, 2) + " px";
  if (answer.loss_percent) line += ", " + format_fixed(*answer.loss_percent, 0) + " % above best";
  return first_that_fits({line + (answer.refocus ? ": refocus now" : ": go on"), line});
}

std::string backlash_short_line(const BacklashResult& r) {
  if (!r.backlash_steps || r.verdict == Verdict::unusable) {
    return do_not_use("these sweeps", r.reasons.empty() ? "" : r.reasons.front().text);
  }
  const std::string use = ": " + short_use_words(r.verdict);
  const std::string slack = "slack " + rough(*r.backlash_steps);
  const std::string with_error = "slack " + rough_with_error(*r.backlash_steps, r.sigma_steps);
  if (!r.takeup_steps || !(*r.takeup_steps > 0)) {
    return first_that_fits({with_error + ", no take-up" + use, slack + use});
  }
  const std::string takeup =
      "take up " + rough(*r.takeup_steps) + short_side_words(r.final_direction) + use;
  return first_that_fits({with_error + ", " + takeup, slack + ", " + takeup, takeup});
}

std::string drift_short_line(const DriftFit& fit) {
  const DriftResult& r = fit.result;
  if (!r.slope_steps_per_c || r.verdict == Verdict::unusable) {
    return do_not_use("these runs", r.reasons.empty() ? "" : r.reasons.front().text);
  }
  const std::string use = ": " + short_use_words(r.verdict);
  const std::string sign = *r.slope_steps_per_c > 0 ? "+" : "";
  const std::string slope = sign + tenths(*r.slope_steps_per_c);
  const std::string with_error = sign + rough_with_error(*r.slope_steps_per_c, r.slope_sigma);
  const std::string unit = " steps/°C";
  if (!r.refocus_every_c) {
    return first_that_fits({with_error + unit + use, slope + unit + use});
  }
  const std::string refocus = ", refocus every " + tenths(*r.refocus_every_c) + " °C";
  return first_that_fits(
      {with_error + unit + refocus + use, slope + unit + refocus + use, slope + unit + use});
}

std::string night_short_line(const SessionAnswer& answer) {
  const NightResult& r = answer.judgement.result;
  const bool lost = std::any_of(r.periods.begin(), r.periods.end(),
                                [](const NightPeriod& period) { return period.focus_lost; });
  std::string what = "focus held";
  if (lost && r.exposure_s > 0) {
    what = tenths(100 * r.focus_lost_s / r.exposure_s) + " % lost to focus";
  } else if (lost) {
    what = "focus was lost";
  }
  const std::string hint = r.verdict == Verdict::trusted ? "" : " (a hint)";
  const RefocusRule& rule = r.refocus_rule;
  if (!rule.basis || (!rule.every_c && !rule.every_minutes)) {
    const std::string refocus = rule.when_size_px
                                    ? "refocus above " + format_fixed(*rule.when_size_px, 2) + " px"
                                    : "no refocus rule";
    return first_that_fits({what + ": " + refocus + hint, what + hint});
  }
  const std::string minutes =
      rule.every_minutes ? format_fixed(*rule.every_minutes, 0) + " min" : std::string();
  const std::string degrees = rule.every_c ? tenths(*rule.every_c) + " °C" : std::string();
  const std::string either = degrees + (degrees.empty() || minutes.empty() ? "" : " or ") + minutes;
  return first_that_fits({what + ": refocus every " + either + hint,
                          what + ": refocus every " + (minutes.empty() ? degrees : minutes) + hint,
                          what + hint});
}

}  // namespace starwaist
