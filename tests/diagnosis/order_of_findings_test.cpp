// Which finding comes first, and which one decides.
#include <gtest/gtest.h>

#include <algorithm>
#include <string>

#include "diagnosis/table_run.h"

namespace starwaist {
namespace {

using testing_support::found;
using testing_support::TableRun;
using testing_support::telescope;

TEST(Diagnose, TheFindingThatSpoilsTheAnswerIsTheDecisiveOne) {
  TableRun run = TableRun::sweep(11, 3);
  const double width = 2.5 * (run.commanded[1] - run.commanded[0]);
  for (double& place : run.places) place = std::max(place, run.commanded[0] + width);
  // A sky that also dims in one frame, which harms nothing.
  for (std::size_t i = 0; i < run.facts.size(); ++i) {
    run.facts[i].light = i + 2 == run.facts.size() ? 0.6 : 1.0;
    run.facts[i].light_sigma = 0.01;
  }
  const Diagnosis d = diagnose(run.record(7));
  ASSERT_NE(found(d, "slack"), nullptr);
  ASSERT_NE(found(d, "passing_cloud"), nullptr);
  EXPECT_EQ(d.findings.front().cause, "slack");
  EXPECT_TRUE(d.findings.front().decisive);
  for (std::size_t i = 1; i < d.findings.size(); ++i) EXPECT_FALSE(d.findings[i].decisive);
}

// A jump that is only suspected would make the answer wrong, fog makes it a hint for sure: a
// suspicion counts for no more than a hint.
TEST(Diagnose, ASuspicionDoesNotDecideBeforeWhatIsSure) {
  int both = 0;
  for (unsigned seed = 1; seed <= 40; ++seed) {
    TableRun run = TableRun::sweep(7, 2.2);
    for (std::size_t i = 0; i < run.facts.size(); ++i) {
      if (i >= 4) run.places[i] += 0.5 * telescope().core_steps();
      run.facts[i].light = 1 - 0.09 * static_cast<double>(i);
      run.facts[i].light_sigma = 0.01;
    }
    const Diagnosis d = diagnose(run.record(seed));
    const Finding* jump = found(d, "focus_jump");
    const Finding* fog = found(d, "fogging");
    if (jump == nullptr || fog == nullptr) continue;
    if (jump->confidence >= kSureConfidence || fog->confidence < kSureConfidence) continue;
    ++both;
    EXPECT_EQ(d.findings.front().cause, "fogging") << seed;
  }
  EXPECT_GT(both, 3);
}

// A suspected jump makes the answer a hint; a cloud that is surer harms
// nothing and comes after it.
TEST(Diagnose, WhatHarmedNothingIsNeverAheadOfWhatChangedTheAnswer) {
  int seen = 0;
  for (unsigned seed = 1; seed <= 40; ++seed) {
    TableRun run = TableRun::sweep(9, 2.5);
    for (std::size_t i = 0; i < run.facts.size(); ++i) {
      if (i >= 4) run.places[i] += 0.8 * telescope().core_steps();
      run.facts[i].light = i == 7 ? 0.6 : 1.0;
      run.facts[i].light_sigma = 0.01;
    }
    const Diagnosis d = diagnose(run.record(seed));
    const auto place = [&](const std::string& cause) {
      return std::find_if(d.findings.begin(), d.findings.end(),
                          [&](const Finding& f) { return f.cause == cause; });
    };
    const auto jump = place("focus_jump");
    const auto cloud = place("passing_cloud");
    if (jump == d.findings.end() || cloud == d.findings.end()) continue;
    if (cloud->summary.find("does not depend") == std::string::npos) continue;
    ++seen;
    EXPECT_LT(jump - d.findings.begin(), cloud - d.findings.begin()) << seed;
  }
  EXPECT_GT(seen, 3);
}

}  // namespace
}  // namespace starwaist
