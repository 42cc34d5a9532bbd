#include "report/words.h"

#include <algorithm>
#include <cmath>

#include "starwaist/numbers.h"

namespace starwaist::report {

std::string best_focus_words(const FitResult& fit) {
  if (!fit.best_focus_steps) return "not found";
  const auto sigma = fit.best_focus_sigma_steps;
  if (!sigma || !(*sigma > 0)) {
    const int decimals = std::max(1, position_decimals(fit.points));
    return format_fixed(*fit.best_focus_steps, decimals) + " steps (uncertainty unknown)";
  }
  return format_like_sigma(*fit.best_focus_steps, sigma) + " ± " +
         format_like_sigma(*sigma, sigma) + " steps";
}

std::string interval_words(const Interval& interval, std::optional<double> sigma) {
  // Decimals from the width where the sigma is unknown.
  if (!sigma && interval.bounded()) sigma = (*interval.high - *interval.low) / 4;
  if (!sigma) sigma = 1.0;
  if (interval.bounded()) {
    return format_like_sigma(*interval.low, sigma) + " to " +
           format_like_sigma(*interval.high, sigma) + " steps";
  }
  if (interval.low) return "above " + format_like_sigma(*interval.low, sigma) + " steps";
  if (interval.high) return "below " + format_like_sigma(*interval.high, sigma) + " steps";
  return {};
}

std::string move_words(const Move& move) {
  const std::string to = std::to_string(move.to_steps);
  if (!move.via_steps) return "go to " + to;
  return "go to " + std::to_string(*move.via_steps) + " first, then to " + to;
}

std::string spaced(std::string name) {
  std::replace(name.begin(), name.end(), '_', ' ');
  return name;
}

std::string percent_words(double probability) {
  const double percent = 100 * probability;
  if (percent > 99.9) return "over 99.9 %";
  if (percent < 0.1) return "under 0.1 %";
  return format_fixed(percent, percent > 99 || percent < 1 ? 1 : 0) + " %";
}

std::string short_position_words(const FitResult& fit) {
  if (position_decimals(fit.points) > 0) {
    return format_like_sigma(*fit.best_focus_steps, fit.best_focus_sigma_steps);
  }
  // Adding zero makes -0 a 0.
  return format_fixed(std::round(*fit.best_focus_steps) + 0.0, 0);
}

std::string short_side_words(const std::optional<Direction>& approach) {
  if (!approach) return {};
  return *approach == Direction::outward ? " from below" : " from above";
}

std::string short_use_words(Verdict verdict) {
  return verdict == Verdict::trusted    ? "use it"
         : verdict == Verdict::doubtful ? "a hint"
                                        : "do not use it";
}

std::string short_next_words(const WatchAnswer& watched) {
  if (watched.enough) return "enough";
  if (!watched.next_position_steps) return {};
  return "next " + std::to_string(*watched.next_position_steps);
}

}  // namespace starwaist::report
