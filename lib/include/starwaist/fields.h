// Description of a result struct's fields, written once beside the struct: JSON keys, CSV headings
// and the reference page are derived from it.
//
// Module: core.
//
// Usage, next to an aggregate struct:
//   template <>
//   struct Fields<Point> {
//     static constexpr auto list = std::make_tuple(
//         STARWAIST_FIELD(Point, position_steps, "steps", "commanded position"), ...);
//   };
//   static_assert(describes_every_field<Point>());
// The member's name is the JSON key and carries the unit; order is the order of output and of
// declaration.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <string>
#include <string_view>
#include <tuple>
#include <type_traits>
#include <utility>

#include "starwaist/limits.h"

namespace starwaist {

template <class Struct, class Member>
struct Field {
  using member_type = Member;
  std::string_view name;     // the member's own name, which is the JSON key
  Member Struct::*member;    // where it is
  std::string_view unit;     // "px", "steps", "adu", "" for a pure number or text
  std::string_view meaning;  // one line for the reference page
  NumberLimits limits;       // of a number that users give
};

// Describes a member; its name is taken from the member itself, so that none can be wrong.
// Arguments: struct, member, unit, meaning, and limits where users give the number.
#define STARWAIST_FIELD(Struct, member, ...) \
  ::starwaist::fields_detail::field(#member, &Struct::member, __VA_ARGS__)

// Specialised for every described struct.
template <class Struct>
struct Fields;

template <class Struct>
concept Described = requires {
  Fields<Struct>::list;
};

namespace fields_detail {

template <class Struct, class Member>
constexpr Field<Struct, Member> field(std::string_view name, Member Struct::*member,
                                      std::string_view unit, std::string_view meaning,
                                      const NumberLimits& limits = {}) {
  return {name, member, unit, meaning, limits};
}

// Lays the described members out as the compiler lays out an aggregate. The result equals
// sizeof(Struct) only when no member was left out (short of one that hides in padding).
template <class Struct, std::size_t... I>
constexpr std::size_t described_size(std::index_sequence<I...>) {
  std::size_t offset = 0;
  std::size_t alignment = 1;
  const auto place = [&](std::size_t size, std::size_t align) {
    offset = (offset + align - 1) / align * align + size;
    alignment = align > alignment ? align : alignment;
  };
  using List = std::remove_const_t<decltype(Fields<Struct>::list)>;
  (place(sizeof(typename std::tuple_element_t<I, List>::member_type),
         alignof(typename std::tuple_element_t<I, List>::member_type)),
   ...);
  return (offset + alignment - 1) / alignment * alignment;
}

template <class Struct>
constexpr bool names_differ() {
  const auto names =
      std::apply([](const auto&... f) { return std::array{f.name...}; }, Fields<Struct>::list);
  for (std::size_t i = 0; i < names.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      if (names[i] == names[j]) return false;
    }
  }
  return true;
}

}  // namespace fields_detail

// True when the list of Fields<Struct> names the members in declaration order, each once, and none
// is missing.
template <class Struct>
constexpr bool describes_every_field() {
  using List = std::remove_const_t<decltype(Fields<Struct>::list)>;
  return fields_detail::described_size<Struct>(
             std::make_index_sequence<std::tuple_size_v<List>>{}) == sizeof(Struct) &&
         fields_detail::names_differ<Struct>();
}

// Calls visit(field, value) for each described member of `object`, in order.
template <Described Struct, class Visitor>
constexpr void for_each_field(const Struct& object, Visitor&& visit) {
  std::apply([&](const auto&... f) { (visit(f, object.*(f.member)), ...); }, Fields<Struct>::list);
}
template <Described Struct, class Visitor>
constexpr void for_each_field(Struct& object, Visitor&& visit) {
  std::apply([&](const auto&... f) { (visit(f, object.*(f.member)), ...); }, Fields<Struct>::list);
}

// A field's name as options and configuration files write it: pixel-um.
inline std::string option_name(std::string_view field_name) {
  std::string name(field_name);
  std::replace(name.begin(), name.end(), '_', '-');
  return name;
}

}  // namespace starwaist
