#include <cctype>
#include <cmath>
#include <string>
#include <vector>

#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using report::printable;
using report::wrapped;

std::string title_of(const std::string& cause) {
  const auto page = cause_page(cause);
  return page ? page->title : cause;
}

std::string capital(std::string text) {
  if (!text.empty()) {
    text[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(text[0])));
  }
  return text;
}

std::string sure_words(double confidence) { return format_fixed(100 * confidence, 0) + " % sure"; }

std::string use_words(const FitResult& fit) {
  if (!fit.best_focus_steps || fit.verdict == "unusable") {
    return fit.best_focus_steps ? "This run cannot be used: its best focus, " +
                                      report::best_focus_words(fit) + ", is not to be relied on."
                                : "This run cannot be used: it gives no best focus.";
  }
  const std::string best = "Best focus " + report::best_focus_words(fit);
  return fit.verdict == "trusted" ? best + ": it can be used."
                                  : best + ": a hint only, check it with a better run.";
}

// Whole numbers as such, others with three significant digits.
std::string number_words(double value) {
  constexpr double kLargest = 1e6;
  if (value == std::round(value) && std::abs(value) < kLargest) return format_fixed(value, 0);
  return format_like_sigma(value, std::nullopt);
}

// "takeup_steps 90"; a setting's unit is in its name.
std::string settings_words(const Finding& finding) {
  std::string words;
  for (const auto& [name, value] : finding.settings) {
    words += (words.empty() ? "" : ", ") + name + " " + number_words(value);
  }
  return words;
}

std::string item_words(const EvidenceItem& item) {
  std::string words = item.what + ": " + number_words(item.value);
  if (!item.unit.empty()) words += " " + item.unit;
  return words;
}

std::string problems(const RunDiagnosis& diagnosis) {
  std::string words;
  for (const Finding& finding : diagnosis.findings) {
    words += (words.empty() ? "" : "; ") + title_of(finding.cause) + " (" +
             sure_words(finding.confidence) + ")";
  }
  return capital(words) + ".";
}

std::string healthy_words(const FitResult& fit) {
  if (fit.verdict == "trusted") return "Nothing is wrong with this run.";
  if (fit.reasons.empty()) return "No cause was found.";
  return "No single cause stands out: " + fit.reasons.front() + ".";
}

}  // namespace

std::string diagnose_text(const RunDiagnosis& diagnosis) {
  const FitResult& fit = diagnosis.run.fit;
  std::string text = wrapped(use_words(fit), "");
  if (diagnosis.findings.empty()) {
    text += wrapped(printable(healthy_words(fit)), "");
  } else {
    text += wrapped(printable(problems(diagnosis)), "");
    text += wrapped(printable(diagnosis.findings.front().remedy), "What to do: ");
  }
  for (const Finding& finding : diagnosis.findings) {
    text +=
        "\n" + wrapped(printable(capital(title_of(finding.cause)) + ". " + finding.summary), "");
    for (const EvidenceItem& item : finding.evidence) {
      text += wrapped(printable(item_words(item)), "  - ");
    }
    if (&finding != &diagnosis.findings.front()) {
      text += wrapped(printable(finding.remedy), "  What to do: ");
    }
    const std::string settings = settings_words(finding);
    if (!settings.empty()) text += wrapped(settings, "  For the next run: ");
    text += "  More: starwaist diagnose --explain " + finding.cause + "\n";
  }
  if (!diagnosis.findings.empty() && fit.verdict != "trusted" && !fit.reasons.empty()) {
    text += "\nWhat the curve says\n";
    for (const std::string& reason : fit.reasons) text += wrapped(printable(reason), "  - ");
  }
  if (!diagnosis.run.skipped.empty()) {
    text += "\nSkipped\n";
    for (const SkippedFile& file : diagnosis.run.skipped) {
      text += wrapped(printable(file.file + ": " + file.reason), "  - ");
    }
  }
  return text;
}

std::string diagnose_line(const std::string& run_name, const RunDiagnosis& diagnosis) {
  const FitResult& fit = diagnosis.run.fit;
  std::string line = run_name + ": " + fit.verdict + ", " + report::best_focus_words(fit);
  std::string causes;
  for (const Finding& finding : diagnosis.findings) {
    causes +=
        (causes.empty() ? "" : ", ") + finding.cause + " " + format_fixed(finding.confidence, 2);
  }
  if (!causes.empty()) line += " (" + causes + ")";
  return printable(line) + "\n";
}

std::string explain_text(const CausePage& page) {
  std::string text = capital(page.title) + " (" + page.cause + ")\n";
  const auto section = [&](const char* heading, const std::string& words) {
    if (!words.empty()) text += std::string("\n") + heading + "\n" + wrapped(words, "  ");
  };
  section("What it is", page.what);
  section("How it looks", page.curve);
  section("How it is told from its look-alikes", page.look_alikes);
  section("What to do", page.remedy);
  if (!page.source.empty()) text += "\n" + wrapped(page.source, "Source: ");
  return text;
}

std::string explain_list(const std::vector<CausePage>& pages) {
  std::vector<std::vector<std::string>> rows;
  for (const CausePage& page : pages) rows.push_back({page.cause, page.title});
  return report::aligned_table(
      {{"Cause", "", report::Align::left}, {"What happened", "", report::Align::left}}, rows);
}

}  // namespace starwaist
