#include <algorithm>
#include <cmath>
#include <limits>
#include <string>
#include <vector>

#include "core/encode.h"
#include "report/answer_text.h"
#include "report/field_parts.h"
#include "report/opening.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using report::with_sigma;

constexpr std::size_t kAnyWidth = std::numeric_limits<std::size_t>::max();

// Best focus of the zones laid out as the frame is stored, the first row on top. On a narrow screen
// without the standard errors.
std::string zone_table(const std::vector<FieldZone>& zones, std::size_t width) {
  const auto table = [&](bool errors) {
    std::vector<std::vector<std::string>> rows = {
        {"first rows", "", "", ""}, {"middle", "", "", ""}, {"last rows", "", "", ""}};
    for (const FieldZone& zone : zones) {
      rows[static_cast<std::size_t>(zone.row)][static_cast<std::size_t>(zone.column) + 1] =
          errors ? with_sigma(zone.best_focus_steps, zone.sigma_steps)
                 : format_like_sigma(zone.best_focus_steps, zone.sigma_steps);
    }
    return report::aligned_table(
        {{"", "", report::Align::left}, {"left", "steps"}, {"middle", "steps"}, {"right", "steps"}},
        rows, errors ? kAnyWidth : width);
  };
  const std::string full = table(true);
  return report::fits(full, width) ? full : table(false);
}

std::string field_lines(const std::vector<report::NamedLine>& lines, std::size_t width) {
  constexpr std::size_t kNameWidth = 30;
  std::string text;
  for (const report::NamedLine& line : lines) {
    std::string label = line.name + ":";
    label.resize(std::max(kNameWidth, label.size() + 1), ' ');
    text += report::labelled(label, line.text, width);
  }
  return text;
}

}  // namespace

namespace report {

std::vector<NamedLine> shape_lines(const FieldFocus& focus,
                                   const std::optional<double>& zone_steps) {
  const auto steps = [](double value, double sigma) { return with_sigma(value, sigma) + " steps"; };
  std::vector<NamedLine> lines;
  lines.push_back({"Left edge to right edge", steps(focus.tilt_x_steps, focus.tilt_x_sigma_steps)});
  lines.push_back({"First row to last row", steps(focus.tilt_y_steps, focus.tilt_y_sigma_steps)});
  lines.push_back(
      {"Corners less centre", steps(focus.curvature_steps, focus.curvature_sigma_steps)});
  if (focus.flat_steps.bounded()) {
    lines.push_back(
        {"Stars grow by less than 1 %", "from " + format_fixed(*focus.flat_steps.low, 0) + " to " +
                                            format_fixed(*focus.flat_steps.high, 0) + " steps"});
  }
  lines.push_back(
      {"Lost at the worst edge", format_fixed(100 * focus.edge_growth, 0) + " % of size"});
  if (zone_steps) {
    lines.push_back({"Critical focus zone", format_fixed(*zone_steps, 1) + " steps wide"});
  }
  return lines;
}

std::vector<NamedLine> collimation_lines(const Collimation& seen) {
  std::vector<NamedLine> lines;
  lines.push_back({"Shadow in out-of-focus stars", format_fixed(100 * seen.shadow_offset, 1) +
                                                       " ± " + format_fixed(100 * seen.sigma, 1) +
                                                       " % of their radius off centre, towards " +
                                                       format_fixed(seen.angle_deg, 0) +
                                                       " degrees (" + printable(seen.file) + ")"});
  if (seen.both_sides) {
    lines.push_back({"Of it by coma, displaced",
                     format_fixed(100 * seen.coma_offset, 1) + " % and " +
                         format_fixed(100 * seen.displaced_offset.value_or(0), 1) + " %"});
  } else {
    lines.push_back({"Seen on one side of focus", "coma and a displaced shadow are not separated"});
  }
  return lines;
}

}  // namespace report

Result<std::string> field_json(const RunAnswer& answer) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/field/1"}};
  const auto put = [&](const char* name, const auto& value) {
    encoder.put(name, value, name, object);
  };
  using Number = std::optional<double>;
  const std::optional<FieldFocus>& focus = answer.field_focus;
  const auto of = [&](double FieldFocus::*member) {
    return focus ? Number((*focus).*member) : std::nullopt;
  };
  object["zones"] = encoding::Json::array();
  if (focus) put("zones", focus->zones);
  put("tilt_x_steps", of(&FieldFocus::tilt_x_steps));
  put("tilt_y_steps", of(&FieldFocus::tilt_y_steps));
  put("tilt_sigma_steps",
      focus ? Number(std::max(focus->tilt_x_sigma_steps, focus->tilt_y_sigma_steps))
            : std::nullopt);
  put("tilt_x_sigma_steps", of(&FieldFocus::tilt_x_sigma_steps));
  put("tilt_y_sigma_steps", of(&FieldFocus::tilt_y_sigma_steps));
  put("curvature_steps", of(&FieldFocus::curvature_steps));
  put("curvature_sigma_steps", of(&FieldFocus::curvature_sigma_steps));
  put("centre_focus_steps", of(&FieldFocus::centre_focus_steps));
  put("compromise_focus_steps", focus ? answer.fit.best_focus_steps : std::nullopt);
  put("flat_steps", focus ? focus->flat_steps : Interval());
  put("edge_growth_percent", focus ? Number(100 * focus->edge_growth) : std::nullopt);
  put("stars", focus ? std::optional<int>(focus->stars) : std::nullopt);
  put("collimation", answer.collimation);
  put("best_focus_steps", answer.fit.best_focus_steps);
  put("best_focus_sigma_steps", answer.fit.best_focus_sigma_steps);
  put("interval_68_steps", answer.fit.interval_68_steps);
  put("interval_95_steps", answer.fit.interval_95_steps);
  put("critical_focus_zone_steps", answer.fit.critical_focus_zone_steps);
  put("probability_in_zone", answer.fit.probability_in_zone);
  put("verdict", answer.fit.verdict);
  put("reasons", answer.fit.reasons);
  put("notes", answer.field_remarks);
  put("skipped", answer.skipped);
  const auto json = encoder.finished(std::move(object));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

std::string field_text(const RunAnswer& answer, const TextOptions& options) {
  if (!options.details) return opening_text(answer, options);
  const std::size_t width = options.width;
  std::string text = report::opening(answer, width) + "\n";
  if (answer.field_focus) {
    const FieldFocus& focus = *answer.field_focus;
    text += zone_table(focus.zones, width) + "\n" +
            field_lines(report::shape_lines(focus, answer.fit.critical_focus_zone_steps), width);
  } else {
    text += report::wrapped("Focus over the field is not known.", "", width);
  }
  if (answer.collimation) {
    text += field_lines(report::collimation_lines(*answer.collimation), width);
  }
  text += report::bullets(texts_of(answer.field_remarks), width);
  text += report::not_ruled_out(answer, width);
  text += report::why_not_trusted(report::further_reasons(answer), width);
  return text + report::section("Skipped", reason_lines(answer.skipped), width);
}

}  // namespace starwaist
