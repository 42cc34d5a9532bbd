#include <algorithm>
#include <cmath>
#include <set>
#include <tuple>
#include <utility>

#include "diagnosis/accounts.h"
#include "diagnosis/cause.h"
#include "diagnosis/phrases.h"
#include "diagnosis/remedies.h"
#include "starwaist/diagnosis.h"

namespace starwaist {
namespace diagnosis {
namespace {

// What a cause accounts for is not listed beside it, whichever of the two was accepted first.
std::vector<Accepted> without_covered(std::vector<Accepted> accepted) {
  std::set<std::string> covered;
  for (const Accepted& one : accepted) {
    covered.insert(one.candidate.covers.begin(), one.candidate.covers.end());
  }
  std::erase_if(accepted, [&](const Accepted& one) { return covered.count(one.cause) != 0; });
  return accepted;
}

// Of two that are as likely the one that explains more.
bool likelier(const Candidate& a, const Candidate& b) {
  return std::tie(a.log_odds, a.share) > std::tie(b.log_odds, b.share);
}

// The likeliest cause is accepted, the run looked at again without what it accounts for, until
// nothing stands out.
// `run` is left without what the accepted ones account for.
std::vector<Accepted> compete(RunView& run) {
  std::vector<Accepted> accepted;
  std::set<std::string> done;
  for (;;) {
    std::optional<Accepted> best;
    for (const Cause& cause : all_causes()) {
      if (done.count(cause.page.cause) != 0) continue;
      auto candidate = cause.look(run);
      if (!candidate || probability_of(candidate->log_odds) < kLeastConfidence) continue;
      if (!best || likelier(*candidate, best->candidate)) {
        best = Accepted{cause.page.cause, std::move(*candidate)};
      }
    }
    if (!best) return without_covered(std::move(accepted));
    done.insert(best->cause);
    done.insert(best->candidate.covers.begin(), best->candidate.covers.end());
    run = run.with(best->candidate.spoiled, best->candidate.moved_steps);
    accepted.push_back(std::move(*best));
  }
}

// A finding is not certain, whatever its figures: causes that nobody thought of exist too.
constexpr double kMostConfidence = 0.99;

double confidence_of(const Accepted& accepted) {
  return std::min(probability_of(accepted.candidate.log_odds), kMostConfidence);
}

Finding finding_of(const Accepted& accepted) {
  const Candidate& c = accepted.candidate;
  Finding finding;
  finding.cause = accepted.cause;
  finding.confidence = confidence_of(accepted);
  finding.share = std::clamp(c.share, 0.0, 1.0);
  finding.summary = c.summary;
  finding.evidence = c.evidence;
  finding.remedy = c.remedy;
  finding.settings = c.settings;
  return finding;
}

// A suspicion makes an answer a hint, not worthless.
Effect effect_of(const Accepted& accepted) {
  const bool sure = confidence_of(accepted) >= kSureConfidence;
  return sure ? accepted.candidate.effect : std::min(accepted.candidate.effect, Effect::doubtful);
}

// Two findings may each ask for another sweep or another exposure: the first one's holds, and the
// others refer to it.
void keep_one_remedy_of_a_kind(std::vector<Finding>& findings) {
  std::set<Remedy> given;
  for (Finding& finding : findings) {
    const Remedy kind = changed_by(finding.remedy.code).value_or(Remedy::of_its_own);
    if (kind == Remedy::of_its_own || given.insert(kind).second) continue;
    finding.remedy = kind == Remedy::sweep
                         ? Statement{codes::sweep_as_above,
                                     "Take the sweep that is advised above; it cures this too."}
                         : Statement{codes::expose_as_above,
                                     "Set the exposure as advised above, then look again."};
    finding.settings.clear();
  }
}

// The verdict is never better than what the findings leave of the answer.
void lower_verdict(const Accepted& accepted, FitResult& fit) {
  if (effect_of(accepted) == Effect::harmless) return;
  const bool unusable = effect_of(accepted) == Effect::unusable;
  const Verdict lowered = unusable ? Verdict::unusable : Verdict::doubtful;
  if (fit.verdict == Verdict::unusable) return;
  if (fit.verdict == lowered && !fit.reasons.empty()) return;
  fit.verdict = lowered;
  fit.reasons.push_back({accepted.cause, accepted.candidate.summary});
}

// The points after the jump are enough to show best focus by themselves, and it is the same: the
// answer holds whether the focus jumped or not.
bool holds_after(const RunView& run, const Account& jump, const FitResult& fit) {
  constexpr int kEnough = VerdictRules::kTrustedPoints + 1;
  const auto& points = run.record().fit.points;
  const auto from = points.begin() + static_cast<std::ptrdiff_t>(jump.at);
  const std::vector<CurvePoint> after(from, points.end());
  const auto sized = std::count_if(after.begin(), after.end(),
                                   [](const CurvePoint& p) { return p.size_px.has_value(); });
  if (sized < kEnough) return false;
  const auto alone = fit_curve(after, run.record().rig, run.record().options);
  return alone && alone->verdict == Verdict::trusted &&
         std::abs(*alone->best_focus_steps - *fit.best_focus_steps) < 0.5 * tolerable_steps(run);
}

// A jump that is too improbable to be listed may still be too probable for an answer to be relied
// on: across the minimum it hides in the sharpest frame. Of healthy runs 3 % lose their trust by it
// (bench/diagnosis_bench and another simulator).
void allow_for_jump(const RunView& run, FitResult& fit) {
  constexpr double kTooProbable = 0.07;
  if (fit.verdict != Verdict::trusted || !run.rivals()) return;
  const Account& jump = run.rivals()->focus_jump;
  const double chance = probability_of(jump.log_odds);
  if (chance < kTooProbable || jump.moved_steps.empty() ||
      std::abs(jump.amount_steps) < tolerable_steps(run) || holds_after(run, jump, fit)) {
    return;
  }
  fit.verdict = Verdict::doubtful;
  fit.reasons.push_back({codes::focus_may_have_jumped,
                         "a jump of the focus by about " +
                             steps_words(run, std::abs(jump.amount_steps)) + " between " +
                             run.point(jump.at - 1).file + " and " + run.point(jump.at).file +
                             " would explain the sizes too (chance " + percent(chance) +
                             "); repeat the run to find out"});
}

}  // namespace
}  // namespace diagnosis

Diagnosis diagnose(const RunRecord& record) {
  Diagnosis diagnosis;
  diagnosis.fit = record.fit;
  const diagnosis::RunView first(record);
  diagnosis::RunView run = first;
  std::vector<diagnosis::Accepted> accepted = diagnosis::compete(run);
  const auto accounts = diagnosis::accounts_of(first, accepted);
  if (!accounts.empty()) {
    curve::answer_by_accounts(accounts, record.rig, record.options, diagnosis.fit);
  }
  // What the telescope's other runs answer is doubtful already, for the reasons that causes have.
  if (!record.options.known_arms) {
    for (const auto& cause : accepted) diagnosis::lower_verdict(cause, diagnosis.fit);
  }
  diagnosis::allow_for_jump(run, diagnosis.fit);
  // What harmed nothing is never ahead of what changed the answer.
  const auto goes_before = [](const diagnosis::Accepted& a, const diagnosis::Accepted& b) {
    return std::pair(diagnosis::effect_of(a), diagnosis::confidence_of(a)) >
           std::pair(diagnosis::effect_of(b), diagnosis::confidence_of(b));
  };
  std::stable_sort(accepted.begin(), accepted.end(), goes_before);
  for (const auto& cause : accepted) {
    diagnosis.findings.push_back(diagnosis::finding_of(cause));
  }
  diagnosis::keep_one_remedy_of_a_kind(diagnosis.findings);
  if (!accepted.empty()) diagnosis.findings.front().decisive = true;
  return diagnosis;
}

std::vector<CausePage> cause_pages() {
  std::vector<CausePage> pages;
  for (const auto& cause : diagnosis::all_causes()) pages.push_back(cause.page);
  return pages;
}

std::optional<CausePage> cause_page(const std::string& cause) {
  for (const auto& known : diagnosis::all_causes()) {
    if (known.page.cause == cause) return known.page;
  }
  return std::nullopt;
}

}  // namespace starwaist
