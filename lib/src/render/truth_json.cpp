#include "render/truth_json.h"

#include "core/encode.h"

namespace starwaist {

namespace {

constexpr const char* kOnlyWhereOn[] = {
    "slack_steps",        "focus_um_per_c",       "focus_drift_um",
    "seeing_factor",      "sky_gradients",        "trail_angles_deg",
    "shake_px",           "hot_neighbour_share",  "extended_objects",
    "extended_radius_px", "bright_core_electrons"};

}  // namespace

Result<std::string> truth_json(const RenderTruth& truth) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", render::kTruthSchema}};
  object.update(encoder.encode(truth, ""));
  // Imperfections that a run does not have are left out, and the scenarios stand where they are
  // seen.
  encoding::Json& options = object["options"];
  const encoding::Json scenarios = options["scenarios"];
  options.erase("scenarios");
  const encoding::Json plain = encoding::Encoder().encode(RenderOptions{}, "");
  for (const char* name : kOnlyWhereOn) {
    if (options[name] == plain[name]) options.erase(name);
  }
  if (!scenarios.empty()) object["scenarios"] = scenarios;
  const auto finished = encoder.finished(std::move(object));
  if (!finished) return tl::unexpected<Error>(finished.error());
  return encoding::json_text(*finished);
}

namespace render {

std::vector<std::string> frames_named_by(const std::string& text) {
  const auto json = encoding::Json::parse(text, nullptr, false);
  std::vector<std::string> files;
  if (!json.is_object() || json.value("schema", "") != kTruthSchema || !json.contains("frames")) {
    return files;
  }
  for (const auto& frame : json["frames"]) {
    if (frame.is_object() && frame.contains("file") && frame["file"].is_string()) {
      files.push_back(frame["file"].get<std::string>());
    }
  }
  return files;
}

}  // namespace render
}  // namespace starwaist
