// No two remedies of one answer may ask for opposite things.
#include "diagnosis/remedies.h"

#include <gtest/gtest.h>

#include <map>
#include <string>

#include "starwaist/codes.h"

namespace starwaist::diagnosis {
namespace {

// Which way a remedy turns what the user sets. Those that turn nothing are listed too, so that a
// new one has to be placed.
struct Turns {
  int exposure = 0;    // 1 longer, -1 shorter
  bool sweep = false;  // it gives the next sweep's range or points
};

const std::map<std::string, Turns>& catalogue() {
  static const std::map<std::string, Turns> all{
      {codes::sweep_as_above, {}},
      {codes::expose_as_above, {}},
      {codes::switch_off_light, {}},
      {codes::wait_for_steadier_air, {.sweep = true}},
      {codes::calibrate_or_expose_longer, {.exposure = 1}},
      {codes::calibrate, {}},
      {codes::avoid_extended_objects, {}},
      {codes::get_more_star_light, {.exposure = 1}},
      {codes::adjust_flattener_distance, {}},
      {codes::correct_tilt, {}},
      {codes::lock_what_moved, {}},
      {codes::clear_dew, {}},
      {codes::steady_the_image, {}},
      {codes::collimate, {}},
      {codes::check_focuser_drive, {}},
      {codes::repeat_sweep, {.sweep = true}},
      {codes::find_the_side, {.sweep = true}},
      {codes::nothing_to_do, {}},
      {codes::wait_for_clear_sky, {}},
      {codes::expose_less, {.exposure = -1}},
      {codes::take_up_slack, {}},
      {codes::cool_and_shorten, {}},
      {codes::take_more_points, {.sweep = true}},
  };
  return all;
}

TEST(ChangedBy, KnowsEveryRemedyAndNothingElse) {
  for (const codes::Entry& entry : codes::kAll) {
    const bool remedy = entry.kind == "remedy";
    EXPECT_EQ(changed_by(entry.code).has_value(), remedy) << entry.code;
    EXPECT_EQ(catalogue().count(std::string(entry.code)), remedy ? 1 : 0) << entry.code;
  }
  EXPECT_FALSE(changed_by("stand on one leg"));
}

// Defects ask for longer exposures only where no star is clipped (see the test of that cause).
bool never_together(const std::string& a, const std::string& b) {
  return a == codes::calibrate_or_expose_longer && b == codes::expose_less;
}

TEST(ChangedBy, OppositeRemediesAreOfOneKindSoThatOneOfThemStands) {
  int opposite = 0;
  for (const auto& [a, turns_a] : catalogue()) {
    for (const auto& [b, turns_b] : catalogue()) {
      if (a == b || never_together(a, b) || never_together(b, a)) continue;
      const bool exposures = turns_a.exposure * turns_b.exposure < 0;
      const bool sweeps = turns_a.sweep && turns_b.sweep;
      if (!exposures && !sweeps) continue;
      ++opposite;
      EXPECT_EQ(changed_by(a), changed_by(b)) << a << " and " << b;
      EXPECT_NE(changed_by(a), Remedy::of_its_own) << a;
    }
  }
  EXPECT_EQ(opposite, 14);  // two of exposure and twelve of sweeps, either way round
}

}  // namespace
}  // namespace starwaist::diagnosis
