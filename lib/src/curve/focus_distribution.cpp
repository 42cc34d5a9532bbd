#include "curve/focus_distribution.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <utility>

#include "starwaist/statistics.h"

namespace starwaist::curve {
namespace {

// Best focus is never known better than this part of the half range: rounding.
constexpr double kSmallestScale = 1e-12;

// Student's t for whole degrees of freedom in closed form (Abramowitz & Stegun 26.7.3 and 26.7.4,
// from memory): a mixture's quantile asks for it some hundred times.
double student_cdf(double t, double degrees_of_freedom) {
  const int degrees = static_cast<int>(std::min(degrees_of_freedom, 61.0));
  if (degrees != degrees_of_freedom) return student_t_cdf(t, degrees_of_freedom);
  const double cos2 = 1 / (1 + t * t / degrees);
  const double sine = t / std::sqrt(degrees + t * t);
  double term = 1;
  double sum = 0;
  const bool even = degrees % 2 == 0;
  for (int j = 0; j < (even ? degrees : degrees - 1) / 2; ++j) {
    sum += term;
    term *= even ? cos2 * (2 * j + 1) / (2 * j + 2) : cos2 * (2 * j + 2) / (2 * j + 3);
  }
  if (even) return 0.5 + 0.5 * sine * sum;
  const double angle = std::atan(t / std::sqrt(degrees_of_freedom));
  return 0.5 + (angle + sine * std::sqrt(cos2) * sum) / M_PI;
}

struct Root {
  double value;
  double slope;
};

// Finds where the rising function root(t), 0 at `centre`, reaches `target`, beginning at `guess`
// and going away from the centre; `inner` is a place where it is nearer to 0. Absent where it does
// not before kFarthestMinimum, and then `last` holds the root seen there.
template <class RootAt>
std::optional<double> reach(const RootAt& root, double centre, double inner, double guess,
                            double target, double& last) {
  const double direction = target > 0 ? 1 : -1;
  const double goal = std::abs(target);
  // A straight step from this near ends within a ten thousandth of the interval.
  constexpr double kNearRoot = 0.02;
  constexpr double kNearStep = 0.03;
  std::optional<double> outer;
  double t = guess;
  for (int i = 0; i < 60; ++i) {
    const Root at = root(t);
    const double gap = goal - direction * at.value;
    if (!outer && gap > 0 && std::abs(t) > kFarthestMinimum) {
      last = std::abs(at.value);
      return std::nullopt;
    }
    const double step = direction * gap / at.slope;  // absurd where the root is level
    const bool rises = at.slope > 0 && std::isfinite(step);
    if (rises && std::abs(gap) < kNearRoot * goal &&
        std::abs(step) < kNearStep * std::abs(t - centre)) {
      return t + step;
    }
    if (gap > 0) {
      inner = t;
    } else {
      outer = t;
    }
    if (outer) {
      const bool inside = rises && (t + step - inner) * (t + step - *outer) < 0;
      if (std::abs(*outer - inner) < 1e-6 * std::abs(*outer - centre)) return outer;
      t = inside ? t + step : 0.5 * (inner + *outer);
    } else {
      // Outwards, by no more than half of the way from the centre again and no less than a tenth.
      const double far = std::abs(t - centre);
      t += direction * (rises ? std::clamp(std::abs(step), 0.1 * far, 1.5 * far) : 0.7 * far);
    }
  }
  return outer;
}

// The root is about x + bend x^2, x in scales from the centre; the bend is learnt from each knot
// for the guess at the next.
struct Guess {
  double centre;
  double scale;
  double bend = 0;

  [[nodiscard]] double at(double target) const {
    constexpr double kTooBent = 0.2;
    const double bent = 1 + 4 * bend * target;
    const double x = bent > kTooBent ? 2 * target / (1 + std::sqrt(bent)) : target;
    return centre + x * scale;
  }
  void learn(double t, double target) {
    const double x = (t - centre) / scale;
    bend = (target - x) / (x * x);
  }
};

// Knots on one side (direction -1 or +1), nearest first; true where that side is open.
template <class RootAt>
bool lay_knots(const RootAt& root, Guess& guess, int direction, double t68, double t95,
               std::vector<Knot>& knots) {
  double from = guess.centre;
  for (const double quantile : {t68, t95}) {
    const double target = direction * quantile;
    double last = 0;
    double first = guess.at(target);
    if (!((first - from) * direction > 0)) first = from + 0.2 * target * guess.scale;
    const auto t = reach(root, guess.centre, from, first, target, last);
    if (!t) {
      knots.push_back({direction * kFarthestMinimum, direction * last});
      return true;
    }
    knots.push_back({*t, target});
    guess.learn(*t, target);
    from = *t;
  }
  return false;
}

template <class RootAt>
Component profiled(const RootAt& root, double centre, double scale, double degrees_of_freedom) {
  Component part = straight_component(centre, scale, degrees_of_freedom);
  const double t68 = knot_quantile(kTail68, degrees_of_freedom);
  const double t95 = knot_quantile(kTail95, degrees_of_freedom);
  std::vector<Knot> below;
  std::vector<Knot> above;
  Guess guess{centre, part.scale};
  part.open_low = lay_knots(root, guess, -1, t68, t95, below);
  part.open_high = lay_knots(root, guess, +1, t68, t95, above);
  part.knots.assign(below.rbegin(), below.rend());
  part.knots.push_back({centre, 0});
  part.knots.insert(part.knots.end(), above.begin(), above.end());
  return part;
}

}  // namespace

// Student's quantile; those that knots are laid at are looked up once.
double knot_quantile(double probability, double degrees_of_freedom) {
  constexpr std::size_t kMost = 64;
  static const auto table = [] {
    std::array<std::array<double, kMost>, 2> values{};
    for (std::size_t i = 1; i < kMost; ++i) {
      values[0][i] = student_t_quantile(kTail68, static_cast<double>(i));
      values[1][i] = student_t_quantile(kTail95, static_cast<double>(i));
    }
    return values;
  }();
  const auto degrees = static_cast<std::size_t>(degrees_of_freedom);
  constexpr double kRounding = 1e-12;
  const bool at_68 = std::abs(probability - kTail68) < kRounding;
  const bool at_95 = std::abs(probability - kTail95) < kRounding;
  if (static_cast<double>(degrees) != degrees_of_freedom || degrees >= kMost || !(at_68 || at_95)) {
    return student_t_quantile(probability, degrees_of_freedom);
  }
  return table[at_68 ? 0 : 1][degrees];
}

bool Component::sound() const {
  return std::isfinite(centre) && std::isfinite(scale) &&
         std::all_of(knots.begin(), knots.end(),
                     [](const Knot& k) { return std::isfinite(k.t) && std::isfinite(k.root); });
}

double Component::root(double t) const {
  if (knots.empty()) return (t - centre) / scale;
  if (t <= knots.front().t && open_low) return knots.front().root;
  if (t >= knots.back().t && open_high) return knots.back().root;
  std::size_t upper = 1;
  while (upper + 1 < knots.size() && knots[upper].t < t) ++upper;
  const Knot& a = knots[upper - 1];
  const Knot& b = knots[upper];
  if (!(b.t > a.t)) return 0.5 * (a.root + b.root);
  return a.root + (b.root - a.root) * (t - a.t) / (b.t - a.t);
}

double Component::cdf(double t) const { return student_cdf(root(t), degrees_of_freedom); }

Component straight_component(double centre, double scale, double degrees_of_freedom) {
  Component part;
  part.centre = centre;
  part.scale = std::max(scale, kSmallestScale);
  part.degrees_of_freedom = degrees_of_freedom;
  return part;
}

Component shape_component(ShapeFitter& fitter, const Samples& samples, const ShapeFit& fit,
                          double variance, double degrees_of_freedom) {
  const double centre = fit.parameters[0];
  // Near the minimum the others follow t0 along a line, which is where each search starts from the
  // end of the last one.
  const HeldParameters direction =
      fit.unscaled_covariance.col(0).tail<kShapeParameters - 1>() / fit.unscaled_covariance(0, 0);
  HeldParameters rest = fit.parameters.tail<kShapeParameters - 1>();
  double last = centre;
  // The squares' error is a thousandth of one sigma's excess.
  const double close_enough = 1e-3 * variance;
  const auto root = [&](double t) {
    if ((t - centre) * (last - centre) < 0) {  // the other side
      rest = fit.parameters.tail<kShapeParameters - 1>();
      last = centre;
    }
    rest += direction * (t - last);
    last = t;
    const ProfilePoint at = fitter.profile_at(samples, t, rest, close_enough);
    const double value = std::copysign(
        std::sqrt(std::max(at.squares - fit.sum_of_squares, 0.0) / variance), t - centre);
    return Root{value, 0.5 * at.slope / (variance * value)};
  };
  const double scale = std::sqrt(variance * fit.unscaled_covariance(0, 0));
  return profiled(root, centre, scale, degrees_of_freedom);
}

double degrees_of_sum(double degrees, double ratio) {
  constexpr double kMost = 60;  // as good as a normal distribution
  // A ratio below one is rounding: there is no distribution without a degree of freedom.
  return std::max(1.0, std::floor(std::min(degrees * ratio * ratio + 1e-6, kMost)));
}

Component widened(Component part, double sigma) {
  if (!(part.scale > 0) || !(sigma > 0)) return part;
  const double ratio = std::hypot(part.scale, sigma) / part.scale;
  part.scale *= ratio;
  for (Knot& knot : part.knots) {
    const double away = knot.t - part.centre;
    knot.t = part.centre + std::copysign(std::hypot(away, sigma * knot.root), away);
  }
  part.degrees_of_freedom = degrees_of_sum(part.degrees_of_freedom, ratio * ratio);
  return part;
}

Component parabola_component(const ParabolaFit& fit, double variance, double degrees_of_freedom) {
  const double centre = -fit.parameters[1] / (2 * fit.parameters[2]);
  const auto root = [&](double t) {
    const auto [value, slope] = parabola_root(fit, variance, t);
    return Root{value, slope};
  };
  // Delta method at the vertex.
  return profiled(root, centre, 1 / root(centre).slope, degrees_of_freedom);
}

}  // namespace starwaist::curve
