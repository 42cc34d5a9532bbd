#include <string>
#include <type_traits>

#include "report/csv_cells.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

using report::cell;

// The stars and defects of a frame have no place in one row.
template <class Member>
constexpr bool kHasCell =
    !std::is_same_v<Member, std::vector<Star>> && !std::is_same_v<Member, std::vector<StarPlace>>;

}  // namespace

std::string measure_csv(const std::vector<FrameMeasurement>& frames) {
  std::string text;
  const auto end_row = [&](std::string& row) {
    text += row + "\r\n";
    row.clear();
  };
  std::string row;
  bool first = true;
  const auto add = [&](const std::string& content) {
    if (!first) row += ',';
    row += content;
    first = false;
  };
  std::apply(
      [&](const auto&... f) {
        const auto heading = [&](const auto& described) {
          using Member = typename std::decay_t<decltype(described)>::member_type;
          if constexpr (kHasCell<Member>) add(std::string(described.name));
        };
        (heading(f), ...);
      },
      Fields<FrameMeasurement>::list);
  end_row(row);
  for (const auto& frame : frames) {
    first = true;
    for_each_field(frame, [&](const auto&, const auto& value) {
      if constexpr (kHasCell<std::decay_t<decltype(value)>>) add(cell(value));
    });
    end_row(row);
  }
  return text;
}

}  // namespace starwaist
