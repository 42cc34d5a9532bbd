#include "diagnosis/tally.h"

#include <algorithm>
#include <cstddef>

namespace starwaist::bench::diagnosis {

namespace {

// A run with one cause, or none.
void count_single(Tally& tally, const Run& run, const Answer& answer, const Settings& settings) {
  const std::string what = words_of(run.truth);
  const bool right = is_right(run, answer, settings);
  if (!is_healthy(run)) {
    Count& count = tally.counts[what];
    ++count.runs;
    count.listed += names(answer, what) ? 1 : 0;
    count.first += right ? 1 : 0;
  }
  const std::string first = answer.findings.empty() ? "healthy" : answer.findings[0].first;
  ++tally.matrix[what][right ? what : first];
  if (!right && first != "healthy") ++tally.counts[first].wrongly_first;
  for (const auto& [cause, confidence] : answer.findings) {
    if (!is_true(answer, cause, settings)) ++tally.counts[cause].wrongly_listed;
  }
}

void count_confidences(Tally& tally, const Answer& answer, double weight,
                       const Settings& settings) {
  for (const auto& [cause, confidence] : answer.findings) {
    Bin& bin = tally.bins[confidence >= 0.9 ? 2 : confidence >= 0.7 ? 1 : 0];
    ++bin.findings;
    bin.weight += weight;
    bin.confidence += weight * confidence;
    bin.right += is_true(answer, cause, settings) ? weight : 0;
  }
}

void count_trust(Trust& trust, const Answer& answer) {
  ++trust.runs;
  trust.answered += answer.answered ? 1 : 0;
  trust.in_68 += answer.in_68 ? 1 : 0;
  trust.in_95 += answer.in_95 ? 1 : 0;
  trust.trusted += answer.verdict == Verdict::trusted ? 1 : 0;
  trust.trusted_and_wrong += misleads(answer) ? 1 : 0;
  if (answer.answered) trust.half_widths_half_zones.push_back(answer.half_width_half_zones);
}

}  // namespace

Tally tally_of(const std::vector<Run>& runs, const std::vector<Answer>& answers,
               const Settings& settings) {
  Tally tally;
  tally.healthy_runs = static_cast<int>(std::count_if(runs.begin(), runs.end(), is_healthy));
  const double healthy_weight =
      tally.healthy_runs > 0
          ? static_cast<double>(runs.size() - static_cast<std::size_t>(tally.healthy_runs)) /
                tally.healthy_runs
          : 1;
  for (std::size_t r = 0; r < runs.size(); ++r) {
    const Run& run = runs[r];
    const Answer& answer = answers[r];
    tally.failures += answer.done ? 0 : 1;
    if (is_healthy(run)) {
      tally.healthy_named += answer.findings.empty() ? 0 : 1;
    } else if (run.truth.size() > 1) {
      ++tally.pair_runs;
      tally.pairs_both += is_right(run, answer, settings) ? 1 : 0;
    }
    if (run.truth.size() == 1) count_single(tally, run, answer, settings);
    count_confidences(tally, answer, is_healthy(run) ? healthy_weight : 1, settings);
    tally.trusted_and_wrong += misleads(answer) ? 1 : 0;
    count_trust(tally.trust[run.truth.size() > 1 ? "two causes" : run.truth[0].cause], answer);
    count_trust(tally.trust["all"], answer);
  }
  return tally;
}

}  // namespace starwaist::bench::diagnosis
