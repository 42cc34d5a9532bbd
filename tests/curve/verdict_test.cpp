// The rules of the verdict, one by one: facts that pass every rule, and one changed at a time.
#include "curve/verdict.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <functional>

namespace starwaist::curve {
namespace {

using testing::HasSubstr;

// Nine points at 4600 to 5400, best focus 5030, core 100 steps.
VerdictFacts good() {
  VerdictFacts f;
  f.used_points = 9;
  f.used_positions = 9;
  f.best_focus_steps = 5030;
  f.interval_95_steps = {5020, 5040};
  f.lowest_position_steps = 4600;
  f.highest_position_steps = 5400;
  f.points_below = 5;
  f.points_above = 4;
  f.core_width_steps = 100;
  f.smallest_seen_px = 2;
  f.largest_seen_px = 8.8;
  f.smallest_size_px = 2;
  f.size_at_lowest_px = 8.8;
  f.size_at_highest_px = 7.7;
  f.noise_px = 0.05;
  f.slope_px_per_step = 0.02;
  return f;
}

struct Rule {
  std::function<void(VerdictFacts&)> broken;
  Verdict verdict;
  std::string word;
};

TEST(Judge, TrustsWhatBreaksNoRule) {
  const Judgement judgement = judge(good());
  EXPECT_EQ(judgement.verdict, Verdict::trusted);
  EXPECT_TRUE(judgement.reasons.empty());
}

TEST(Judge, NamesEachBrokenRule) {
  const std::vector<Rule> rules{
      {[](VerdictFacts& f) { f.used_points = 3; }, Verdict::unusable, "only 3 usable points"},
      {[](VerdictFacts& f) { f.used_positions = 2; }, Verdict::unusable, "2 focuser positions"},
      {[](VerdictFacts& f) {
         f.best_focus_steps.reset();
         f.interval_95_steps = {4900, std::nullopt};
       },
       Verdict::unusable, "sample larger positions"},
      {[](VerdictFacts& f) {
         f.best_focus_steps.reset();
         f.interval_95_steps = {std::nullopt, 4900};
       },
       Verdict::unusable, "sample smaller positions"},
      {[](VerdictFacts& f) {
         f.best_focus_steps.reset();
         f.interval_95_steps = {5300, 6900};
       },
       Verdict::unusable, "anywhere from 5300 to 6900"},
      {[](VerdictFacts& f) {
         f.best_focus_steps.reset();
         f.noise_px = 3;
       },
       Verdict::unusable, "scatter by 3"},
      {[](VerdictFacts& f) { f.used_points = 4; }, Verdict::doubtful, "only 4 usable points"},
      {[](VerdictFacts& f) { f.used_positions = 4; }, Verdict::doubtful, "different positions"},
      {[](VerdictFacts& f) { f.rejected_points = 5; }, Verdict::doubtful, "5 of 14 points"},
      {[](VerdictFacts& f) {
         f.best_focus_steps = 5450;
         f.interval_95_steps = {5440, 5460};
       },
       Verdict::doubtful, "outside the sampled range"},
      {[](VerdictFacts& f) {
         f.best_focus_steps = 5650;
         f.interval_95_steps = {5640, 5660};
       },
       Verdict::unusable, "sample larger positions"},
      {[](VerdictFacts& f) { f.points_above = 1; }, Verdict::doubtful, "above best focus"},
      {[](VerdictFacts& f) { f.points_below = 1; }, Verdict::doubtful, "below best focus"},
      {[](VerdictFacts& f) { f.size_at_highest_px = 2.1; }, Verdict::doubtful, "widen the sweep"},
      {[](VerdictFacts& f) { f.noise_px = 2; }, Verdict::doubtful, "widen the sweep"},
      {[](VerdictFacts& f) {
         f.interval_95_steps = {4990, 5070};
       },
       Verdict::doubtful, "uncertain by +-40"},
      {[](VerdictFacts& f) {
         f.interval_95_steps = {4900, 5160};
       },
       Verdict::doubtful, "uncertain by +-130"},
      {[](VerdictFacts& f) {
         f.interval_95_steps = {4800, 5260};
       },
       Verdict::unusable, "uncertain by +-230"},
      {[](VerdictFacts& f) {
         f.interval_95_steps = {4900, std::nullopt};
         f.sigma_steps = 20;
       },
       Verdict::doubtful, "open above 4900 steps; sample larger"},
      {[](VerdictFacts& f) {
         f.interval_95_steps = {std::nullopt, 5160};
         f.sigma_steps = 20;
       },
       Verdict::doubtful, "open below 5160 steps; sample smaller"},
      {[](VerdictFacts& f) {
         f.interval_95_steps = {std::nullopt, std::nullopt};
         f.sigma_steps = 220;
       },
       Verdict::unusable, "open on both sides"},
      {[](VerdictFacts& f) { f.peaks_inside = true; }, Verdict::unusable, "no focus curve"},
      {[](VerdictFacts& f) { f.expected_slope_px_per_step = 0.032; }, Verdict::doubtful,
       "um per step"},
      {[](VerdictFacts& f) { f.expected_slope_px_per_step = 0.012; }, Verdict::doubtful,
       "um per step"},
      {[](VerdictFacts& f) { f.parabola_answers = true; }, Verdict::doubtful, "parabola"}};
  for (const Rule& rule : rules) {
    VerdictFacts facts = good();
    rule.broken(facts);
    const Judgement judgement = judge(facts);
    EXPECT_EQ(judgement.verdict, rule.verdict) << rule.word;
    ASSERT_EQ(judgement.reasons.size(), 1U) << rule.word;
    EXPECT_THAT(judgement.reasons.front().text, HasSubstr(rule.word));
  }
}

// An interval of +-40 steps is too wide for a core of 100, but not for a zone of 100.
TEST(Judge, AllowsHalfOfAKnownZone) {
  VerdictFacts facts = good();
  facts.interval_95_steps = {4990, 5070};
  facts.zone_steps = 100;
  EXPECT_EQ(judge(facts).verdict, Verdict::trusted);
}

}  // namespace
}  // namespace starwaist::curve
