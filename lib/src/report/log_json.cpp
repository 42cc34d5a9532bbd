#include "core/encode.h"
#include "starwaist/report.h"

namespace starwaist {

Result<std::string> log_json(const std::vector<LedgerRun>& runs, const LogJsonOptions& options) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/log/1"}};
  encoding::Json array = encoding::Json::array();
  for (const auto& run : runs) {
    encoding::Json one = encoder.encode(run, "runs[" + std::to_string(array.size()) + "]");
    if (!options.details) {
      one.erase("points");
    }
    array.push_back(std::move(one));
  }
  object["runs"] = std::move(array);
  const auto json = encoder.finished(std::move(object));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

Result<std::string> log_check_json(const std::vector<std::string>& faults,
                                   const LedgerCounts& counts) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/log/1"}};
  object["whole"] = faults.empty();
  object["faults"] = encoder.encode(faults, "faults");
  object["counts"] = {{"rigs", counts.rigs},
                      {"runs", counts.runs},
                      {"points", counts.points},
                      {"measurements", counts.measurements}};
  return encoding::json_text(object);
}

}  // namespace starwaist
