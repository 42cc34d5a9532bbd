// JSON Schema (draft 2020-12) of what the encoder writes, derived from the descriptions of the
// fields (starwaist/fields.h) as core/encode.h derives the JSON.
#pragma once

#include <initializer_list>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <type_traits>
#include <utility>
#include <vector>

#include "starwaist/fields.h"
#include "starwaist/interval.h"
#include "starwaist/statement.h"

namespace starwaist::json_schema {

using Json = nlohmann::ordered_json;

template <class Value>
struct Kind {
  static constexpr bool optional = false, list = false, named = false;
};
template <class Value>
struct Kind<std::optional<Value>> : Kind<void> {
  static constexpr bool optional = true;
  using Inner = Value;
};
template <class Value>
struct Kind<std::vector<Value>> : Kind<void> {
  static constexpr bool list = true;
  using Inner = Value;
};
template <class Value>
struct Kind<std::vector<std::pair<std::string, Value>>> : Kind<void> {
  static constexpr bool named = true;
  using Inner = Value;
};

inline Json array_of(Json items) { return {{"type", "array"}, {"items", std::move(items)}}; }
inline Json code() { return {{"type", "string"}, {"pattern", "^[a-z][a-z0-9_]*$"}}; }

// The same, or null.
inline Json or_null(Json schema) {
  if (schema.contains("enum")) schema["enum"].push_back(nullptr);
  schema["type"] = Json::array({schema["type"], "null"});
  return schema;
}

template <Described Struct>
Json object_of();

template <class Enum>
Json names_of() {
  Json names = Json::array();
  for (int i = 0; !enum_name(static_cast<Enum>(i)).empty(); ++i) {
    names.push_back(enum_name(static_cast<Enum>(i)));
  }
  return {{"type", "string"}, {"enum", std::move(names)}};
}

template <class Value>
Json schema_of() {
  if constexpr (Kind<Value>::optional) {
    return or_null(schema_of<typename Kind<Value>::Inner>());
  } else if constexpr (Kind<Value>::named) {
    return {{"type", "object"}, {"additionalProperties", schema_of<typename Kind<Value>::Inner>()}};
  } else if constexpr (Kind<Value>::list) {
    return array_of(schema_of<typename Kind<Value>::Inner>());
  } else if constexpr (Described<Value>) {
    return object_of<Value>();
  } else if constexpr (std::is_enum_v<Value>) {
    return names_of<Value>();
  } else if constexpr (std::is_same_v<Value, bool>) {
    return {{"type", "boolean"}};
  } else if constexpr (std::is_integral_v<Value>) {
    return {{"type", "integer"}};
  } else if constexpr (std::is_floating_point_v<Value>) {
    return {{"type", "number"}};
  } else if constexpr (std::is_same_v<Value, std::string>) {
    return {{"type", "string"}};
  } else if constexpr (std::is_same_v<Value, Interval>) {
    Json schema = array_of(schema_of<std::optional<double>>());
    schema["minItems"] = 2;
    schema["maxItems"] = 2;
    return schema;
  } else {
    return schema_of<decltype(named_values(std::declval<Value>()))>();
  }
}

// Adds the key `name` to the schema of an object; a value that may be absent is null there.
inline void add_key(Json& object, const std::string& name, const Json& schema,
                    const std::string& meaning, std::string_view unit = {}) {
  Json& property = object["properties"][name];
  property["description"] = unit.empty() ? meaning : meaning + " (" + std::string(unit) + ")";
  property.update(schema);
  object["required"].push_back(name);
}

// A member as Encoder::put writes it.
template <class Value>
void add_value(Json& object, const std::string& name, const std::string& meaning,
               std::string_view unit = {}) {
  if constexpr (std::is_same_v<Value, Statement>) {
    add_key(object, name, schema_of<std::string>(), meaning);
    add_key(object, code_key(name), code(), "code of `" + name + "`");
  } else if constexpr (std::is_same_v<Value, std::optional<Statement>>) {
    add_key(object, name, or_null(schema_of<std::string>()), meaning);
    add_key(object, code_key(name), or_null(code()), "code of `" + name + "`");
  } else if constexpr (std::is_same_v<Value, std::vector<Statement>>) {
    add_key(object, name, array_of(schema_of<std::string>()), meaning);
    add_key(object, codes_key(name), array_of(code()), "codes of `" + name + "`, in their order");
  } else {
    add_key(object, name, schema_of<Value>(), meaning, unit);
  }
}

inline Json empty_object() {
  return {{"type", "object"},
          {"properties", Json::object()},
          {"required", Json::array()},
          {"additionalProperties", true}};
}

// Adds the keys of a described struct.
template <Described Struct>
void add_fields(Json& object) {
  Fields<Struct>::list.apply([&object](const auto&... field) {
    (add_value<typename std::remove_cvref_t<decltype(field)>::member_type>(
         object, std::string(field.name), std::string(field.meaning), field.unit),
     ...);
  });
}

template <Described Struct>
Json object_of() {
  Json object = empty_object();
  add_fields<Struct>(object);
  return object;
}

// These keys may be left out.
inline void make_optional(Json& object, std::initializer_list<const char*> names) {
  Json required = Json::array();
  for (const auto& name : object["required"]) {
    bool left_out = false;
    for (const char* optional : names) left_out = left_out || name == optional;
    if (!left_out) required.push_back(name);
  }
  object["required"] = std::move(required);
}

}  // namespace starwaist::json_schema
