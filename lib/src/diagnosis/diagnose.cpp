#include <algorithm>
#include <set>

#include "diagnosis/cause.h"
#include "starwaist/diagnosis.h"

namespace starwaist {
namespace diagnosis {
namespace {

struct Accepted {
  std::string cause;
  Candidate candidate;
};

// The likeliest cause is accepted, the run looked at again without what it accounts for, until
// nothing stands out.
std::vector<Accepted> compete(const RunRecord& record) {
  std::vector<Accepted> accepted;
  std::set<std::string> done;
  RunView run(record);
  for (;;) {
    std::optional<Accepted> best;
    for (const Cause& cause : all_causes()) {
      if (done.count(cause.page.cause) != 0) continue;
      auto candidate = cause.look(run);
      if (!candidate || probability_of(candidate->log_odds) < kLeastConfidence) continue;
      if (!best || candidate->log_odds > best->candidate.log_odds) {
        best = Accepted{cause.page.cause, std::move(*candidate)};
      }
    }
    if (!best) return accepted;
    done.insert(best->cause);
    done.insert(best->candidate.covers.begin(), best->candidate.covers.end());
    run = run.with(best->candidate.spoiled, best->candidate.moved_steps);
    accepted.push_back(std::move(*best));
  }
}

// A finding is not certain, whatever its figures: causes that nobody thought of exist too.
constexpr double kMostConfidence = 0.99;

Finding finding_of(const Accepted& accepted) {
  const Candidate& c = accepted.candidate;
  Finding finding;
  finding.cause = accepted.cause;
  finding.confidence = std::min(probability_of(c.log_odds), kMostConfidence);
  finding.share = std::clamp(c.share, 0.0, 1.0);
  finding.summary = c.summary;
  finding.evidence = c.evidence;
  finding.remedy = c.remedy;
  finding.settings = c.settings;
  return finding;
}

// The verdict is never better than what the findings leave of the answer.
void lower_verdict(const Accepted& accepted, FitResult& fit) {
  if (accepted.candidate.effect == Effect::harmless) return;
  const bool unusable = accepted.candidate.effect == Effect::unusable;
  const std::string lowered = verdict_name(unusable ? Verdict::unusable : Verdict::doubtful);
  if (fit.verdict == verdict_name(Verdict::unusable)) return;
  if (fit.verdict == lowered && !fit.reasons.empty()) return;
  fit.verdict = lowered;
  fit.reasons.push_back(accepted.candidate.summary);
}

}  // namespace
}  // namespace diagnosis

Diagnosis diagnose(const RunRecord& record) {
  Diagnosis diagnosis;
  diagnosis.fit = record.fit;
  for (const auto& accepted : diagnosis::compete(record)) {
    diagnosis::lower_verdict(accepted, diagnosis.fit);
    diagnosis.findings.push_back(diagnosis::finding_of(accepted));
  }
  std::stable_sort(diagnosis.findings.begin(), diagnosis.findings.end(),
                   [](const Finding& a, const Finding& b) { return a.confidence > b.confidence; });
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
