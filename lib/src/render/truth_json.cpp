#include "render/truth_json.h"

#include <nlohmann/json.hpp>
#include <type_traits>

namespace starwaist::render {

namespace {

using Json = nlohmann::ordered_json;

template <class Value>
Json as_json(const Value& value);

template <class Element>
Json as_json(const std::vector<Element>& values) {
  Json array = Json::array();
  for (const Element& value : values) array.push_back(as_json(value));
  return array;
}

template <class Value>
Json as_json(const Value& value) {
  if constexpr (Described<Value>) {
    Json object = Json::object();
    for_each_field(value, [&](const auto& described, const auto& member) {
      object[std::string(described.name)] = as_json(member);
    });
    return object;
  } else if constexpr (std::is_same_v<Value, SeeingProfile>) {
    return seeing_profile_name(value);
  } else {
    return value;
  }
}

}  // namespace

std::string truth_json(const RenderTruth& truth) {
  Json object = Json::object();
  object["schema"] = kTruthSchema;
  object.update(as_json(truth));
  return object.dump(2) + "\n";
}

std::vector<std::string> frames_named_by(const std::string& text) {
  const auto json = Json::parse(text, nullptr, false);
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

}  // namespace starwaist::render
