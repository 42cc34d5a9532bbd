// The parts that answers for people share: lines with names, bullets, reasons, tables.
//
// Private header of module report.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "report/text_table.h"
#include "starwaist/numbers.h"
#include "starwaist/run.h"
#include "starwaist/terms.h"

namespace starwaist::report {

template <class Value>
std::string fixed_or_empty(const std::optional<Value>& value, int decimals) {
  return value ? format_fixed(static_cast<double>(*value), decimals) : std::string();
}

// With the decimals that its sigma asks for; empty where there is no value.
std::string like_sigma_or_empty(std::optional<double> value, std::optional<double> sigma);

// "5033.2 ± 1.9"
std::string with_sigma(double value, double sigma);

std::string count_words(std::size_t count, const std::string& one, const std::string& many);

// aligned_table with a dash for each value that is missing in a column which is not empty
// throughout; columns without a heading, and those that `may_be_blank`, keep their gaps.
std::string dashed_table(const std::vector<Column>& columns,
                         std::vector<std::vector<std::string>> rows, std::size_t width,
                         const std::string& may_be_blank = {});

// "name   text" with the names of the answer in one column; on a narrow screen "name: text".
std::string answer_line(const std::string& name, const std::string& text, std::size_t width);

// One line of an answer, as answer_line lays it out.
struct NamedLine {
  std::string name;
  std::string text;
};

// A table before it is laid out; an empty cell is a value that is missing.
struct Table {
  std::vector<Column> columns;
  std::vector<std::vector<std::string>> rows;
};

// What each verdict means for the answer at hand; empty: the verdict alone says it.
struct VerdictWords {
  std::string trusted;
  std::string doubtful;
  std::string unusable;
};
std::string verdict_line(Verdict verdict, const VerdictWords& words, std::size_t width);

std::string bullets(const std::vector<std::string>& lines, std::size_t width);

// A heading over bullets; nothing where there are none.
std::string section(const std::string& heading, const std::vector<std::string>& lines,
                    std::size_t width);

std::string why_not_trusted(const std::vector<std::string>& reasons, std::size_t width);

}  // namespace starwaist::report
