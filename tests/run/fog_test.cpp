#include <gtest/gtest.h>

#include <cmath>

#include "run/galaxy_run.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

// Half zones that best focus is off, and the interval's standard error in the same unit.
struct FogAnswer {
  double error = 0;
  double sigma = 0;
  bool held = false;
};

Result<FogAnswer> answer_in_fog(const galaxies::Sky& sky) {
  galaxies::Run run(sky);
  const auto judged = galaxies::judged(run, sky);
  if (!judged) return tl::unexpected<Error>(judged.error());
  const FitResult& fit = judged->fit;
  if (!fit.best_focus_steps || !fit.interval_95_steps.low || !fit.interval_95_steps.high) {
    return fail(ErrorCode::no_data, "no answer");
  }
  const double half_zone = 2 * 0.55 * sky.f_number * sky.f_number;
  return FogAnswer{
      (*fit.best_focus_steps - sky.best_um) / half_zone, *fit.best_focus_sigma_steps / half_zone,
      *fit.interval_95_steps.low <= sky.best_um && *fit.interval_95_steps.high >= sky.best_um};
}

galaxies::Sky foggy_sky() {
  galaxies::Sky sky;
  sky.stars = 35;
  sky.galaxies = 0;
  sky.f_number = 4.5;
  sky.seeing_fwhm_px = 4;
  sky.seeing_scatter = 0.008;
  sky.half_range_um = 260;
  return sky;
}

TEST(JudgeRun, FogThatWidensTheStarsIsAllowedFor) {
  galaxies::Sky sky = foggy_sky();
  sky.fog_growth = 0.5;
  sky.fog_loss = 0.6;
  const auto answer = answer_in_fog(sky);
  ASSERT_TRUE(answer.has_value());
  EXPECT_TRUE(answer->held) << answer->error << " " << answer->sigma;
  EXPECT_LT(std::abs(answer->error), 0.45);
}

TEST(JudgeRun, HazeThatOnlyDimsLeavesTheAnswer) {
  galaxies::Sky sky = foggy_sky();
  sky.fog_loss = 0.6;
  const auto answer = answer_in_fog(sky);
  ASSERT_TRUE(answer.has_value());
  EXPECT_TRUE(answer->held) << answer->error << " " << answer->sigma;
  EXPECT_LT(std::abs(answer->error), 0.3);
}

}  // namespace
}  // namespace starwaist
