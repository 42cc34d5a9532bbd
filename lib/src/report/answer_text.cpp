#include "report/answer_text.h"

#include <algorithm>
#include <unordered_map>
#include <utility>

#include "starwaist/report.h"

namespace starwaist {

namespace {

// Without the file's name in front, where an error was taken over as it was.
std::string bare_reason(const SkippedFile& skipped) {
  const std::string name = skipped.file + ": ";
  const std::string& reason = skipped.reason.text;
  return reason.compare(0, name.size(), name) == 0 ? reason.substr(name.size()) : reason;
}

}  // namespace

std::vector<std::string> reason_lines(const std::vector<SkippedFile>& skipped) {
  // Fewer than these stand by themselves; a choice, no source.
  constexpr int kFewestTogether = 3;
  struct Group {
    int size = 0;
    std::string last;
    bool named = false;
  };
  std::unordered_map<std::string, Group> groups;
  for (const SkippedFile& one : skipped) {
    Group& group = groups[bare_reason(one)];
    ++group.size;
    group.last = one.file;
  }
  std::vector<std::string> lines;
  for (const SkippedFile& one : skipped) {
    Group& group = groups[bare_reason(one)];
    if (group.size < kFewestTogether) {
      lines.push_back(one.file + ": " + one.reason.text);
    } else if (!std::exchange(group.named, true)) {
      lines.push_back(one.file + " to " + group.last + " (" + std::to_string(group.size) +
                      " in all): " + bare_reason(one));
    }
  }
  return lines;
}

std::string paragraph(const std::string& text, const TextOptions& options) {
  return report::wrapped(report::printable(text), "", options.width);
}

namespace report {

std::string like_sigma_or_empty(std::optional<double> value, std::optional<double> sigma) {
  return value ? format_like_sigma(*value, sigma) : std::string();
}

std::string with_sigma(double value, double sigma) {
  return format_like_sigma(value, sigma) + " ± " + format_like_sigma(sigma, sigma);
}

std::string count_words(std::size_t count, const std::string& one, const std::string& many) {
  return std::to_string(count) + " " + (count == 1 ? one : many);
}

std::string dashed_table(const std::vector<Column>& columns,
                         std::vector<std::vector<std::string>> rows, std::size_t width,
                         const std::string& may_be_blank) {
  for (std::size_t c = 0; c < columns.size(); ++c) {
    const std::string& heading = columns[c].heading;
    const bool used =
        std::any_of(rows.begin(), rows.end(), [&](const auto& row) { return !row[c].empty(); });
    if (!used || heading.empty() || heading == may_be_blank) continue;
    for (auto& row : rows) {
      if (row[c].empty()) row[c] = "-";
    }
  }
  return aligned_table(columns, rows, width);
}

std::string answer_line(const std::string& name, const std::string& text, std::size_t width) {
  constexpr std::size_t kNameWidth = 15;
  std::string label = name + ":";
  label.resize(std::max(kNameWidth, label.size() + 1), ' ');
  return labelled(label, text, width);
}

std::string verdict_line(Verdict verdict, const VerdictWords& words, std::size_t width) {
  const std::string& meaning = verdict == Verdict::trusted    ? words.trusted
                               : verdict == Verdict::doubtful ? words.doubtful
                                                              : words.unusable;
  return answer_line("Verdict", enum_name(verdict) + (meaning.empty() ? "" : ": " + meaning),
                     width);
}

std::string bullets(const std::vector<std::string>& lines, std::size_t width) {
  std::string text;
  for (const auto& line : lines) text += wrapped(printable(line), "  - ", width);
  return text;
}

std::string section(const std::string& heading, const std::vector<std::string>& lines,
                    std::size_t width) {
  return lines.empty() ? std::string() : "\n" + heading + "\n" + bullets(lines, width);
}

std::string why_not_trusted(const std::vector<std::string>& reasons, std::size_t width) {
  return section("Why it is not trusted", reasons, width);
}

}  // namespace report

}  // namespace starwaist
