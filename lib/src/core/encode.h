// The one encoder from described structs (fields.h) to JSON. Key order is the order of the list.
//
// Private header of module core. An enumeration is written by the enum_name() that stands in its
// own namespace, what has a named_values() there as an object of those.
#pragma once

#include <cmath>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <type_traits>
#include <utility>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/interval.h"
#include "starwaist/statement.h"

namespace starwaist::encoding {

using Json = nlohmann::ordered_json;

// Collects the first number that may not be written, with the path of keys that leads to it.
// Encoding goes on behind it, so that the encoder itself needs no Result at every level.
class Encoder {
 public:
  template <class Value>
  Json encode(const Value& value, const std::string& path) {
    if constexpr (Described<Value>) {
      Json object = Json::object();
      for_each_field(value, [&](const auto& f, const auto& member) {
        const std::string name(f.name);
        put(name, member, path.empty() ? name : path + "." + name, object);
      });
      return object;
    } else if constexpr (std::is_enum_v<Value>) {
      return enum_name(value);
    } else if constexpr (requires { named_values(value); }) {
      return encode_value(named_values(value), path);
    } else {
      return encode_value(value, path);
    }
  }

  // The member `name` of `object`; of statements their words, and their codes beside them.
  template <class Value>
  void put(const std::string& name, const Value& value, const std::string& path, Json& object) {
    if constexpr (std::is_same_v<Value, Statement>) {
      object[name] = value.text;
      object[code_key(name)] = value.code;
    } else if constexpr (std::is_same_v<Value, std::optional<Statement>>) {
      object[name] = value ? Json(value->text) : Json(nullptr);
      object[code_key(name)] = value ? Json(value->code) : Json(nullptr);
    } else if constexpr (std::is_same_v<Value, std::vector<Statement>>) {
      Json texts = Json::array();
      Json codes = Json::array();
      for (const Statement& statement : value) {
        texts.push_back(statement.text);
        codes.push_back(statement.code);
      }
      object[name] = std::move(texts);
      object[codes_key(name)] = std::move(codes);
    } else {
      object[name] = encode(value, path);
    }
  }

  // `json`, or the error (numerical) that names the offending key.
  Result<Json> finished(Json json) const {
    if (not_finite_.empty()) return json;
    return fail(ErrorCode::numerical, not_finite_ + ": not a finite number, so nothing is written",
                "This is a fault of the program; please report it with the input");
  }

 private:
  Json encode_value(double value, const std::string& path) {
    if (std::isfinite(value)) return value;
    if (not_finite_.empty()) not_finite_ = path;
    return nullptr;
  }
  template <class Integer>
  requires std::is_integral_v<Integer> Json encode_value(Integer value, const std::string&) {
    return value;
  }
  Json encode_value(const std::string& value, const std::string&) { return value; }
  Json encode_value(const Interval& value, const std::string& path) {
    return Json::array({encode(value.low, path + "[0]"), encode(value.high, path + "[1]")});
  }
  template <class Value>
  Json encode_value(const std::optional<Value>& value, const std::string& path) {
    return value ? encode(*value, path) : Json(nullptr);
  }
  template <class Value>
  Json encode_value(const std::vector<Value>& values, const std::string& path) {
    Json array = Json::array();
    std::size_t index = 0;
    for (const auto& value : values) {
      array.push_back(encode(value, path + "[" + std::to_string(index++) + "]"));
    }
    return array;
  }
  // Named values are an object; a name that comes twice keeps its last value.
  template <class Value>
  Json encode_value(const std::vector<std::pair<std::string, Value>>& values,
                    const std::string& path) {
    Json object = Json::object();
    const std::string prefix = path + ".";
    for (const auto& [name, value] : values) object[name] = encode(value, prefix + name);
    return object;
  }

  std::string not_finite_;
};

// Text for a file: indented by two, line break at the end. Bytes that are no UTF-8 (from a file
// name) become U+FFFD.
inline std::string json_text(const Json& json) {
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

// The same on one line.
inline std::string json_line(const Json& json) {
  return json.dump(-1, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace starwaist::encoding
