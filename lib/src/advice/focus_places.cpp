#include "advice/focus_places.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "curve/priors.h"

namespace starwaist::advice {
namespace {

constexpr int kPlaces = 61;

// The sums of one Gauss-Newton step in ln size and ln slope, priors included.
struct Step {
  double information_size = 0;
  double information_both = 0;
  double information_slope = 0;
  double gradient_size = 0;
  double gradient_slope = 0;
  double log_likelihood = 0;

  [[nodiscard]] double determinant() const {
    return information_size * information_slope - information_both * information_both;
  }
};

struct Curve {
  double ln_size;
  double ln_slope;
};

Curve expected_curve(const ObservingConditions& conditions) {
  return {std::log(conditions.smallest_px), std::log(conditions.slope_px_per_step)};
}

Step step_at(const std::vector<Taken>& taken, const ObservingConditions& conditions,
             const curve::Shape& shape, double place, const Curve& curve) {
  // Standard deviations of the logarithms.
  constexpr double kSize = curve::kSizeSpreadOfAdvice;
  constexpr double kSlope = curve::kRigSlopeErrorOfAdvice;
  const Curve expected = expected_curve(conditions);
  const double z_size = (curve.ln_size - expected.ln_size) / kSize;
  const double z_slope = (curve.ln_slope - expected.ln_slope) / kSlope;
  Step s;
  s.information_size = 1 / (kSize * kSize);
  s.information_slope = 1 / (kSlope * kSlope);
  s.gradient_size = -z_size / kSize;
  s.gradient_slope = -z_slope / kSlope;
  s.log_likelihood = -0.5 * (z_size * z_size + z_slope * z_slope);
  for (const Taken& t : taken) {
    const double h0 = std::exp(curve.ln_size);
    const double u = std::exp(curve.ln_slope) * (t.position_steps - place) / h0;
    const curve::ShapeValue v = shape.at(u);
    const double share = curve::seeing_share(v, u);
    const double variance =
        std::pow(conditions.measuring_error, 2) +
        std::pow(conditions.seeing_scatter * conditions.seeing_share * share, 2);
    // Student's t with four degrees: a bad point must not lead astray.
    const double residual = std::log(t.size_px / (h0 * v.h));
    const double ratio = residual * residual / (4 * variance);
    s.log_likelihood -= 2.5 * std::log1p(ratio) + 0.5 * std::log(variance);
    const double weight = 1.25 / (variance * (1 + ratio));
    const double by_slope = u * v.slope / v.h;
    s.information_size += weight * share * share;
    s.information_both += weight * share * by_slope;
    s.information_slope += weight * by_slope * by_slope;
    s.gradient_size += weight * share * residual;
    s.gradient_slope += weight * by_slope * residual;
  }
  return s;
}

// The likeliest curve with best focus held at `place`; its weight is a logarithm still: Laplace's
// volume times the likelihood.
FocusPlace place_at(const std::vector<Taken>& taken, const ObservingConditions& conditions,
                    const curve::Shape& shape, double place) {
  constexpr int kIterations = 6;
  Curve curve = expected_curve(conditions);
  double log_weight = 0;
  for (int i = 0; i <= kIterations; ++i) {
    const Step s = step_at(taken, conditions, shape, place, curve);
    const double determinant = s.determinant();
    log_weight = s.log_likelihood - 0.5 * std::log(determinant);
    if (i == kIterations) break;
    curve.ln_size +=
        std::clamp((s.information_slope * s.gradient_size - s.information_both * s.gradient_slope) /
                       determinant,
                   -0.5, 0.5);
    curve.ln_slope +=
        std::clamp((s.information_size * s.gradient_slope - s.information_both * s.gradient_size) /
                       determinant,
                   -0.3, 0.3);
  }
  return {place, log_weight, std::exp(curve.ln_size), std::exp(curve.ln_slope)};
}

struct Range {
  double from;
  double to;
};

// Even places over the range, the heaviest of weight 1.
std::vector<FocusPlace> scan(const std::vector<Taken>& taken, const ObservingConditions& conditions,
                             const curve::Shape& shape, const Range& range) {
  std::vector<FocusPlace> places;
  double best = -std::numeric_limits<double>::infinity();
  for (int k = 0; k < kPlaces; ++k) {
    const double place = range.from + (range.to - range.from) * k / (kPlaces - 1);
    places.push_back(place_at(taken, conditions, shape, place));
    best = std::max(best, places.back().weight);
  }
  for (FocusPlace& p : places) p.weight = std::exp(p.weight - best);
  return places;
}

// As far as the largest star's arm may reach to either side.
Range widest_range(const std::vector<Taken>& taken, const ObservingConditions& conditions) {
  const auto [low, high] = std::minmax_element(
      taken.begin(), taken.end(),
      [](const Taken& a, const Taken& b) { return a.position_steps < b.position_steps; });
  double reach = 0;
  for (const Taken& t : taken) reach = std::max(reach, t.size_px / conditions.slope_px_per_step);
  return {low->position_steps - 1.2 * reach - conditions.core_steps(),
          high->position_steps + 1.2 * reach + conditions.core_steps()};
}

}  // namespace

FocusPlaces likely_places(const std::vector<Taken>& taken, const ObservingConditions& conditions,
                          const curve::Shape& shape) {
  constexpr int kRounds = 3;
  constexpr double kNegligible = 1e-4;  // of the heaviest weight
  constexpr double kFilled = 0.4;       // share of the range that the likely places fill
  FocusPlaces result;
  Range range = widest_range(taken, conditions);
  for (int round = 0; round < kRounds; ++round) {
    result.places = scan(taken, conditions, shape, range);
    double first = range.to;
    double last = range.from;
    for (const FocusPlace& p : result.places) {
      if (p.weight < kNegligible) continue;
      first = std::min(first, p.position_steps);
      last = std::max(last, p.position_steps);
    }
    if (last - first > kFilled * (range.to - range.from)) break;
    const double step = (range.to - range.from) / (kPlaces - 1);
    range = {first - step, last + step};
  }
  double total = 0;
  double variance = 0;
  for (const FocusPlace& p : result.places) total += p.weight;
  for (const FocusPlace& p : result.places)
    result.mean_steps += p.weight / total * p.position_steps;
  for (FocusPlace& p : result.places) {
    variance += p.weight / total * std::pow(p.position_steps - result.mean_steps, 2);
    p.weight /= total;
  }
  result.sigma_steps = std::sqrt(variance);
  return result;
}

}  // namespace starwaist::advice
