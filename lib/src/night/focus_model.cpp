#include "night/focus_model.h"

#include <algorithm>
#include <utility>

#include "night/drift_search.h"
#include "night/explanation.h"
#include "night/step_search.h"

namespace starwaist::night {
namespace {

// Steps, drift then steps, steps then drift: the one that scores best.
Explanation likeliest(const SizesProblem& problem) {
  const Explanation none = scored(problem, {});
  std::vector<Explanation> ends = {with_steps(problem, none)};
  for (const DriftBy by : {DriftBy::temperature, DriftBy::time}) {
    if (!can_drift(problem, by)) continue;
    ends.push_back(with_steps(problem, with_drift(problem, none, by)));
    ends.push_back(with_drift(problem, ends.front(), by));
  }
  return *std::max_element(ends.begin(), ends.end(),
                           [](const auto& a, const auto& b) { return a.score < b.score; });
}

// Without the steps that no longer pay once the rest is there; the others get their odds.
Explanation with_steps_pruned(const SizesProblem& problem, Explanation explanation) {
  for (std::size_t j = 0; j < explanation.steps.size();) {
    Explanation less = explanation;
    less.steps.erase(less.steps.begin() + static_cast<std::ptrdiff_t>(j));
    less = scored(problem, std::move(less));
    explanation.steps[j].odds = explanation.log_likelihood - less.log_likelihood;
    if (less.score >= explanation.score) {
      explanation = std::move(less);
      j = 0;
    } else {
      ++j;
    }
  }
  return explanation;
}

Explanation without_drift(const Explanation& explanation) {
  Explanation bare;
  bare.steps = explanation.steps;
  bare.seeing = explanation.seeing;
  bare.coefficients = explanation.coefficients;
  bare.log_likelihood = explanation.log_likelihood;
  bare.score = explanation.score;
  return bare;
}

// Without the drift where steps and seeing explain as much; else the drift gets its odds, and those
// of the same drift with the other variable.
Explanation with_drift_pruned(const SizesProblem& problem, Explanation explanation) {
  if (!explanation.drift) return explanation;
  const Explanation bare = scored(problem, without_drift(explanation));
  Explanation less = with_steps(problem, bare);
  FocusDrift& drift = *explanation.drift;
  drift.odds = explanation.log_likelihood - less.log_likelihood + penalty_of_steps(less) -
               penalty_of_steps(explanation);
  if (less.score >= explanation.score) return less;
  const DriftBy other = drift.by == DriftBy::time ? DriftBy::temperature : DriftBy::time;
  if (can_drift(problem, other)) {
    const Explanation swapped = with_drift(problem, bare, other);
    if (swapped.drift) {
      drift.other_odds = drift.odds - (explanation.log_likelihood - swapped.log_likelihood);
    }
  }
  return explanation;
}

FocusModel model_of(const SizesProblem& problem, const Explanation& explanation) {
  const Sizes& s = problem.sizes;
  FocusModel model;
  model.seeing = explanation.seeing;
  model.drift = explanation.drift;
  model.steps = explanation.steps;
  model.log_likelihood = explanation.log_likelihood;
  for (int g = 0; g < s.groups; ++g) model.levels.push_back(explanation.coefficients[g]);
  Eigen::VectorXd drifted = Eigen::VectorXd::Zero(problem.count());
  if (explanation.drift) drifted = drift_column(problem, *explanation.drift);
  Eigen::VectorXd focus = drifted;
  for (const FocusStep& step : explanation.steps) {
    focus += step.height * step_column(problem, step.first, step.last);
  }
  for (std::size_t i = 0; i < s.size(); ++i) {
    const auto k = static_cast<Eigen::Index>(i);
    const double air =
        s.log_air_mass.empty() ? 0.0 : explanation.coefficients[s.groups] * s.log_air_mass[i];
    model.focus.push_back(focus[k]);
    model.by_drift.push_back(drifted[k]);
    model.air.push_back(air);
    model.seen.push_back(s.log_size[i] - model.levels[static_cast<std::size_t>(s.group[i])] -
                         focus[k] - air);
  }
  return model;
}

}  // namespace

FocusModel explain_sizes(const Sizes& sizes) {
  const SizesProblem problem = make_problem(sizes);
  return model_of(problem,
                  with_drift_pruned(problem, with_steps_pruned(problem, likeliest(problem))));
}

}  // namespace starwaist::night
