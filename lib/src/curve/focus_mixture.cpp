#include "curve/focus_mixture.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

namespace starwaist::curve {
namespace {

// Error of a quantile's probability: a few ten thousandths of sigma at the 95 % limits.
constexpr double kCloseEnough = 1e-5;

// Where a part's own cumulative probability is that of `root`; absent on an open side before it.
std::optional<double> place_of_root(const Component& part, double root) {
  if (part.knots.empty()) return part.centre + root * part.scale;
  if (root <= part.knots.front().root && part.open_low) return std::nullopt;
  if (root >= part.knots.back().root && part.open_high) return std::nullopt;
  std::size_t upper = 1;
  while (upper + 1 < part.knots.size() && part.knots[upper].root < root) ++upper;
  const Knot& a = part.knots[upper - 1];
  const Knot& b = part.knots[upper];
  if (!(b.root > a.root)) return std::nullopt;
  return a.t + (b.t - a.t) * (root - a.root) / (b.root - a.root);
}

// The parts' own quantiles enclose the mixture's; absent where one of them has none.
std::optional<std::pair<double, double>> enclosing(const std::vector<Component>& parts,
                                                   double probability) {
  const bool lower = probability < 0.5;
  const double tail = lower ? 1 - probability : probability;
  double low = std::numeric_limits<double>::infinity();
  double high = -low;
  for (const Component& part : parts) {
    const double root = knot_quantile(tail, part.degrees_of_freedom);
    const auto place = place_of_root(part, lower ? -root : root);
    if (!place) return std::nullopt;
    low = std::min(low, *place);
    high = std::max(high, *place);
  }
  return std::pair{low, high};
}

// Between two places the mixture's cumulative probability passes the wanted one; `gap` is that less
// the wanted one at each.
struct Bracket {
  double low;
  double high;
  double gap_low;
  double gap_high;
};

// A first bracket: the parts' own quantiles, else some spreads about them.
std::pair<double, double> first_bracket(const std::vector<Component>& parts,
                                        const std::optional<std::pair<double, double>>& quantiles) {
  if (quantiles) {
    const double rounding = 1e-9 * (quantiles->second - quantiles->first) + 1e-13;
    return {quantiles->first - rounding, quantiles->second + rounding};
  }
  double low = kFarthestMinimum;
  double high = -kFarthestMinimum;
  for (const Component& part : parts) {
    const double spread = 3 * part.scale;
    low = std::min(low, part.centre - spread);
    high = std::max(high, part.centre + spread);
  }
  return {low, high};
}

// Absent where the wanted probability is not reached before kFarthestMinimum.
template <class Gap>
std::optional<Bracket> widened_until_it_holds(double low, double high, const Gap& gap) {
  double step = std::max(high - low, 1e-12);
  double gap_low = gap(low);
  while (gap_low > 0) {
    if (low < -kFarthestMinimum) return std::nullopt;
    low -= step;
    step *= 2;
    gap_low = gap(low);
  }
  step = std::max(high - low, 1e-12);
  double gap_high = gap(high);
  while (gap_high < 0) {
    if (high > kFarthestMinimum) return std::nullopt;
    high += step;
    step *= 2;
    gap_high = gap(high);
  }
  return Bracket{low, high, gap_low, gap_high};
}

// Steps of the regula falsi in the log odds, which are nearly straight where the probability is
// not.
template <class Gap>
double root_in(const Bracket& bracket, double probability, const Gap& gap) {
  auto [low, high, gap_low, gap_high] = bracket;
  const double goal = std::log(probability / (1 - probability));
  const auto odds = [&](double g) {
    const double p = std::clamp(g + probability, 1e-12, 1 - 1e-12);
    return std::log(p / (1 - p)) - goal;
  };
  double odds_low = odds(gap_low);
  double odds_high = odds(gap_high);
  for (int i = 0; i < 60 && high - low > 1e-13; ++i) {
    // Illinois steps keep the bracket; every third one halves it, against flat tails.
    double t = low - odds_low * (high - low) / (odds_high - odds_low);
    if (i % 3 == 2 || !(t > low && t < high)) t = 0.5 * (low + high);
    const double g = gap(t);
    if (std::abs(g) < kCloseEnough) return t;
    if (g < 0) {
      low = t;
      odds_low = odds(g);
    } else {
      high = t;
      odds_high = odds(g);
    }
  }
  return 0.5 * (low + high);
}

}  // namespace

std::optional<double> mixture_quantile(const std::vector<Component>& parts, double probability) {
  const auto gap = [&](double t) {
    double sum = -probability;
    for (const Component& part : parts) sum += part.weight * part.cdf(t);
    return sum;
  };
  const auto quantiles = enclosing(parts, probability);
  if (quantiles && parts.size() == 1) return quantiles->first;
  const auto [low, high] = first_bracket(parts, quantiles);
  const auto bracket = widened_until_it_holds(low, high, gap);
  if (!bracket) return std::nullopt;
  return root_in(*bracket, probability, gap);
}

Interval mixture_interval(const std::vector<Component>& parts, double upper_probability) {
  return {mixture_quantile(parts, 1 - upper_probability),
          mixture_quantile(parts, upper_probability)};
}

double mixture_within(const std::vector<Component>& parts, double centre, double half_width) {
  double probability = 0;
  for (const Component& part : parts) {
    probability += part.weight * (part.cdf(centre + half_width) - part.cdf(centre - half_width));
  }
  return probability;
}

}  // namespace starwaist::curve
