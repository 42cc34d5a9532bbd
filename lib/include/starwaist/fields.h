// Description of a result struct's fields, written once beside the struct: JSON keys, CSV headings
// and the reference page are derived from it.
//
// Module: core.
//
// Usage, next to an aggregate struct:
//   template <>
//   struct Fields<Point> {
//     static constexpr auto list = fields_in_order(
//         STARWAIST_FIELD(Point, position_steps, "steps", "commanded position"), ...);
//   };
//   static_assert(describes_every_field<Point>());
// The member's name is the JSON key and carries the unit; order is the order of output and of
// declaration.
#pragma once

#include <algorithm>
#include <cstddef>
#include <string>
#include <string_view>
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

// One field of a list, known by its place: several are of one type.
template <std::size_t Place, class Member>
struct Slot {
  Member field;
};

// A std::tuple would do, but every source that includes a described struct would pay for its
// constructors: seconds for those that see them all.
template <class Places, class... Member>
struct List;
template <std::size_t... Place, class... Member>
struct List<std::index_sequence<Place...>, Member...> : Slot<Place, Member>... {
  // Calls visit with all fields at once.
  template <class Visitor>
  constexpr decltype(auto) apply(Visitor&& visit) const {
    return visit(static_cast<const Slot<Place, Member>&>(*this).field...);
  }

  // Lays the described members out as the compiler lays out an aggregate. The result equals the
  // struct's size only when no member was left out (short of one that hides in padding).
  static constexpr std::size_t described_size() {
    std::size_t offset = 0;
    std::size_t alignment = 1;
    const auto place = [&](std::size_t size, std::size_t align) {
      offset = (offset + align - 1) / align * align + size;
      alignment = align > alignment ? align : alignment;
    };
    (place(sizeof(typename Member::member_type), alignof(typename Member::member_type)), ...);
    return (offset + alignment - 1) / alignment * alignment;
  }

  [[nodiscard]] constexpr bool names_differ() const {
    const std::string_view names[] = {static_cast<const Slot<Place, Member>&>(*this).field.name...};
    for (std::size_t i = 0; i < sizeof...(Member); ++i) {
      for (std::size_t j = 0; j < i; ++j) {
        if (names[i] == names[j]) return false;
      }
    }
    return true;
  }
};

}  // namespace fields_detail

// The list of Fields<Struct>.
template <class... Member>
constexpr fields_detail::List<std::index_sequence_for<Member...>, Member...> fields_in_order(
    const Member&... field) {
  return {{field}...};
}

// True when the list of Fields<Struct> names the members in declaration order, each once, and none
// is missing.
template <class Struct>
constexpr bool describes_every_field() {
  return Fields<Struct>::list.described_size() == sizeof(Struct) &&
         Fields<Struct>::list.names_differ();
}

// Calls visit(field, value) for each described member of `object`, in order.
template <Described Struct, class Visitor>
constexpr void for_each_field(const Struct& object, Visitor&& visit) {
  Fields<Struct>::list.apply([&](const auto&... f) { (visit(f, object.*(f.member)), ...); });
}
template <Described Struct, class Visitor>
constexpr void for_each_field(Struct& object, Visitor&& visit) {
  Fields<Struct>::list.apply([&](const auto&... f) { (visit(f, object.*(f.member)), ...); });
}

// A field's name as options and configuration files write it: pixel-um.
inline std::string option_name(std::string_view field_name) {
  std::string name(field_name);
  std::replace(name.begin(), name.end(), '_', '-');
  return name;
}

}  // namespace starwaist
