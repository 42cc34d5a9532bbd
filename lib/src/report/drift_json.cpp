#include "core/encode.h"
#include "starwaist/report.h"

namespace starwaist {

Result<std::string> drift_json(const DriftFit& fit, const std::vector<SkippedFile>& skipped) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/drift/1"}};
  object.update(encoder.encode(fit.result, ""));
  object["skipped"] = encoder.encode(skipped, "skipped");
  const auto json = encoder.finished(std::move(object));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

}  // namespace starwaist
