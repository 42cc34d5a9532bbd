#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "core/encode.h"
#include "report/answer_text.h"
#include "report/text_table.h"
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

Result<std::string> field_json(const RunField& field) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/field/1"}};
  const auto put = [&](const char* name, const auto& value) {
    object[name] = encoder.encode(value, name);
  };
  using Number = std::optional<double>;
  const std::optional<FieldFocus>& focus = field.focus;
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
  put("compromise_focus_steps", of(&FieldFocus::compromise_focus_steps));
  put("stars", focus ? std::optional<int>(focus->stars) : std::nullopt);
  put("critical_focus_zone_steps", critical_focus_zone_steps(field.rig));
  put("collimation", field.collimation);
  put("verdict", field.verdict);
  put("reasons", field.reasons);
  put("skipped", field.skipped);
  const auto json = encoder.finished(std::move(object));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

std::string field_text(const RunField& field) {
  std::string text;
  if (field.focus) {
    const FieldFocus& focus = *field.focus;
    text += "Focus for the whole field " + format_fixed(focus.compromise_focus_steps, 1) +
            " steps: " + enum_name(field.verdict) + ".\n\n";
    text += zone_table(focus.zones) + "\n";
    text += "Left edge to right edge      " +
            with_sigma(focus.tilt_x_steps, focus.tilt_x_sigma_steps) + " steps\n";
    text += "First row to last row        " +
            with_sigma(focus.tilt_y_steps, focus.tilt_y_sigma_steps) + " steps\n";
    text += "Corners less centre          " +
            with_sigma(focus.curvature_steps, focus.curvature_sigma_steps) + " steps\n";
    if (const auto zone = critical_focus_zone_steps(field.rig)) {
      text += "Critical focus zone          " + format_fixed(*zone, 1) + " steps wide\n";
    }
  } else {
    text += "Focus over the field cannot be told: " + enum_name(field.verdict) + ".\n";
  }
  if (field.collimation) {
    const Collimation& seen = *field.collimation;
    text += "Shadow in out-of-focus stars " + format_fixed(100 * seen.shadow_offset, 1) + " ± " +
            format_fixed(100 * seen.sigma, 1) + " % of their radius off centre, towards " +
            format_fixed(seen.angle_deg, 0) + " degrees (" + report::printable(seen.file) + ")\n";
  }
  text += report::bullets(field.reasons);
  for (const std::string& line : reason_lines(field.skipped)) {
    text += report::wrapped(report::printable(line), "  skipped: ");
  }
  return text;
}

}  // namespace starwaist
