#include "coverage/tally.h"

#include <cmath>
#include <cstddef>
#include <cstdio>

#include "coverage/oracle.h"

namespace starwaist::bench::coverage {

namespace {

constexpr int kOracleEvery = 8;  // an oracle takes as long as some hundred fits

}  // namespace

void Tally::add(const FitResult& r, const Trial& t) {
  ++trials;
  within_95 += r.interval_95_steps.contains(t.truth) ? 1 : 0;
  within_68 += r.interval_68_steps.contains(t.truth) ? 1 : 0;
  trusted += r.verdict == Verdict::trusted ? 1 : 0;
  if (!r.best_focus_steps) {
    ++none;
    return;
  }
  const double error = *r.best_focus_steps - t.truth;
  squares += error * error / (t.fisher * t.fisher);
  squares_steps += error * error;
  const double half_zone = 0.5 * r.critical_focus_zone_steps.value_or(1);
  zone_squares += error * error / (half_zone * half_zone);
}

void Tally::add(const Tally& o) {
  trials += o.trials;
  within_95 += o.within_95;
  within_68 += o.within_68;
  none += o.none;
  trusted += o.trusted;
  squares += o.squares;
  squares_steps += o.squares_steps;
  zone_squares += o.zone_squares;
}

void Tally::print(const std::string& label) const {
  std::printf(
      "%-44s 95%%: %5.1f  68%%: %5.1f  rms/Fisher %5.3f  rms %.4f half zones  none %4.1f %%  "
      "trusted %5.1f %%  (%d)\n",
      label.c_str(), 100.0 * within_95 / trials, 100.0 * within_68 / trials, rms_over_fisher(),
      std::sqrt(zone_squares / std::max(1, trials - none)), 100.0 * none / trials,
      100.0 * trusted / trials, trials);
}

Tally run_cell(const std::vector<Telescope>& telescopes, const Setting& s, int trials,
               std::mt19937_64& random) {
  Tally tally;
  for (int i = 0; i < trials; ++i) {
    const Telescope& t = telescopes[static_cast<std::size_t>(i) % telescopes.size()];
    const Trial trial = make_trial(t, s, random);
    const auto result = fit_curve(trial.points, t.rig);
    if (result) tally.add(*result, trial);
    if (s.outliers > 0 && i % kOracleEvery == 0) {
      ++tally.of_oracles;
      const Oracle oracle(trial, s);
      tally.told_squares += std::pow(oracle.told_which_error() / trial.fisher, 2);
      tally.learning_squares += std::pow(oracle.learning_error() / trial.fisher, 2);
      tally.number_squares += std::pow(oracle.told_number_error() / trial.fisher, 2);
    }
  }
  return tally;
}

}  // namespace starwaist::bench::coverage
