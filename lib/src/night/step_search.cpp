#include "night/step_search.h"

#include <algorithm>
#include <array>
#include <optional>
#include <utility>

namespace starwaist::night {
namespace {

constexpr std::size_t kMostSteps = 8;

bool near(std::size_t a, std::size_t b) { return std::max(a, b) - std::min(a, b) < 4; }

// The seeing found so far, which has taken the step in, and quicker, weaker ones.
std::array<Seeing, 3> seeings_to_try(const Seeing& now) {
  return {now,
          {0.6 * now.scatter, std::min(now.memory_s, 900.0), std::max(now.jitter, 0.015)},
          {0.03, 600, 0.02}};
}

// What the explanation leaves of the sizes at one seeing, made ready for further columns.
class StepGain {
 public:
  StepGain(const SizesProblem& problem, const Explanation& explanation, const Seeing& seeing)
      : problem_(problem),
        known_(explanation.steps),
        whitener_(problem.sizes.time_s, problem.sizes.variance, seeing),
        white_x_(whitener_.apply(columns_of(problem, explanation.steps))) {
    const Eigen::VectorXd white_y = whitener_.apply(without_drift(problem, explanation));
    left_ = white_y - white_x_ * solve(problem, white_x_, white_y).coefficients;
    Eigen::MatrixXd normal = white_x_.transpose() * white_x_;
    normal.diagonal().array() += 1e-9 * normal.diagonal().maxCoeff();
    factor_.compute(normal);
  }

  // ln likelihood that a step would gain beyond the odds it needs; absent where none can be there.
  [[nodiscard]] std::optional<double> of(std::size_t first, std::size_t last) const {
    constexpr std::size_t kFewestFrames = 3;
    const std::size_t frames = last + 1 - first;
    if (frames >= problem_.sizes.size() || frames < kFewestFrames) return std::nullopt;
    for (const FocusStep& known : known_) {
      if (near(known.first, first) && near(known.last, last)) return std::nullopt;
    }
    const Eigen::VectorXd column = whitener_.apply(step_column(problem_, first, last));
    const Eigen::VectorXd own = column - white_x_ * factor_.solve(white_x_.transpose() * column);
    const double length = own.squaredNorm();
    if (!(length > 1e-6 * column.squaredNorm())) return std::nullopt;
    const double height = own.dot(left_) / length;
    if (height < kLeastStep) return std::nullopt;
    return 0.5 * height * height * length - step_odds_needed(problem_, first);
  }

 private:
  const SizesProblem& problem_;
  const std::vector<FocusStep>& known_;
  Whitener whitener_;
  Eigen::MatrixXd white_x_;
  Eigen::VectorXd left_;
  Eigen::LDLT<Eigen::MatrixXd> factor_;
};

// The step that gains most, or none that gains anything.
std::optional<FocusStep> best_step(const SizesProblem& problem, const StepGain& gain) {
  double top = 0;
  std::optional<FocusStep> best;
  const auto consider = [&](std::size_t first, std::size_t last) {
    const auto here = gain.of(first, last);
    if (!here || !(*here > top)) return;
    top = *here;
    best = FocusStep();
    best->first = first;
    best->last = last;
  };
  for (const auto& [first, last] : problem.stretches) {
    for (std::size_t k = first; k <= last; ++k) consider(k, last);
    // Without positions focus may have been found again at any frame.
    for (std::size_t k = first; !problem.sizes.positions_known && k < last; ++k) {
      consider(first, k);
    }
  }
  if (!best) return best;
  best->needed_odds = step_odds_needed(problem, best->first);
  best->from_refocus = problem.begins_stretch(best->first);
  return best;
}

std::optional<Explanation> with_best_step(const SizesProblem& problem,
                                          const Explanation& explanation) {
  std::optional<Explanation> best;
  for (const Seeing& seeing : seeings_to_try(explanation.seeing)) {
    const auto step = best_step(problem, StepGain(problem, explanation, seeing));
    if (!step) continue;
    Explanation tried = explanation;
    tried.steps.push_back(*step);
    tried = scored(problem, std::move(tried));
    const bool sound = std::all_of(tried.steps.begin(), tried.steps.end(),
                                   [](const FocusStep& s) { return s.height >= kLeastStep; });
    if (sound && (!best || tried.score > best->score)) best = std::move(tried);
  }
  return best;
}

}  // namespace

Explanation with_steps(const SizesProblem& problem, Explanation explanation) {
  while (explanation.steps.size() < kMostSteps) {
    auto next = with_best_step(problem, explanation);
    if (!next || next->score <= explanation.score) break;
    explanation = std::move(*next);
  }
  return explanation;
}

}  // namespace starwaist::night
