#include "curve/known_slope.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "curve/curve_shape.h"
#include "curve/focus_grid.h"
#include "curve/priors.h"
#include "curve/slope_posterior.h"
#include "curve/verdict.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"

namespace starwaist::curve {
namespace {

constexpr double kClearMass = 0.95;  // of the likelier of two places

// The largest and smallest of what was seen.
struct Seen {
  double low_steps;
  double high_steps;
  double smallest_px;
  double largest_px;

  explicit Seen(const std::vector<CurvePoint>& points)
      : low_steps(points.front().position_steps),
        high_steps(low_steps),
        smallest_px(*points.front().size_px),
        largest_px(smallest_px) {
    for (const CurvePoint& p : points) {
      low_steps = std::min(low_steps, p.position_steps);
      high_steps = std::max(high_steps, p.position_steps);
      largest_px = std::max(largest_px, *p.size_px);
      smallest_px = std::min(smallest_px, *p.size_px);
    }
  }
};

// No place farther off explains the largest size.
double reach_steps(const Seen& seen, double slope_px_per_step) {
  return 1.5 * seen.largest_px / slope_px_per_step;
}

// Likeliest first. One position gives the distance and not the side: two answers, however near.
std::vector<Hill> places_of(const std::vector<CurvePoint>& points, const FocusGrid& grid) {
  const bool one_place = std::all_of(points.begin(), points.end(), [&points](const CurvePoint& p) {
    return p.position_steps == points.front().position_steps;
  });
  if (!one_place) return hills(grid);
  const std::size_t half = grid.mass.size() / 2;
  return {{0, half, 0.5}, {half, grid.mass.size(), 0.5}};
}

// "4980 +- 12 or at 5110 +- 15"
std::string words_of(const std::vector<Hill>& places, const FocusGrid& grid) {
  const auto words = [&grid](const Hill& hill) {
    const double spread = 0.5 * (grid.quantile(hill.begin, hill.end, 0.8413) -
                                 grid.quantile(hill.begin, hill.end, 0.1587));
    return format_like_sigma(grid.quantile(hill.begin, hill.end, 0.5), spread) + " +- " +
           format_like_sigma(spread, spread);
  };
  return words(places[0]) + (places.size() > 1 ? " or at " + words(places[1]) : "");
}

void locate(const SlopePosterior& found, const Hill& first, const Rig& rig,
            KnownSlopeAnswer& answer) {
  const FocusGrid& grid = found.grid;
  const std::size_t all = grid.mass.size();
  answer.best_focus_steps = grid.quantile(first.begin, first.end, 0.5);
  answer.interval_68_steps = {grid.quantile(0, all, 0.1587), grid.quantile(0, all, 0.8413)};
  answer.interval_95_steps = {grid.quantile(0, all, 0.025), grid.quantile(0, all, 0.975)};
  answer.sigma_steps = 0.5 * (*answer.interval_68_steps.high - *answer.interval_68_steps.low);
  const auto zone = critical_focus_zone_steps(rig);
  if (!rig.known() || !zone) return;
  double inside = 0;
  double total = 0;
  for (std::size_t i = 0; i < all; ++i) {
    total += grid.mass[i];
    const double off = std::abs(grid.steps(static_cast<double>(i)) - *answer.best_focus_steps);
    if (off <= 0.5 * *zone) inside += grid.mass[i];
  }
  answer.probability_in_zone = inside / total;
}

void describe(const Likeliest& likeliest, CurveModel model, const FocusCurve::Blur& blur,
              KnownSlopeAnswer& answer) {
  answer.model.model = model;
  answer.model.best_focus_steps = answer.best_focus_steps;
  answer.model.best_focus_sigma_steps = answer.sigma_steps;
  answer.model.interval_68_steps = answer.interval_68_steps;
  answer.model.interval_95_steps = answer.interval_95_steps;
  answer.model.min_size_px = likeliest.size_px;
  answer.model.slope_px_per_step = likeliest.slope_px_per_step;
  answer.model.weight = 1;
  FocusCurve curve{.centre_steps = likeliest.place_steps,
                   .min_size_px = likeliest.size_px,
                   .slope_px_per_step = likeliest.slope_px_per_step,
                   .lopsidedness = {},
                   .blur = blur};
  if (likeliest.lopsidedness != 0) curve.lopsidedness = likeliest.lopsidedness;
  answer.model.parameters = curve;
}

// Normal nodes in `values`, evenly over +-`reach` sigmas.
std::vector<TriedValue> slopes_about(double slope, double relative_sigma, int count, double reach) {
  std::vector<TriedValue> slopes;
  for (int i = 0; i < count; ++i) {
    const double z = reach * (2.0 * i / (count - 1) - 1);
    slopes.push_back({slope * (1 + relative_sigma * z), -0.5 * z * z});
  }
  return slopes;
}

// --- by the rig ---

constexpr int kRigPlaces = 1500;

SlopeBelief by_rig(const Shape& shape, double slope_px_per_step, double smallest_seen_px) {
  // Sizes in focus that are tried, as parts of the smallest one seen, evenly in the logarithm.
  constexpr double kSmallestPart = 0.15;
  constexpr int kSizes = 12;
  SlopeBelief belief;
  belief.shape = shape;
  for (int k = 0; k < kSizes; ++k) {
    belief.sizes_px.push_back(
        {smallest_seen_px * 1.05 * std::pow(kSmallestPart, k / (kSizes - 1.0)), 0});
  }
  belief.slopes_px_per_step = slopes_about(slope_px_per_step, kRigSlopeError, 5, 1.5);
  belief.scatter = kErrorByRig;
  belief.scatter_factors = {{1, 0}};
  return belief;
}

// --- by other runs ---

// From so many points on one of them may be bad: of fewer none can be distinguished from a good
// one.
constexpr std::size_t kFewestWithBad = 4;
constexpr double kMostBad = 1.0 / 3;  // of the points; beyond, they contradict the slope

// How closely the unknown is tried: the places are looked for with few values, then weighed with
// many.
struct Fineness {
  int sizes;
  int slopes;
  bool lopsided;
  int places;
};

constexpr Fineness kSearch{9, 5, false, 600};
constexpr Fineness kAnswer{21, 7, true, 300};

SlopeBelief by_arms(const KnownArms& arms, const Shape& shape, std::size_t points,
                    const Fineness& fineness) {
  constexpr double kSizeReach = 5;  // in spreads
  constexpr double kSlopeReach = 2.25;
  SlopeBelief belief;
  belief.shape = shape;
  for (int k = 0; k < fineness.sizes; ++k) {
    const double z = kSizeReach * (2.0 * k / (fineness.sizes - 1) - 1);
    belief.sizes_px.push_back({arms.min_size_px * std::exp(arms.min_size_relative_spread * z),
                               -0.5 * (kSizeDegrees + 1) * std::log1p(z * z / kSizeDegrees)});
  }
  belief.slopes_px_per_step =
      slopes_about(arms.slope_px_per_step, arms.slope_relative_sigma, fineness.slopes, kSlopeReach);
  if (fineness.lopsided) {
    // Half of the lopsided ones either way by its standard deviation: the same variance.
    belief.lopsidedness = {{-kLopsided, std::log(0.5 * kLopsidedShareByArms)},
                           {0, std::log(1 - kLopsidedShareByArms)},
                           {kLopsided, std::log(0.5 * kLopsidedShareByArms)}};
  }
  belief.scatter = std::max(arms.scatter_far_out, kShapeErrorByArms);
  belief.scatter_of_seeing = arms.scatter_of_seeing;
  for (const ScatterLevel& level : kScatterLevels) {
    belief.scatter_factors.push_back({level.factor, std::log(level.share)});
  }
  if (points >= kFewestWithBad) belief.bad = kBadPointByArms;
  return belief;
}

std::string plus_minus(double value, double spread) {
  return format_like_sigma(value, spread) + " +- " + format_like_sigma(spread, spread);
}

std::string slope_of(const KnownArms& arms) {
  return "the slope of the arms (" +
         plus_minus(arms.slope_px_per_step, arms.slope_px_per_step * arms.slope_relative_sigma) +
         " px per step)";
}

// Empty: the points go with the slope.
std::string contradiction(const std::vector<CurvePoint>& points, const SlopePosterior& found,
                          const KnownArms& arms) {
  const std::string of_others = slope_of(arms) + " of " + std::to_string(arms.runs) + " other runs";
  double bad = 0;
  for (const double probability : found.bad) bad += probability;
  if (bad > kMostBad * static_cast<double>(points.size())) {
    return "the points contradict " + of_others + ": about " + format_fixed(bad, 0) + " of the " +
           std::to_string(points.size()) + " lie on no curve with it";
  }
  if (found.of_error.back() > 0.5) {
    return "no curve with " + of_others + " passes through the points: they would scatter by " +
           format_fixed(kScatterLevels.back().factor, 0) + " times what is usual";
  }
  return {};
}

}  // namespace

std::optional<KnownSlopeAnswer> locate_by_rig(const std::vector<CurvePoint>& points,
                                              const Rig& rig) {
  const auto slope = arm_slope_px_per_step(rig);
  if (points.empty() || !slope || !rig.known()) return std::nullopt;
  const double obstruction = rig.obstruction.value_or(kObstructionOfRigSlope);
  const Shape shape = Shape::blur(SeeingProfile::kolmogorov, obstruction);
  const Seen seen(points);
  const double reach = reach_steps(seen, *slope);
  const SlopePosterior found =
      slope_posterior(points, by_rig(shape, *slope, seen.smallest_px),
                      {seen.low_steps - reach, seen.high_steps + reach, kRigPlaces});
  const std::vector<Hill> places = places_of(points, found.grid);
  KnownSlopeAnswer answer;
  const std::string slope_words = "the slope of the arms is the rig's (" +
                                  format_like_sigma(*slope, kRigSlopeError * *slope) +
                                  " px per step) and nothing checks it";
  const std::string count = "only " + count_of(points.size(), "usable point") + ": ";
  if (places.front().share < kClearMass) {
    answer.reason = {codes::side_open_by_rig_slope,
                     count + "best focus may lie at " + words_of(places, found.grid) + " steps; " +
                         slope_words + ". Take a frame on the other side"};
    return answer;
  }
  locate(found, places.front(), rig, answer);
  describe(found.likeliest, CurveModel::blur,
           {.obstruction = obstruction, .seeing = SeeingProfile::kolmogorov}, answer);
  answer.reason = {codes::rests_on_rig_slope, count + slope_words};
  return answer;
}

std::optional<KnownSlopeAnswer> locate_by_arms(const std::vector<CurvePoint>& points,
                                               const KnownArms& arms, const Rig& rig) {
  if (points.empty()) return std::nullopt;
  const double obstruction = rig.obstruction.value_or(kUsualObstruction);
  // Widths know little of the wings: of 3357 real sweeps 95 % are nearer to the Gaussian's curve.
  const SeeingProfile profile =
      arms.size == SizeMeasure::hfr ? SeeingProfile::kolmogorov : SeeingProfile::gaussian;
  const Shape shape = Shape::blur(profile, obstruction);
  const Seen seen(points);
  const double reach = reach_steps(seen, arms.slope_px_per_step);
  const SlopePosterior wide =
      slope_posterior(points, by_arms(arms, shape, points.size(), kSearch),
                      {seen.low_steps - reach, seen.high_steps + reach, kSearch.places});
  const auto [low, high] = where_mass_is(wide.grid);
  const SlopePosterior found = slope_posterior(points, by_arms(arms, shape, points.size(), kAnswer),
                                               {low, high, kAnswer.places});
  KnownSlopeAnswer answer;
  answer.reason = {codes::contradicts_other_runs, contradiction(points, found, arms)};
  if (!answer.reason.text.empty()) return answer;
  answer.reason = {};
  const bool few = points.size() < static_cast<std::size_t>(VerdictRules::kFewestPoints);
  const std::vector<Hill> places = places_of(points, found.grid);
  if (places.front().share < kClearMass) {
    if (few) {
      answer.reason = {codes::side_open_by_other_runs,
                       "by " + slope_of(arms) + " of " + std::to_string(arms.runs) +
                           " other runs best focus may lie at " + words_of(places, found.grid) +
                           " steps. Take a frame on the other side"};
    }
    return answer;
  }
  locate(found, places.front(), rig, answer);
  const double range = seen.high_steps - seen.low_steps;
  const double longest = few ? std::max(range, seen.largest_px / arms.slope_px_per_step) : range;
  if (*answer.interval_95_steps.high - *answer.interval_95_steps.low > longest)
    return KnownSlopeAnswer{};
  describe(found.likeliest, kModelOfArms, {.obstruction = obstruction, .seeing = profile}, answer);
  answer.bad = found.bad;
  const std::string rest =
      slope_of(arms) + " and the size in focus (" +
      plus_minus(arms.min_size_px, arms.min_size_px * arms.min_size_relative_spread) +
      " px) are those of " + std::to_string(arms.runs) + " other runs";
  answer.reason = {codes::rests_on_other_runs,
                   few ? "only " + count_of(points.size(), "usable point") + ": " + rest +
                             ", and nothing in this run checks them"
                       : rest + ": by itself this run gives no best focus that can be used"};
  return answer;
}

}  // namespace starwaist::curve
