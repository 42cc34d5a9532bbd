// Rate of the bare hyperbola with two rounds of clipping, for bench/hyperbola_rate.py.
//
// Usage: hyperbola_rate_bench FILE. FILE: lines of "run position size", runs one after another.
// Prints the seconds a run takes on the first line, then each run's best focus.
#include <chrono>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <vector>

#include "curve/shape_fit.h"
#include "starwaist/statistics.h"

namespace {

using starwaist::curve::Samples;
using starwaist::curve::Shape;
using starwaist::curve::ShapeFit;
using starwaist::curve::ShapeFitter;

std::vector<Samples> runs_of(const char* file) {
  std::vector<Samples> runs;
  std::ifstream in(file);
  int run = 0;
  int last = -1;
  double position = 0;
  double size = 0;
  while (in >> run >> position >> size) {
    if (run != last) runs.emplace_back();
    last = run;
    runs.back().t.push_back(position);
    runs.back().y.push_back(size);
  }
  for (Samples& s : runs) {
    s.own_sigma.assign(s.t.size(), 0.0);
    s.weight.assign(s.t.size(), 1.0);
    double low = s.t.front();
    double high = low;
    for (const double t : s.t) {
      low = std::min(low, t);
      high = std::max(high, t);
    }
    s.centre_steps = 0.5 * (low + high);
    s.half_range_steps = 0.5 * (high - low);
    s.size_unit_px = starwaist::median(s.y);
    for (double& t : s.t) t = s.scaled_position(t);
    for (double& y : s.y) y /= s.size_unit_px;
  }
  return runs;
}

double best_focus(ShapeFitter& fitter, Samples s) {
  ShapeFit fit = fitter.fit(s);
  for (int round = 0; round < 2 && fit.usable; ++round) {
    std::vector<double> residuals(s.count());
    std::vector<double> kept;
    for (std::size_t i = 0; i < s.count(); ++i) {
      residuals[i] = std::abs(s.y[i] - shape_size(fitter.shape(), fit.parameters, s.t[i]));
      if (s.weight[i] > 0) kept.push_back(residuals[i]);
    }
    const double limit = 3 * 1.4826 * starwaist::median(kept) + 1e-12;
    for (std::size_t i = 0; i < s.count(); ++i) s.weight[i] = residuals[i] <= limit ? 1 : 0;
    fit = fitter.refit(s, fit);
  }
  return s.steps(fit.parameters[0]);
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 2) return 2;
  const std::vector<Samples> runs = runs_of(argv[1]);
  ShapeFitter fitter{Shape::hyperbola()};
  std::vector<double> answers(runs.size());
  constexpr int kRepeats = 20;
  const auto start = std::chrono::steady_clock::now();
  for (int repeat = 0; repeat < kRepeats; ++repeat) {
    for (std::size_t i = 0; i < runs.size(); ++i) answers[i] = best_focus(fitter, runs[i]);
  }
  const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
  std::printf("%.9g\n", took.count() / kRepeats / static_cast<double>(runs.size()));
  for (const double answer : answers) std::printf("%.9g\n", answer);
  return 0;
}
