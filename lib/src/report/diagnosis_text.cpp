#include <cstddef>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "report/opening.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using report::labelled;
using report::printable;
using report::wrapped;

// One finding with its figures. `first`: the opening gave its remedy.
std::string finding_text(const Finding& finding, bool first, std::size_t width) {
  std::string text =
      "\n" +
      wrapped(printable(report::capital(report::finding_title(finding)) + ". " + finding.summary),
              "", width);
  std::vector<std::string> figures;
  for (const EvidenceItem& item : finding.evidence) figures.push_back(report::item_words(item));
  text += report::bullets(figures, width);
  if (!first) text += labelled("  What to do: ", printable(finding.remedy.text), width);
  const std::string settings = report::settings_words(finding);
  if (!settings.empty()) text += labelled("  For the next run: ", settings, width);
  return text + labelled("  More: ", "starwaist diagnose --explain " + finding.cause, width);
}

}  // namespace

namespace report {

std::string settings_words(const Finding& finding) {
  std::string words;
  for (const auto& [name, value] : finding.settings) {
    words += (words.empty() ? "" : ", ") + name + " " + format_short(value);
  }
  return words;
}

std::string item_words(const EvidenceItem& item) {
  std::string words = item.what + ": " + format_short(item.value);
  if (!item.unit.empty()) words += " " + item.unit;
  return words;
}

std::vector<NamedLine> explain_lines(const CausePage& page) {
  std::vector<NamedLine> lines = {{"What it is", page.what},
                                  {"How it looks", page.curve},
                                  {"How it is told from its look-alikes", page.look_alikes},
                                  {"What to do", page.remedy}};
  std::erase_if(lines, [](const NamedLine& line) { return line.text.empty(); });
  return lines;
}

}  // namespace report

std::string diagnose_text(const RunAnswer& answer, const TextOptions& options) {
  if (!options.details) return opening_text(answer, options);
  const std::size_t width = options.width;
  std::string text = report::opening(answer, width);
  const auto plain = report::told_findings(answer).plain;
  for (const Finding* finding : plain) {
    text += finding_text(*finding, finding == plain.front(), width);
  }
  text += report::not_ruled_out(answer, width);
  text += report::why_not_trusted(report::further_reasons(answer, plain), width);
  return text + report::section("Skipped", reason_lines(answer.skipped), width);
}

std::string diagnose_line(const std::string& run_name, const RunAnswer& answer) {
  const FitResult& fit = answer.fit;
  std::string line =
      run_name + ": " + enum_name(fit.verdict) + ", " + report::best_focus_words(fit);
  std::string causes;
  for (const Finding& finding : answer.findings) {
    causes +=
        (causes.empty() ? "" : ", ") + finding.cause + " " + format_fixed(finding.confidence, 2);
  }
  if (!causes.empty()) line += " (" + causes + ")";
  return printable(line) + "\n";
}

std::string explain_text(const CausePage& page, const TextOptions& options) {
  const std::size_t width = options.width;
  std::string text = wrapped(report::capital(page.title) + " (" + page.cause + ")", "", width);
  for (const report::NamedLine& line : report::explain_lines(page)) {
    text += "\n" + line.name + "\n" + wrapped(line.text, "  ", width);
  }
  if (!page.source.empty()) text += "\n" + labelled("Source: ", page.source, width);
  return text;
}

std::string explain_list(const std::vector<CausePage>& pages, const TextOptions& options) {
  std::vector<std::vector<std::string>> rows;
  for (const CausePage& page : pages) rows.push_back({page.cause, page.title});
  return report::aligned_table(
      {{"Cause", "", report::Align::left}, {"What happened", "", report::Align::left, 0, 0, true}},
      rows, options.width);
}

}  // namespace starwaist
