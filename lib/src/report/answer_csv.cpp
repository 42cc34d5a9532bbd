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

// Cells of one row, one a described member that has one.
template <class Struct>
void add_headings(std::string& row) {
  Fields<Struct>::list.apply([&](const auto&... f) {
    const auto heading = [&](const auto& described) {
      using Member = typename std::decay_t<decltype(described)>::member_type;
      if constexpr (kHasCell<Member>) {
        row += (row.empty() ? "" : ",") + std::string(described.name);
      }
    };
    (heading(f), ...);
  });
}

template <class Struct>
void add_cells(const Struct& object, std::string& row, bool& first) {
  for_each_field(object, [&](const auto&, const auto& value) {
    if constexpr (kHasCell<std::decay_t<decltype(value)>>) {
      row += (first ? "" : ",") + cell(value);
      first = false;
    }
  });
}

}  // namespace

std::string measure_csv(const MeasuredRun& run) {
  std::string text;
  add_headings<FrameMeasurement>(text);
  text += "\r\n";
  for (const MeasuredFrame& frame : run.frames) {
    bool first = true;
    add_cells(frame.measurement, text, first);
    text += "\r\n";
  }
  return text;
}

std::string night_csv(const SessionAnswer& answer) {
  std::string text;
  add_headings<FrameMeasurement>(text);
  add_headings<NightFrameAnswer>(text);
  text += "\r\n";
  for (std::size_t i = 0; i < answer.frames.size(); ++i) {
    bool first = true;
    add_cells(answer.frames[i].measurement, text, first);
    add_cells(answer.judgement.frames[i], text, first);
    text += "\r\n";
  }
  return text;
}

}  // namespace starwaist
