// Where focus is not known: the way to it against the search itself and against focusers that obey.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "advice/plain_rig.h"
#include "starwaist/plan.h"
#include "starwaist/search.h"

namespace starwaist {
namespace {

using testing::HasSubstr;

constexpr double kWidestHfrPx = 70;  // of rings that a frame shows

// f/2, 300 mm, 2.9 um, 1 um a step: B is some 16 steps, the travel hundreds of B.
Rig fast_rig() {
  Rig rig = plain_rig();
  rig.f_number = 2;
  rig.focal_length_mm = 300;
  rig.pixel_um = 2.9;
  return rig;
}

FocusPlan planned(const Rig& rig, const PlanOptions& options = {}) {
  return plan_run(*conditions_from_optics(rig), rig, options).value();
}

bool shows(const Rig& rig, double position, double focus) {
  const double slope = conditions_from_optics(rig)->slope_px_per_step;
  return slope * std::abs(position - focus) <= kWidestHfrPx;
}

TEST(CoarseSearch, GoesTheWayThatTheSearchGoes) {
  Rig rig = fast_rig();
  rig.min_position_steps = 100.5;
  rig.max_position_steps = 12000;
  const auto coarse = planned(rig).coarse;
  ASSERT_TRUE(coarse);
  EXPECT_FALSE(coarse->relative);
  SearchState state;
  state.rig = rig;
  state.conditions = conditions_from_optics(rig).value();
  for (const double position : coarse->positions_steps) {
    if (!state.visits.empty()) {
      EXPECT_EQ(next_step(state)->next_position_steps, position);
    }
    SearchVisit visit;
    visit.position_steps = position;
    state.visits.push_back(visit);
  }
  EXPECT_EQ(coarse->positions_steps.front(), 6050);  // the middle
  EXPECT_GT(coarse->positions_steps.size(), 4U);
  state.visits.resize(1);
  const auto step = next_step(state);
  EXPECT_EQ(coarse->approach, step->approach);
  EXPECT_EQ(coarse->takeup_steps, step->takeup_steps);
  EXPECT_NEAR(coarse->first_step_steps,
              std::abs(*step->next_position_steps - coarse->positions_steps.front()), 1e-9);
}

// Wherever best focus lies, one of the positions shows a ring.
TEST(CoarseSearch, LeavesNoPlaceOut) {
  Rig rig = fast_rig();
  PlanOptions options;
  options.within_steps = 5000;
  const auto coarse = planned(rig, options).coarse;
  ASSERT_TRUE(coarse);
  EXPECT_TRUE(coarse->relative);
  EXPECT_EQ(coarse->positions_steps.front(), 0);
  for (double focus = -5000; focus <= 5000; focus += 50) {
    EXPECT_TRUE(std::any_of(coarse->positions_steps.begin(), coarse->positions_steps.end(),
                            [&](double p) { return shows(rig, p, focus); }))
        << focus;
  }
}

TEST(CoarseSearch, KeepsToWholeStepsWithinTheLimits) {
  Rig rig = fast_rig();
  rig.min_position_steps = 2000.5;
  rig.max_position_steps = 9000;
  PlanOptions options;
  for (const std::optional<double> within :
       {std::optional<double>{}, std::optional(1500.0), std::optional(20000.0)}) {
    for (const std::optional<double> centre : {std::optional<double>{}, std::optional(2400.0)}) {
      options.within_steps = within;
      options.centre_steps = centre;
      const auto coarse = planned(rig, options).coarse;
      if (centre && !within) {
        EXPECT_FALSE(coarse);
        continue;
      }
      ASSERT_TRUE(coarse);
      EXPECT_EQ(coarse->relative, within && !centre);
      EXPECT_EQ(coarse->move.has_value(), !coarse->relative);
      for (const double p : coarse->positions_steps) {
        EXPECT_EQ(p, std::round(p));
        if (within) {
          EXPECT_LE(std::abs(p - coarse->positions_steps.front()), *within);
        }
        if (coarse->relative) continue;
        EXPECT_GE(p, 2001);
        EXPECT_LE(p, 9000);
      }
    }
  }
}

// A focuser without slack obeys the search; the rings that it is shown are those of a hyperbola.
TEST(CoarseSearch, CountsItsFrames) {
  const Rig rig = fast_rig();
  const auto conditions = *conditions_from_optics(rig);
  PlanOptions options;
  options.within_steps = 6000;
  const auto coarse = planned(rig, options).coarse;
  ASSERT_TRUE(coarse);
  int most = 0;
  double total = 0;
  int tried = 0;
  for (double focus = -5900; focus <= 5900; focus += 590) {
    SearchState state;
    state.rig = rig;
    state.rig.min_position_steps = -6000;
    state.rig.max_position_steps = 6000;
    state.conditions = conditions;
    double least = 1e9;
    double least_at = 0;
    bool below = false;
    bool above = false;
    double next = 0;
    while (!(below && above) && state.visits.size() < 40) {
      SearchVisit visit;
      visit.position_steps = next;
      const double size =
          std::hypot(conditions.smallest_px, conditions.slope_px_per_step * (next - focus));
      if (size <= kWidestHfrPx) visit.size_px = size;
      state.visits.push_back(visit);
      if (visit.size_px && size < least) {
        least = size;
        least_at = next;
      }
      below = above = false;
      for (const SearchVisit& v : state.visits) {
        if (!v.size_px || *v.size_px < 1.25 * least) continue;
        (v.position_steps < least_at ? below : above) = true;
      }
      next = next_step(state)->next_position_steps.value_or(next);
    }
    ASSERT_TRUE(below && above) << focus;
    most = std::max(most, static_cast<int>(state.visits.size()));
    total += static_cast<double>(state.visits.size());
    ++tried;
  }
  EXPECT_LE(most, coarse->frames_at_most + 1);
  EXPECT_NEAR(total / tried, coarse->frames_expected, 1.5);
}

// The outer edge of a ring is the cone of light: a step of 1 um at f/2 widens it by 0.5 um, 0.172
// px of 2.9 um; so a px stands for 5.8 steps.
TEST(CoarseSearch, SaysHowFarOffARingIs) {
  const auto coarse = planned(fast_rig()).coarse;
  ASSERT_TRUE(coarse);
  EXPECT_NEAR(coarse->ring_steps_per_px, 5.8, 0.01);
  EXPECT_EQ(coarse->look_for.code, "look_for_rings");
  EXPECT_THAT(coarse->look_for.text, HasSubstr("5.80 steps"));
  EXPECT_GE(coarse->exposure_s, 10);
}

TEST(CoarseSearch, IsThereOnlyWhereTheSweepAloneMayMissFocus) {
  const Rig rig = plain_rig();
  ObservingConditions conditions = plain_conditions();
  EXPECT_TRUE(plan_run(conditions, rig)->coarse);
  conditions.best_focus_steps = 5000;
  conditions.best_focus_sigma_steps = 3;
  EXPECT_FALSE(plan_run(conditions, rig)->coarse);
  PlanOptions options;
  options.within_steps = 10;
  EXPECT_FALSE(plan_run(conditions, rig, options)->coarse);
  options.within_steps = 3000;
  EXPECT_TRUE(plan_run(conditions, rig, options)->coarse);
  options.within_steps = -1;
  EXPECT_FALSE(plan_run(conditions, rig, options));
}

TEST(CoarseSearch, NamesTheLimitsWhereItCannotKeepThem) {
  Rig rig = fast_rig();
  rig.min_position_steps = 50;
  const auto plan = planned(rig);
  ASSERT_TRUE(plan.coarse && plan.coarse->relative);
  EXPECT_THAT(texts_of(plan.notes), testing::Contains(HasSubstr("positions below 50")));
}

}  // namespace
}  // namespace starwaist
