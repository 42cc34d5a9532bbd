#include "core/encode.h"
#include "report/answer_objects.h"
#include "starwaist/report.h"

namespace starwaist {

Result<std::string> night_json(const SessionAnswer& answer) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/night/1"}};
  object["frames"] = encoding::Json::array();
  for (std::size_t i = 0; i < answer.frames.size(); ++i) {
    const std::string path = "frames[" + std::to_string(i) + "]";
    encoding::Json frame = report::frame_object(answer.frames[i].measurement, path, false, encoder);
    frame.update(encoder.encode(answer.judgement.frames[i], path));
    object["frames"].push_back(std::move(frame));
  }
  object.update(encoder.encode(answer.judgement.result, ""));
  object["skipped"] = encoder.encode(answer.skipped, "skipped");
  const auto json = encoder.finished(std::move(object));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

Result<std::string> night_watch_json_line(const NightWatchAnswer& answer) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/watch/1"}, {"mode", "night"}};
  object.update(encoder.encode(answer, ""));
  // What only a focus run has.
  for (const char* key :
       {"best_focus_steps", "best_focus_sigma_steps", "next_position_steps", "enough"}) {
    object[key] = nullptr;
  }
  const auto json = encoder.finished(std::move(object));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_line(*json);
}

}  // namespace starwaist
