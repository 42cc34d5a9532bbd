#include "report/opening.h"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <optional>

#include "report/answer_text.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist::report {
namespace {

bool sure(const Finding& finding) { return finding.confidence >= kSureConfidence; }

// A suspicion may lower the verdict; it decided then, and its words are among the reasons.
bool lowered_verdict(const Finding& finding, const FitResult& fit) {
  return finding.decisive && fit.verdict != Verdict::trusted &&
         std::any_of(fit.reasons.begin(), fit.reasons.end(),
                     [&](const Statement& reason) { return reason.code == finding.cause; });
}

std::string use_words(const FitResult& fit) {
  if (!fit.best_focus_steps) return "This run gives no best focus.";
  const std::string best = "best focus " + best_focus_words(fit) + ".";
  switch (fit.verdict) {
    case Verdict::trusted:
      return "Use it: " + best;
    case Verdict::doubtful:
      return "A hint only: " + best;
    case Verdict::unusable:
      break;
  }
  return "Do not use it: best focus would be " + best_focus_words(fit) + ".";
}

// The first reason stands in the opening where no finding does.
bool opens_with_reason(const RunAnswer& answer, const ToldFindings& told) {
  return told.plain.empty() && answer.fit.verdict != Verdict::trusted &&
         !answer.fit.reasons.empty();
}

std::string sentence(const std::string& text) {
  std::string words = capital(text);
  if (!words.empty() && std::string(".!?").find(words.back()) == std::string::npos) words += '.';
  return words;
}

std::string problem_words(const RunAnswer& answer, const ToldFindings& told) {
  std::string words;
  for (const Finding* finding : told.plain) {
    words += (words.empty() ? "" : "; ") + finding_title(*finding) + " (" +
             format_fixed(100 * finding->confidence, 0) + " %" + (sure(*finding) ? " sure)" : ")");
  }
  if (!words.empty()) return sentence(words);
  if (opens_with_reason(answer, told)) return sentence(answer.fit.reasons.front().text);
  if (answer.fit.verdict != Verdict::trusted) return "No cause was found.";
  return told.suspected.empty() ? "Nothing is wrong with this run."
                                : "Nothing is plainly wrong with this run.";
}

// How to arrive at a best focus that can be used; empty where nothing is known of it.
std::string way_words(const RunAnswer& answer) {
  if (answer.move && answer.move->via_steps) {
    return capital(move_words(*answer.move)) + ", so that the slack is taken up.";
  }
  if (!answer.fit.approach) return {};
  return *answer.fit.approach == Direction::outward
             ? "Go there from smaller positions, as the run did."
             : "Go there from larger positions, as the run did.";
}

std::string action_words(const RunAnswer& answer, const ToldFindings& told) {
  switch (answer.fit.verdict) {
    case Verdict::trusted:
      return way_words(answer);
    case Verdict::doubtful:
      if (!told.plain.empty()) break;
      return "Check it with a better run; 'starwaist plan' proposes one.";
    case Verdict::unusable:
      if (!told.plain.empty()) break;
      return "Take another run; 'starwaist plan' proposes one.";
  }
  return told.plain.front()->remedy.text;
}

}  // namespace

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

std::string finding_title(const Finding& finding) {
  return (sure(finding) ? "" : "perhaps ") + title_of(finding.cause);
}

ToldFindings told_findings(const RunAnswer& answer) {
  ToldFindings told;
  for (const Finding& finding : answer.findings) {
    const bool plain = sure(finding) || lowered_verdict(finding, answer.fit);
    (plain ? told.plain : told.suspected).push_back(&finding);
  }
  return told;
}

OpeningWords opening_words(const RunAnswer& answer) {
  const ToldFindings told = told_findings(answer);
  OpeningWords words{
      use_words(answer.fit), problem_words(answer, told), action_words(answer, told), {}};
  // What harmed nothing is for the next run: it must not read as if this one were lost.
  if (answer.fit.verdict == Verdict::trusted && !told.plain.empty()) {
    words.next_run = told.plain.front()->remedy.text;
  }
  return words;
}

std::string opening(const RunAnswer& answer, std::size_t width) {
  const OpeningWords words = opening_words(answer);
  std::string text = wrapped(words.use, "", width) + wrapped(printable(words.problem), "", width);
  if (!words.action.empty()) text += labelled("What to do: ", printable(words.action), width);
  if (!words.next_run.empty()) {
    text += labelled("For the next run: ", printable(words.next_run), width);
  }
  return text;
}

std::vector<std::string> further_reasons(const RunAnswer& answer,
                                         const std::vector<const Finding*>& shown) {
  std::vector<Statement> reasons = answer.fit.reasons;
  if (opens_with_reason(answer, told_findings(answer))) reasons.erase(reasons.begin());
  std::erase_if(reasons, [&](const Statement& reason) {
    return std::any_of(shown.begin(), shown.end(),
                       [&](const Finding* finding) { return finding->cause == reason.code; });
  });
  return texts_of(reasons);
}

std::string suspicion_words(const Finding& finding) {
  return finding_title(finding) + " (" + format_fixed(100 * finding.confidence, 0) +
         " %): " + finding.summary + " See 'starwaist diagnose --explain " + finding.cause + "'.";
}

std::string not_ruled_out(const RunAnswer& answer, std::size_t width) {
  std::vector<std::string> lines;
  for (const Finding* finding : told_findings(answer).suspected) {
    lines.push_back(suspicion_words(*finding));
  }
  return section("Not ruled out", lines, width);
}

}  // namespace starwaist::report

namespace starwaist {

std::string opening_text(const RunAnswer& answer, const TextOptions& options) {
  return report::opening(answer, options.width) +
         report::why_not_trusted(report::further_reasons(answer), options.width);
}

}  // namespace starwaist
