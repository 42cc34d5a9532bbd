#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "core/encode.h"
#include "report/answer_text.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using report::with_sigma;

// Best focus of the zones laid out as the frame is stored, the first row on top.
std::string zone_table(const std::vector<FieldZone>& zones) {
  std::vector<std::vector<std::string>> rows = {
      {"first rows", "", "", ""}, {"middle", "", "", ""}, {"last rows", "", "", ""}};
  for (const FieldZone& zone : zones) {
    rows[static_cast<std::size_t>(zone.row)][static_cast<std::size_t>(zone.column) + 1] =
        with_sigma(zone.best_focus_steps, zone.sigma_steps);
  }
  return report::aligned_table({{"best focus", "", report::Align::left},
                                {"left", "steps"},
                                {"middle", "steps"},
                                {"right", "steps"}},
                               rows);
}

}  // namespace

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

std::string field_text(const RunAnswer& answer) {
  std::string text = report::answer_line("Best focus", report::best_focus_words(answer.fit)) +
                     report::verdict_line(answer.fit.verdict, {}) + "\n";
  if (answer.field_focus) {
    const FieldFocus& focus = *answer.field_focus;
    text += zone_table(focus.zones) + "\n";
    text += "Left edge to right edge      " +
            with_sigma(focus.tilt_x_steps, focus.tilt_x_sigma_steps) + " steps\n";
    text += "First row to last row        " +
            with_sigma(focus.tilt_y_steps, focus.tilt_y_sigma_steps) + " steps\n";
    text += "Corners less centre          " +
            with_sigma(focus.curvature_steps, focus.curvature_sigma_steps) + " steps\n";
    text += "Stars grow by less than 1 %  from " + format_fixed(*focus.flat_steps.low, 0) + " to " +
            format_fixed(*focus.flat_steps.high, 0) + " steps\n";
    text +=
        "Lost at the worst edge       " + format_fixed(100 * focus.edge_growth, 0) + " % of size\n";
    if (const auto& zone = answer.fit.critical_focus_zone_steps) {
      text += "Critical focus zone          " + format_fixed(*zone, 1) + " steps wide\n";
    }
  } else {
    text += "Focus over the field is not known.\n";
  }
  if (answer.collimation) {
    const Collimation& seen = *answer.collimation;
    text += "Shadow in out-of-focus stars " + format_fixed(100 * seen.shadow_offset, 1) + " ± " +
            format_fixed(100 * seen.sigma, 1) + " % of their radius off centre, towards " +
            format_fixed(seen.angle_deg, 0) + " degrees (" + report::printable(seen.file) + ")\n";
  }
  text += report::bullets(texts_of(answer.field_remarks));
  text += report::why_not_trusted(texts_of(answer.fit.reasons));
  for (const std::string& line : reason_lines(answer.skipped)) {
    text += report::wrapped(report::printable(line), "  skipped: ");
  }
  return text;
}

}  // namespace starwaist
