#include "core/encode.h"
#include "starwaist/report.h"

namespace starwaist {

Result<std::string> backlash_json(const BacklashResult& result,
                                  const std::vector<SkippedFile>& skipped) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/backlash/1"}};
  object.update(encoder.encode(result, ""));
  object["skipped"] = encoder.encode(skipped, "skipped");
  const auto json = encoder.finished(std::move(object));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

}  // namespace starwaist
