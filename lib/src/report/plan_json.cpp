#include "core/encode.h"
#include "starwaist/report.h"

namespace starwaist {

Result<std::string> plan_json(const FocusPlan& plan) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/plan/1"}};
  object.update(encoder.encode(plan, ""));
  const auto json = encoder.finished(std::move(object));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

}  // namespace starwaist
