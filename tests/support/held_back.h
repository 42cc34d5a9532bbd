// What a few points of a real sweep give by what the other sweeps of its telescope show, held
// against the whole sweep's own answer.
#pragma once

#include <algorithm>
#include <cmath>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/run.h"

namespace starwaist::held_back {

struct Sweep {
  std::vector<CurvePoint> points;
  FitResult whole;
  std::optional<ArmsOfRun> arms;
};

// The trusted sweeps of a table with the columns `run` and `telescope`, by telescope.
inline Result<std::map<std::string, std::vector<Sweep>>> trusted_sweeps(const std::string& table) {
  const auto runs = read_run_tables(table);
  if (!runs) return tl::unexpected<Error>(runs.error());
  std::map<std::string, std::vector<Sweep>> sweeps;
  for (const NamedTable& run : *runs) {
    FitOptions options;
    options.size = run.table.size;
    const auto whole = fit_curve(run.table.points, {}, options);
    if (!whole) return tl::unexpected<Error>(whole.error());
    auto arms = arms_of(*whole);
    if (!arms) continue;
    sweeps[run.table.telescope.value_or("")].push_back({run.table.points, *whole, arms});
  }
  return sweeps;
}

// The `kept` points at the smallest or the largest positions.
inline std::vector<CurvePoint> points_of_one_end(std::vector<CurvePoint> points, std::size_t kept,
                                                 bool smallest) {
  std::stable_sort(points.begin(), points.end(), [](const CurvePoint& a, const CurvePoint& b) {
    return a.position_steps < b.position_steps;
  });
  const auto n = static_cast<std::ptrdiff_t>(std::min(kept, points.size()));
  return smallest ? std::vector<CurvePoint>{points.begin(), points.begin() + n}
                  : std::vector<CurvePoint>{points.end() - n, points.end()};
}

// By the others: best focus, its sigma, and how far its 95 % interval reaches to both sides.
struct Answer {
  double best_focus_steps;
  double sigma_steps;
  double below_steps;
  double above_steps;
};

struct Count {
  int tried = 0;
  int answered = 0;
  int by_others = 0;  // of the answered ones
  int covered = 0;    // of those by others
  std::vector<double> errors_steps;
  std::vector<double> sigmas_steps;        // of the difference
  std::map<std::size_t, Answer> by_sweep;  // of those by others
};

// Of two answers of one sweep from points that they do not share: how many there are and in how
// many the 95 % intervals' halves towards each other, added in quadrature, reach over the
// difference.
struct Agreement {
  int both = 0;
  int agree = 0;
  std::vector<double> over_sigma;
};
inline Agreement agreement_of(const Count& one, const Count& other) {
  Agreement agreement;
  for (const auto& [sweep, a] : one.by_sweep) {
    const auto found = other.by_sweep.find(sweep);
    if (found == other.by_sweep.end()) continue;
    const Answer& b = found->second;
    const double difference = b.best_focus_steps - a.best_focus_steps;
    const double reach = difference > 0 ? std::hypot(a.above_steps, b.below_steps)
                                        : std::hypot(a.below_steps, b.above_steps);
    ++agreement.both;
    agreement.agree += std::abs(difference) <= reach ? 1 : 0;
    agreement.over_sigma.push_back(difference / std::hypot(a.sigma_steps, b.sigma_steps));
  }
  return agreement;
}

// Every `stride`th sweep of one telescope, answered by all its others.
inline Count answer_by_others(const std::vector<Sweep>& sweeps, std::size_t kept, bool smallest,
                              std::size_t stride = 1) {
  constexpr double kTwoSided95 = 1.959964;
  Count count;
  for (std::size_t i = 0; i < sweeps.size(); i += stride) {
    std::vector<ArmsOfRun> others;
    for (std::size_t j = 0; j < sweeps.size(); ++j) {
      if (j != i) others.push_back(*sweeps[j].arms);
    }
    const FitResult& whole = sweeps[i].whole;
    FitOptions options;
    options.size = sweeps[i].arms->size;
    const auto points = points_of_one_end(sweeps[i].points, kept, smallest);
    const auto alone = fit_curve(points, {}, options);
    options.known_arms = learn_arms(others);
    const auto fit = fit_curve(points, {}, options);
    ++count.tried;
    if (!alone || !fit || !fit->best_focus_steps || fit->verdict == Verdict::unusable) continue;
    ++count.answered;
    if (alone->verdict != Verdict::unusable) continue;
    ++count.by_others;
    const Answer answer{*fit->best_focus_steps, *fit->best_focus_sigma_steps,
                        *fit->best_focus_steps - *fit->interval_95_steps.low,
                        *fit->interval_95_steps.high - *fit->best_focus_steps};
    count.by_sweep[i] = answer;
    const double error = answer.best_focus_steps - *whole.best_focus_steps;
    const double half = error > 0 ? answer.below_steps : answer.above_steps;
    const double own = *whole.best_focus_sigma_steps;
    count.covered += std::abs(error) <= std::hypot(half, kTwoSided95 * own) ? 1 : 0;
    count.errors_steps.push_back(error);
    count.sigmas_steps.push_back(std::hypot(answer.sigma_steps, own));
  }
  return count;
}

}  // namespace starwaist::held_back
