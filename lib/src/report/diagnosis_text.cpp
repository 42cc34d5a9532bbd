#include <algorithm>
#include <cctype>
#include <cstddef>
#include <string>
#include <vector>

#include "report/answer_text.h"
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
  if (!fit.best_focus_steps || fit.verdict == Verdict::unusable) {
    return fit.best_focus_steps
               ? "Do not use this run's best focus (" + report::best_focus_words(fit) + ")."
               : "This run cannot be used: it gives no best focus.";
  }
  const std::string best = "Best focus " + report::best_focus_words(fit);
  return fit.verdict == Verdict::trusted ? best + ": it can be used."
                                         : best + ": a hint only, check it with a better run.";
}

// "takeup_steps 90"; a setting's unit is in its name.
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

std::string problems(const std::vector<Finding>& findings) {
  std::string words;
  for (const Finding& finding : findings) {
    words += (words.empty() ? "" : "; ") + title_of(finding.cause) + " (" +
             sure_words(finding.confidence) + ")";
  }
  return capital(words) + ".";
}

std::string healthy_words(const FitResult& fit) {
  if (fit.verdict == Verdict::trusted) return "Nothing is wrong with this run.";
  if (fit.reasons.empty()) return "No cause was found.";
  return "No single cause is plain. " + capital(fit.reasons.front().text) + ".";
}

}  // namespace

std::string diagnose_text(const RunAnswer& answer) {
  const FitResult& fit = answer.fit;
  const std::vector<Finding>& findings = answer.findings;
  std::string text = wrapped(use_words(fit), "");
  if (findings.empty()) {
    text += wrapped(printable(healthy_words(fit)), "");
  } else {
    text += wrapped(printable(problems(findings)), "");
    text += wrapped(printable(findings.front().remedy.text), "What to do: ");
  }
  for (const Finding& finding : findings) {
    text +=
        "\n" + wrapped(printable(capital(title_of(finding.cause)) + ". " + finding.summary), "");
    std::vector<std::string> figures;
    for (const EvidenceItem& item : finding.evidence) figures.push_back(item_words(item));
    text += report::bullets(figures);
    if (&finding != &findings.front()) {
      text += wrapped(printable(finding.remedy.text), "  What to do: ");
    }
    const std::string settings = settings_words(finding);
    if (!settings.empty()) text += wrapped(settings, "  For the next run: ");
    text += "  More: starwaist diagnose --explain " + finding.cause + "\n";
  }
  if (!findings.empty() && fit.verdict != Verdict::trusted && !fit.reasons.empty()) {
    text += report::section("What the curve says", texts_of(fit.reasons));
  }
  return text + report::section("Skipped", reason_lines(answer.skipped));
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
