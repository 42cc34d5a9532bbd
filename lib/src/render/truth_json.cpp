#include "render/truth_json.h"

#include "core/encode.h"

namespace starwaist {

// Found by the encoder for the options' enumeration.
std::string enum_name(SeeingProfile profile) { return seeing_profile_name(profile); }

Result<std::string> truth_json(const RenderTruth& truth) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", render::kTruthSchema}};
  object.update(encoder.encode(truth, ""));
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
