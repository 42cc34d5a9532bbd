// Answers in JSON, as fit, diagnose and log write them, read back.
#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>

#include "core/clock.h"
#include "intake/past_points.h"
#include "starwaist/history.h"

namespace starwaist {

namespace {

using Json = nlohmann::json;

std::optional<double> number(const Json& object, const char* key) {
  const auto found = object.find(key);
  if (found == object.end() || !found->is_number()) return std::nullopt;
  return found->get<double>();
}

std::optional<std::string> text(const Json& object, const char* key) {
  const auto found = object.find(key);
  if (found == object.end() || !found->is_string()) return std::nullopt;
  return found->get<std::string>();
}

std::vector<std::string> texts(const Json& object, const char* key) {
  std::vector<std::string> all;
  const auto found = object.find(key);
  if (found == object.end() || !found->is_array()) return all;
  for (const auto& one : *found) {
    if (one.is_string()) all.push_back(one.get<std::string>());
    // A finding is an object; its name is its cause.
    if (one.is_object()) {
      if (auto cause = text(one, "cause")) all.push_back(*cause);
    }
  }
  return all;
}

Interval interval(const Json& object, const char* key) {
  const auto found = object.find(key);
  if (found == object.end() || !found->is_array() || found->size() != 2) return {};
  const auto end = [&](std::size_t place) -> std::optional<double> {
    const auto& value = (*found)[place];
    return value.is_number() ? std::optional(value.get<double>()) : std::nullopt;
  };
  return {end(0), end(1)};
}

void add_points(const Json& object, LedgerRun& run) {
  const auto found = object.find("points");
  if (found == object.end() || !found->is_array()) return;
  for (const auto& point : *found) {
    if (!point.is_object()) continue;
    const auto position = number(point, "position_steps");
    if (!position) continue;
    const auto used = point.find("used");
    run.points.push_back({text(point, "file").value_or(""), *position, number(point, "size_px"),
                          number(point, "sigma_px"), number(point, "temperature_c"),
                          used == point.end() || !used->is_boolean() || used->get<bool>()});
  }
  if (!run.temperature_c) run.temperature_c = intake_detail::mean_temperature_c(run.points);
}

bool has_schema(const Json& object, const std::string& name) {
  const auto schema = object.is_object() ? text(object, "schema") : std::nullopt;
  return schema && schema->compare(0, name.size(), name) == 0;
}

// A run as fit or the ledger writes it: the keys differ in the sigma's name only.
LedgerRun run_of(const Json& object) {
  LedgerRun run;
  run.rig = text(object, "rig").value_or("");
  run.time_utc = text(object, "time_utc");
  // In the one form, so that times of one ledger compare as text.
  if (auto tidy = run.time_utc ? core::utc_text(*run.time_utc) : std::nullopt) {
    run.time_utc = std::move(tidy);
  }
  run.from_utc = text(object, "from_utc");
  run.until_utc = text(object, "until_utc");
  run.note = text(object, "note");
  run.filter = text(object, "filter");
  run.temperature_c = number(object, "temperature_c");
  run.altitude_deg = number(object, "altitude_deg");
  run.best_focus_steps = number(object, "best_focus_steps");
  run.sigma_steps = number(object, "best_focus_sigma_steps");
  if (!run.sigma_steps) run.sigma_steps = number(object, "sigma_steps");
  if (run.sigma_steps && !(*run.sigma_steps > 0)) run.sigma_steps.reset();
  run.interval_95_steps = interval(object, "interval_95_steps");
  run.verdict = enum_from_name<Verdict>(text(object, "verdict").value_or(""));
  run.reasons = texts(object, "reasons");
  run.findings = texts(object, "findings");
  run.source = text(object, "source").value_or("");
  add_points(object, run);
  return run;
}

void add_answer(const Json& object, const std::string& source, const std::string& rig,
                std::vector<LedgerRun>& runs) {
  if (has_schema(object, "starwaist/log/")) {
    const auto found = object.find("runs");
    if (found == object.end() || !found->is_array()) return;
    for (const auto& run : *found) {
      if (run.is_object()) runs.push_back(run_of(run));
    }
  } else if (has_schema(object, "starwaist/fit/")) {
    runs.push_back(run_of(object));
  } else if (has_schema(object, "starwaist/diagnose/")) {
    const auto fit = object.find("fit");
    if (fit == object.end() || !fit->is_object()) return;
    runs.push_back(run_of(*fit));
    runs.back().findings = texts(object, "findings");
  } else {
    return;
  }
  const auto name = text(object, "run");
  for (auto& run : runs) {
    if (run.rig.empty()) run.rig = rig;
    if (run.source.empty()) run.source = name ? source + " run " + *name : source;
  }
}

}  // namespace

Result<std::vector<LedgerRun>> read_answers(const std::string& path, const std::string& rig) {
  const std::string name = std::filesystem::path(path).filename().string();
  std::error_code error;
  const bool regular = std::filesystem::is_regular_file(path, error);  // a device would never end
  std::ifstream file(path, std::ios::binary);
  if (!file || !regular) {
    return fail(ErrorCode::not_found, name + ": the file cannot be opened", "Check its name");
  }
  const std::string content{std::istreambuf_iterator<char>(file), {}};
  std::vector<LedgerRun> runs;
  const Json whole = Json::parse(content, nullptr, false);
  if (!whole.is_discarded()) {
    add_answer(whole, name, rig, runs);
  } else {
    // One object a line.
    std::size_t begin = 0;
    for (int line = 1; begin < content.size(); ++line) {
      const std::size_t end = std::min(content.find('\n', begin), content.size());
      const std::string one = content.substr(begin, end - begin);
      begin = end + 1;
      if (one.find_first_not_of(" \t\r") == std::string::npos) continue;
      const Json object = Json::parse(one, nullptr, false);
      if (object.is_discarded()) {
        return fail(ErrorCode::bad_value,
                    name + " line " + std::to_string(line) + ": this is no JSON",
                    "Name a file that 'starwaist fit --json' wrote");
      }
      add_answer(object, name, rig, runs);
    }
  }
  if (runs.empty()) {
    return fail(ErrorCode::no_data, name + ": no answer of fit, diagnose or log is in it",
                "Name a file that 'starwaist fit --json' wrote");
  }
  return runs;
}

}  // namespace starwaist
