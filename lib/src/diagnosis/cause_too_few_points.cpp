#include <set>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/phrases.h"

namespace starwaist::diagnosis {
namespace {

// The verdict's own rule: what a curve with three parameters needs to be checked and not only
// drawn.
constexpr int kTrustedCount = VerdictRules::kTrustedPoints;
constexpr int kRecommended = 9;

CausePage too_few_points_page() {
  return {
      "too_few_points",
      "too few usable points",
      "A focus curve has three unknowns: where the smallest star is, how small it is and how "
      "steep the arms are. With three or four points every curve fits, and nothing distinguishes "
      "a good run from a bad one; five different positions are the least that can be checked.",
      "A handful of points, or many of which most were rejected or show no star.",
      "Points lost to clouds, missing stars or rejected outliers are listed as those causes; this "
      "one is left when the run was short to begin with.",
      "Take seven to nine positions, spread so that the outermost stars are two to three times "
      "as large as the smallest.",
      "common practice, no source"};
}

std::optional<Candidate> look_for_too_few_points(const RunView& run) {
  int usable = 0;
  std::set<double> positions;
  for (std::size_t i = 0; i < run.count(); ++i) {
    if (!run.point(i).used || !run.point(i).size_px) continue;
    ++usable;
    positions.insert(run.point(i).position_steps);
  }
  const int different = static_cast<int>(positions.size());
  if (usable >= kTrustedCount && different >= VerdictRules::kTrustedPositions) return std::nullopt;
  Candidate c;
  c.log_odds = log_odds_of(0.97);  // a count: only the limit is a matter of opinion
  c.share = 1;
  c.effect =
      usable < VerdictRules::kFewestPoints || different < 3 ? Effect::unusable : Effect::doubtful;
  c.summary = "Only " + std::to_string(usable) + " usable points at " + std::to_string(different) +
              " different positions; " + std::to_string(kTrustedCount) +
              " are the least that check "
              "a curve.";
  c.evidence = {{"usable points", static_cast<double>(usable), ""},
                {"different positions", static_cast<double>(different), ""},
                {"points taken", static_cast<double>(run.count()), ""}};
  c.remedy = {codes::take_more_points, "Take " + std::to_string(kRecommended) +
                                           " positions, half of them on each side of best focus."};
  c.settings = {{"points", kRecommended}};
  const auto core = core_steps_of(run);
  if (const auto& best = run.record().fit.best_focus_steps; best && core) {
    const SweepSettings sweep = sweep_about(run, *best, *core);
    c.remedy = {codes::repeat_sweep, "Repeat the sweep " + sweep_words(run, sweep, *best) + "."};
    c.settings = settings_of(run, sweep);
  }
  return c;
}

}  // namespace

Cause cause_too_few_points() { return {too_few_points_page(), look_for_too_few_points}; }

}  // namespace starwaist::diagnosis
