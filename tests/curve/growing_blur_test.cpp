#include "curve/growing_blur.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "support/wave_optics.h"

namespace starwaist::curve {
namespace {

// Sizes by wave optics of a run whose seeing grows by `growth`, and of the same run without it.
struct FoggedRun {
  std::vector<CurvePoint> fogged;
  std::vector<double> clear_px;
  GrowingBlur blur;
};

FoggedRun fogged_run(double growth) {
  constexpr int kFrames = 11;
  constexpr double kHalfRangeUm = 240;
  constexpr double kBestUm = 12;
  wave::Optics optics;
  optics.obstruction = 0.3;
  FoggedRun run;
  for (int i = 0; i < kFrames; ++i) {
    const double progress = i / (kFrames - 1.0);
    const double position = kHalfRangeUm * (2 * progress - 1);
    wave::Optics now = optics;
    now.seeing_hfr_um *= 1 + growth * progress;
    CurvePoint point;
    point.position_steps = position;
    point.size_px = wave::HalfFlux(now, kHalfRangeUm + 20).radius_um(position - kBestUm);
    run.fogged.push_back(point);
    run.clear_px.push_back(wave::HalfFlux(optics, kHalfRangeUm + 20).radius_um(position - kBestUm));
    run.blur.thickness.push_back(progress);
  }
  run.blur.growth = growth;
  run.blur.obstruction = optics.obstruction;
  run.blur.best_focus_steps = -20;
  run.blur.smallest_px = 9;
  run.blur.slope_px_per_step = 0.08;
  return run;
}

TEST(WithoutGrowth, GivesBackTheSizesOfTheClearRun) {
  // Diffraction, which does not grow, is part of what the blur curve takes for seeing.
  constexpr double kLeft = 0.1;  // of the growth
  for (const double growth : {0.2, 0.6}) {
    const FoggedRun run = fogged_run(growth);
    const auto clear = without_growth(run.fogged, run.blur);
    double worst_before = 0;
    // One factor on all is no matter.
    const double factor = *clear.front().size_px / run.clear_px.front();
    for (std::size_t i = 0; i < clear.size(); ++i) {
      EXPECT_NEAR(*clear[i].size_px / run.clear_px[i] / factor, 1, kLeft * growth)
          << growth << " " << i;
      worst_before = std::max(worst_before, *run.fogged[i].size_px / run.clear_px[i] - 1);
    }
    EXPECT_GT(worst_before, 0.4 * growth);
  }
}

TEST(WithoutGrowth, NoGrowthChangesNothing) {
  const FoggedRun run = fogged_run(0);
  const auto clear = without_growth(run.fogged, run.blur);
  for (std::size_t i = 0; i < clear.size(); ++i) {
    EXPECT_EQ(*clear[i].size_px, *run.fogged[i].size_px);
  }
}

}  // namespace
}  // namespace starwaist::curve
