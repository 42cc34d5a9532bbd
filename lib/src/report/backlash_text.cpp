#include <algorithm>
#include <string>

#include "report/answer_text.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using report::answer_line;
using report::like_sigma_or_empty;
using report::section;

std::string slack_words(const BacklashResult& r) {
  if (!r.backlash_steps) return "unknown";
  const std::string found =
      report::with_sigma(*r.backlash_steps, r.sigma_steps.value_or(0)) + " steps";
  const bool differ = std::any_of(r.notes.begin(), r.notes.end(), [](const Statement& note) {
    return note.code == codes::slack_or_drift;
  });
  if (differ) return found + ", or as much drift between the sweeps";
  if (!r.slack_found && r.interval_95_steps.high && *r.backlash_steps >= 0) {
    return "none found, at most " + format_like_sigma(*r.interval_95_steps.high, r.sigma_steps) +
           " steps";
  }
  return found;
}

constexpr const char* kTrustedSlack = "these settings can be used as they are";
constexpr const char* kDoubtfulSlack = "take the figures as a hint, see below";
constexpr const char* kUnusableSlack = "these sweeps give no slack to rely on, see below";

std::string sweeps_table(const BacklashResult& r, std::size_t width) {
  std::vector<std::vector<std::string>> rows;
  for (const SweepSlack& s : r.sweeps) {
    rows.push_back({enum_name(s.direction), std::to_string(s.points),
                    like_sigma_or_empty(s.best_focus_steps, s.sigma_steps),
                    like_sigma_or_empty(s.sigma_steps, s.sigma_steps),
                    s.slack_steps ? format_like_sigma(*s.slack_steps, r.sigma_steps) : "?"});
  }
  return report::aligned_table({{"Sweep", "", report::Align::left},
                                {"Points", "", report::Align::right, 2},
                                {"Best focus", "steps"},
                                {"±", "steps", report::Align::right, 1},
                                {"Dead travel", "steps"}},
                               rows, width);
}

}  // namespace

std::string backlash_text(const BacklashResult& r, const TextOptions& options) {
  const std::size_t width = options.width;
  std::string text = answer_line("Slack", slack_words(r), width);
  text += report::verdict_line(r.verdict, {kTrustedSlack, kDoubtfulSlack, kUnusableSlack}, width);
  if (const auto words = report::interval_words(r.interval_95_steps, r.sigma_steps);
      !words.empty()) {
    text += answer_line("95 % interval", words, width);
  }
  if (r.takeup_steps && *r.takeup_steps > 0) {
    const bool inward = r.final_direction == Direction::inward;
    text += answer_line("Take-up",
                        "go " + format_short(*r.takeup_steps) +
                            (*r.takeup_steps == 1 ? " step" : " steps") + " past the target to " +
                            (inward ? "larger" : "smaller") + " positions, then come back " +
                            enum_name(r.final_direction) + "; never against the focuser's stop",
                        width);
  }
  if (r.move) text += answer_line("Best focus", report::move_words(*r.move), width);
  if (r.drift_identified && r.drift_steps) {
    text += answer_line("Drift",
                        report::with_sigma(*r.drift_steps, *r.drift_sigma_steps) +
                            " steps from the first frame to the last",
                        width);
  }
  if (r.remaining_steps) {
    text += answer_line(
        "Left over",
        format_short(*r.remaining_steps) + " steps of slack in the run taken with take-up", width);
  }
  text += report::why_not_trusted(texts_of(r.reasons), width);
  if (!options.details) return text;
  if (!r.sweeps.empty()) text += "\n" + sweeps_table(r, width);
  return text + section("Notes", texts_of(r.notes), width);
}

}  // namespace starwaist
