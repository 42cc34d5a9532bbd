#include <charconv>
#include <cmath>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "report/fit_parts.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using report::answer_line;
using report::section;

std::string frames_words(int frames, double exposure_s) {
  return std::to_string(frames) + (frames == 1 ? " frame of " : " frames of ") +
         format_short(exposure_s) + " s at each";
}

std::string minutes_words(double minutes) {
  return format_fixed(minutes, minutes < 9.95 ? 1 : 0) + " minutes";
}

std::string in_steps_and_um(double steps, std::optional<double> um) {
  std::string text = format_short(steps) + " steps wide";
  if (um) text += " (" + format_short(*um) + " um)";
  return text;
}

std::string alternatives_table(const FocusPlan& plan, std::size_t width) {
  std::vector<std::vector<std::string>> rows;
  for (const PlanAlternative& a : plan.alternatives) {
    const bool chosen = a.points == plan.points && a.frames_per_point == plan.frames_per_point &&
                        a.step_steps == plan.step_steps;
    rows.push_back({std::to_string(a.points), format_fixed(a.step_steps, 0),
                    std::to_string(a.frames_per_point), format_short(a.expected_sigma_steps),
                    a.probability_in_zone ? report::percent_words(*a.probability_in_zone) : "",
                    format_fixed(a.minutes, 1), format_fixed(a.edge_size_ratio, 1),
                    chosen      ? "this plan"
                    : a.trusted ? ""
                                : "often doubtful"});
  }
  return report::aligned_table({{"Points", ""},
                                {"Step", "steps"},
                                {"Frames", "a point", report::Align::right, 3},
                                {"±", "steps"},
                                {"In zone", "", report::Align::right, 1},
                                {"Time", "min", report::Align::right, 2},
                                {"Edge", "x best", report::Align::right, 4},
                                {"", "", report::Align::left}},
                               rows, width);
}

std::string comma_list(const std::vector<double>& positions, bool relative) {
  std::string text;
  for (const double p : positions) {
    text +=
        (text.empty() ? "" : ", ") + std::string(relative && p > 0 ? "+" : "") + format_fixed(p, 0);
  }
  return text;
}

std::string begin_words(const CoarseSearch& coarse) {
  std::string text =
      "Find it: take a frame of " + format_short(coarse.exposure_s) + " s or more on bright stars ";
  if (coarse.relative) return text + "where the focuser stands: that is 0 here.";
  text += "at " + format_fixed(coarse.positions_steps.front(), 0);
  if (coarse.move && coarse.move->via_steps) {
    text += " (" + report::move_words(*coarse.move) + ")";
  }
  return text + ".";
}

std::vector<std::string> search_words(const CoarseSearch& coarse) {
  std::vector<std::string> lines;
  lines.push_back("Look for rings or faint wide discs, up to " +
                  format_short(coarse.widest_ring_px) + " px across.");
  std::string nothing = "Nothing: ";
  if (coarse.positions_steps.size() > 1) {
    nothing += "try " +
               comma_list({coarse.positions_steps.begin() + 1, coarse.positions_steps.end()},
                          coarse.relative) +
               ", in that order. Nothing there either: ";
  }
  lines.push_back(nothing + "check cover, exposure and pointing.");
  lines.push_back("A ring: focus is " + format_short(coarse.ring_steps_per_px) +
                  " steps away for each px that it is across. Go that far to either side; the "
                  "next frame shows whether it was the right one.");
  const bool from_below = coarse.approach == Direction::outward;
  std::string approach =
      std::string("Always come from ") + (from_below ? "smaller" : "larger") + " positions";
  if (coarse.takeup_steps > 0) {
    approach += ": first go " + format_short(coarse.takeup_steps) + " steps " +
                (from_below ? "below" : "above") + " the one you want";
  }
  lines.push_back(approach + ".");
  lines.push_back(
      "Done once stars on both sides of the smallest are " + format_short(coarse.enclosing_ratio) +
      " times as large: about " + std::to_string(coarse.frames_expected) + " frames, at most " +
      std::to_string(coarse.frames_at_most) + ". 'starwaist watch FOLDER' leads you the same way.");
  return lines;
}

std::string two_stages(const FocusPlan& plan, std::size_t width) {
  if (!plan.coarse) return {};
  std::string text = report::wrapped(begin_words(*plan.coarse), "1. ", width);
  for (const std::string& line : search_words(*plan.coarse)) {
    text += report::wrapped(line, "   - ", width);
  }
  const bool outward = plan.coarse->approach == Direction::outward;
  const std::string sweep = "Then: " + std::to_string(plan.points) + " positions, " +
                            format_short(plan.step_steps) +
                            " steps apart, the middle one where stars were smallest, going to " +
                            (outward ? "larger" : "smaller") + " positions; " +
                            frames_words(plan.frames_per_point, plan.exposure_s) + ".";
  return text + report::wrapped(sweep, "2. ", width) + "\n";
}

}  // namespace

std::vector<report::NamedLine> report::plan_lines(const FocusPlan& plan) {
  std::vector<NamedLine> lines;
  lines.push_back({"Step size", format_short(plan.step_steps) + " steps"});
  lines.push_back({"Points", std::to_string(plan.points) + ", " +
                                 format_short(plan.half_range_steps) +
                                 " steps to each side; the outermost stars are " +
                                 format_fixed(plan.edge_size_ratio, 1) + " times the smallest"});
  lines.push_back({"Frames", frames_words(plan.frames_per_point, plan.exposure_s)});
  lines.push_back({"Time", minutes_words(plan.minutes)});
  std::string accuracy = "± " + format_short(plan.expected_sigma_steps) + " steps expected";
  if (plan.probability_in_zone) {
    accuracy += "; within half of the focus zone with " +
                report::percent_words(*plan.probability_in_zone) + " probability";
  }
  lines.push_back({"Accuracy", accuracy});
  if (plan.critical_focus_zone_steps) {
    lines.push_back({"Focus zone",
                     in_steps_and_um(*plan.critical_focus_zone_steps, plan.critical_focus_zone_um) +
                         ", a quarter wave to either side"});
  } else {
    lines.push_back({"Focus zone", "unknown; needs --f-number, --pixel-um and --um-per-step"});
  }
  lines.push_back({"Seeing's zone", in_steps_and_um(plan.seeing_zone_steps, plan.seeing_zone_um) +
                                        ": there stars grow by less than " +
                                        format_fixed(100 * plan.seeing_zone_tolerance, 0) + " %"});
  lines.push_back({"Noise", format_fixed(100 * plan.measuring_error, 1) + " % of measuring, " +
                                format_fixed(100 * plan.seeing_scatter, 1) +
                                " % of seeing from frame to frame"});
  if (!plan.positions_steps.empty()) {
    lines.push_back({"Positions", comma_list(plan.positions_steps, false)});
    if (plan.move && plan.move->via_steps) {
      lines.push_back(
          {"Start", report::move_words(*plan.move) + ", then the positions in that order"});
    }
  }
  return lines;
}

std::string plan_text(const FocusPlan& plan, const TextOptions& options) {
  const std::size_t width = options.width;
  std::string text = two_stages(plan, width);
  for (const report::NamedLine& line : report::plan_lines(plan)) {
    text += answer_line(line.name, line.text, width);
  }
  if (!options.details) return text;
  if (!plan.alternatives.empty()) text += "\n" + alternatives_table(plan, width);
  return text + section("Notes", texts_of(plan.notes), width);
}

std::string rig_file(const Rig& rig, const std::vector<std::string>& remarks,
                     const std::vector<std::pair<std::string, double>>& more) {
  std::string text;
  for (const std::string& remark : remarks) text += "# " + report::printable(remark) + "\n";
  const auto put = [&text](const std::string& name, const std::optional<double>& value) {
    if (value && std::isfinite(*value)) text += name + " = " + format_shortest(*value) + "\n";
  };
  for_each_field(rig,
                 [&put](const auto& f, const auto& value) { put(option_name(f.name), value); });
  for (const auto& [name, value] : more) put(name, value);
  return text;
}

}  // namespace starwaist
