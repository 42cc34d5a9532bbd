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

encoding::Json object_of(const RunAnswer& answer, encoding::Encoder& encoder,
                         const std::string* run_name) {
  encoding::Json object = {{"schema", "starwaist/diagnose/1"}};
  if (run_name != nullptr) object["run"] = *run_name;
  object["fit"] = report::fit_object(answer, encoder);
  object["findings"] = encoder.encode(answer.findings, "findings");
  if (answer.findings.empty()) object["findings"] = encoding::Json::array();
  for (auto& finding : object["findings"]) whole_where_whole(finding["settings"]);
  object["healthy"] = answer.healthy();
  return object;
}

}  // namespace

Result<std::string> diagnose_json(const RunAnswer& answer) {
  encoding::Encoder encoder;
  const auto json = encoder.finished(object_of(answer, encoder, nullptr));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

Result<std::string> diagnose_json_line(const std::string& run_name, const RunAnswer& answer) {
  encoding::Encoder encoder;
  const auto json = encoder.finished(object_of(answer, encoder, &run_name));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_line(*json);
}

}  // namespace starwaist
