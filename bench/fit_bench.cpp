// Complete answers (all models, outliers, intervals, verdict) a second on one core. The argument is
// the number of points.
#include <benchmark/benchmark.h>

#include <cmath>
#include <vector>

#include "starwaist/curve.h"

namespace {

void BM_FitCurve(benchmark::State& state) {
  const int n = static_cast<int>(state.range(0));
  std::vector<starwaist::CurvePoint> points;
  for (int i = 0; i < n; ++i) {
    starwaist::CurvePoint point;
    point.position_steps = 5000 + 400.0 * i / (n - 1);
    // 1 % of alternating error on a hyperbola of three core widths either side.
    const double size = 2 * std::hypot(1.0, (point.position_steps - 5193) / 65);
    point.size_px = size * (1 + 0.01 * std::sin(7.0 * i));
    point.sigma_px = 0.01 * size;
    points.push_back(point);
  }
  starwaist::Rig rig;
  rig.f_number = 5;
  rig.pixel_um = 3.76;
  rig.um_per_step = 1.2;
  for (auto _ : state) {
    const auto fit = starwaist::fit_curve(points, rig);
    if (!fit || !fit->best_focus_steps || std::abs(*fit->best_focus_steps - 5193) > 3) {
      state.SkipWithError("the answer is wrong");
    }
  }
  state.counters["answers/s"] =
      benchmark::Counter(static_cast<double>(state.iterations()), benchmark::Counter::kIsRate);
}

BENCHMARK(BM_FitCurve)->Arg(5)->Arg(7)->Arg(9)->Arg(11)->Arg(15)->Unit(benchmark::kMicrosecond);

}  // namespace

BENCHMARK_MAIN();
