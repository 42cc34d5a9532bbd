#include <cmath>

#include "core/encode.h"
#include "report/answer_objects.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

// Settings that count something are whole numbers.
void whole_where_whole(encoding::Json& settings) {
  for (auto& value : settings) {
    if (!value.is_number_float()) continue;
    const double number = value.get<double>();
    constexpr double kLargest = 9e15;
    if (number == std::round(number) && std::abs(number) < kLargest) {
      value = static_cast<long long>(number);
    }
  }
}

encoding::Json object_of(const RunDiagnosis& diagnosis, encoding::Encoder& encoder,
                         const std::string* run_name) {
  encoding::Json object = {{"schema", "starwaist/diagnose/1"}};
  if (run_name != nullptr) object["run"] = *run_name;
  object["fit"] = report::fit_object(diagnosis.run, encoder);
  object["findings"] = encoder.encode(diagnosis.findings, "findings");
  if (diagnosis.findings.empty()) object["findings"] = encoding::Json::array();
  for (auto& finding : object["findings"]) whole_where_whole(finding["settings"]);
  object["healthy"] = diagnosis.findings.empty();
  return object;
}

}  // namespace

Result<std::string> diagnose_json(const RunDiagnosis& diagnosis) {
  encoding::Encoder encoder;
  const auto json = encoder.finished(object_of(diagnosis, encoder, nullptr));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

Result<std::string> diagnose_json_line(const std::string& run_name, const RunDiagnosis& diagnosis) {
  encoding::Encoder encoder;
  const auto json = encoder.finished(object_of(diagnosis, encoder, &run_name));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_line(*json);
}

}  // namespace starwaist
