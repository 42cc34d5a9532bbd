#include "curve/known_slope.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "curve/priors.h"
#include "curve/shape.h"
#include "curve/shape_fit.h"
#include "curve/verdict.h"
#include "starwaist/numbers.h"

namespace starwaist::curve {
namespace {

constexpr double kClearMass = 0.95;  // of the likelier of two places

// What is thought of the curve before any point is seen; best focus may be anywhere.
struct Belief {
  Shape shape;
  std::vector<TriedValue> sizes_px;  // in focus
  std::vector<TriedValue> slopes_px_per_step;
  std::vector<TriedValue> lopsidedness{{0, 0}};
  // Errors of a size beside its own sigma, over the curve: of every point, and what the seeing adds
  // in focus. How much larger both are in this run is tried.
  double scatter = 0;
  double scatter_of_seeing = 0;
  std::vector<TriedValue> scatter_factors;
  std::optional<BadPointPrior> bad;  // absent: every point is good
};

struct Grid {
  double first_steps = 0;
  double step_steps = 1;
  std::vector<double> mass;

  [[nodiscard]] double steps(double index) const { return first_steps + step_steps * index; }
  // Place below which a part `share` of the whole mass between two indices lies.
  [[nodiscard]] double quantile(std::size_t begin, std::size_t end, double share) const {
    double total = 0;
    for (std::size_t i = begin; i < end; ++i) total += mass[i];
    double sum = 0;
    for (std::size_t i = begin; i < end; ++i) {
      if (sum + mass[i] >= share * total) {
        return steps(static_cast<double>(i) - 0.5 + (share * total - sum) / mass[i]);
      }
      sum += mass[i];
    }
    return steps(static_cast<double>(end) - 1);
  }
};

struct Likeliest {
  double log_likelihood = -1e300;
  double size_px = 0;
  double slope_px_per_step = 0;
  double lopsidedness = 0;
  double place_steps = 0;
};

struct Posterior {
  Grid grid;
  Likeliest likeliest;
  std::vector<double> of_error;  // probability of each of Belief::scatter_factors
  std::vector<double> bad;       // probability of each point to be bad; empty where none may be
};

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

// Sums over all that is tried, weighed by a likelihood whose size is known only when it is met.
class Expectation {
 public:
  Expectation(std::size_t errors, std::size_t points) : of_error_(errors), bad_(points) {}

  void add(double log_weight, std::size_t error, const std::vector<double>& bad) {
    constexpr double kNothing = 30;  // ln of what cannot be told from nothing
    if (log_weight < top_ - kNothing) return;
    if (log_weight > top_) {
      const double less = std::exp(top_ - log_weight);
      total_ *= less;
      for (double& sum : of_error_) sum *= less;
      for (double& sum : bad_) sum *= less;
      top_ = log_weight;
    }
    const double weight = std::exp(log_weight - top_);
    total_ += weight;
    of_error_[error] += weight;
    for (std::size_t i = 0; i < bad.size(); ++i) bad_[i] += weight * bad[i];
  }
  void tell(Posterior& posterior, bool looks_for_bad) const {
    posterior.of_error = of_error_;
    for (double& share : posterior.of_error) share /= total_;
    if (!looks_for_bad) return;
    posterior.bad = bad_;
    for (double& share : posterior.bad) share /= total_;
  }

 private:
  double top_ = -1e300;
  double total_ = 0;
  std::vector<double> of_error_;
  std::vector<double> bad_;
};

// The curve where a point is.
struct OnCurve {
  double size_px;
  double error_px;  // of a size there, beside the point's own
};

OnCurve on_curve(const Belief& belief, double u, double lopsidedness, double smallest_px) {
  const auto at = [&](const auto& value) {
    OnCurve curve{smallest_px * value.h, belief.scatter};
    if (belief.scatter_of_seeing > 0) {
      const double of_seeing = belief.scatter_of_seeing * seeing_share(value, u);
      curve.error_px = std::sqrt(belief.scatter * belief.scatter + of_seeing * of_seeing);
    }
    curve.error_px *= curve.size_px;
    return curve;
  };
  return lopsidedness == 0 ? at(belief.shape.at(u)) : at(belief.shape.at(u, lopsidedness));
}

// `bad` takes the points' probabilities to be bad where they may be.
double log_likelihood(const std::vector<CurvePoint>& points, const std::vector<OnCurve>& curve,
                      double factor, const std::optional<BadPointPrior>& may_be_bad,
                      std::vector<double>& bad) {
  double sum = 0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const CurvePoint& p = points[i];
    const double size = curve[i].size_px;
    const double beside = factor * curve[i].error_px;
    const double sigma = p.sigma_px ? std::hypot(*p.sigma_px, beside) : beside;
    const double deviation = (*p.size_px - size) / sigma;
    if (!may_be_bad) {
      sum -= 0.5 * deviation * deviation + std::log(sigma);
      continue;
    }
    const double root_of_two_pi = 2.5066282746310002;
    const double good =
        (1 - may_be_bad->share) / (root_of_two_pi * sigma) * std::exp(-0.5 * deviation * deviation);
    const double not_good = may_be_bad->share * may_be_bad->density(*p.size_px, size);
    sum += std::log(good + not_good);
    bad[i] = not_good / (good + not_good);
  }
  return sum;
}

// `places` of best focus, evenly from `first` to `last`.
Posterior posterior(const std::vector<CurvePoint>& points, const Belief& belief, double first,
                    double last, int places) {
  Posterior result;
  result.grid = {first, (last - first) / (places - 1),
                 std::vector<double>(static_cast<std::size_t>(places))};
  std::vector<double> logs(static_cast<std::size_t>(places), -1e300);
  std::vector<double> values(belief.sizes_px.size() * belief.slopes_px_per_step.size() *
                             belief.lopsidedness.size() * belief.scatter_factors.size());
  std::vector<OnCurve> curve(points.size());
  std::vector<double> bad(belief.bad ? points.size() : 0);
  Expectation expectation(belief.scatter_factors.size(), bad.size());
  for (int i = 0; i < places; ++i) {
    const double place = result.grid.steps(i);
    std::size_t next = 0;
    double top = -1e300;
    for (const TriedValue& size : belief.sizes_px) {
      for (const TriedValue& slope : belief.slopes_px_per_step) {
        for (const TriedValue& a : belief.lopsidedness) {
          for (std::size_t k = 0; k < points.size(); ++k) {
            const double u = slope.value * (points[k].position_steps - place) / size.value;
            curve[k] = on_curve(belief, u, a.value, size.value);
          }
          for (std::size_t e = 0; e < belief.scatter_factors.size(); ++e) {
            const TriedValue& factor = belief.scatter_factors[e];
            const double value =
                log_likelihood(points, curve, factor.value, belief.bad, bad) +
                (size.log_prior + slope.log_prior + a.log_prior + factor.log_prior);
            values[next++] = value;
            top = std::max(top, value);
            expectation.add(value, e, bad);
            if (value > result.likeliest.log_likelihood) {
              result.likeliest = {value, size.value, slope.value, a.value, place};
            }
          }
        }
      }
    }
    double sum = 0;
    for (const double value : values) sum += std::exp(value - top);
    logs[static_cast<std::size_t>(i)] = top + std::log(sum);
  }
  const double top = *std::max_element(logs.begin(), logs.end());
  for (std::size_t i = 0; i < logs.size(); ++i) result.grid.mass[i] = std::exp(logs[i] - top);
  expectation.tell(result, belief.bad.has_value());
  return result;
}

// No place farther off explains the largest size.
double reach_steps(const Seen& seen, double slope_px_per_step) {
  return 1.5 * seen.largest_px / slope_px_per_step;
}

// The places between which the mass sinks below a thousandth of its top, each with its share.
struct Hill {
  std::size_t begin = 0;
  std::size_t end = 0;
  double share = 0;
};

std::vector<Hill> hills(const Grid& grid) {
  constexpr double kLow = 1e-3;
  std::vector<Hill> found;
  double total = 0;
  bool inside = false;
  for (std::size_t i = 0; i < grid.mass.size(); ++i) {
    total += grid.mass[i];
    if (grid.mass[i] < kLow) {
      inside = false;
      continue;
    }
    if (!inside) found.push_back({i, i, 0});
    inside = true;
    found.back().end = i + 1;
    found.back().share += grid.mass[i];
  }
  for (Hill& hill : found) hill.share /= total;
  std::sort(found.begin(), found.end(),
            [](const Hill& a, const Hill& b) { return a.share > b.share; });
  return found;
}

// Likeliest first. One position tells the distance and not the side: two answers, however near.
std::vector<Hill> places_of(const std::vector<CurvePoint>& points, const Grid& grid) {
  const bool one_place = std::all_of(points.begin(), points.end(), [&points](const CurvePoint& p) {
    return p.position_steps == points.front().position_steps;
  });
  if (!one_place) return hills(grid);
  const std::size_t half = grid.mass.size() / 2;
  return {{0, half, 0.5}, {half, grid.mass.size(), 0.5}};
}

// "4980 +- 12 or at 5110 +- 15"
std::string words_of(const std::vector<Hill>& places, const Grid& grid) {
  const auto words = [&grid](const Hill& hill) {
    const double spread = 0.5 * (grid.quantile(hill.begin, hill.end, 0.8413) -
                                 grid.quantile(hill.begin, hill.end, 0.1587));
    return format_like_sigma(grid.quantile(hill.begin, hill.end, 0.5), spread) + " +- " +
           format_like_sigma(spread, spread);
  };
  return words(places[0]) + (places.size() > 1 ? " or at " + words(places[1]) : "");
}

void locate(const Posterior& found, const Hill& first, const Rig& rig, KnownSlopeAnswer& answer) {
  const Grid& grid = found.grid;
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

Belief by_rig(const Shape& shape, double slope_px_per_step, double smallest_seen_px) {
  // Sizes in focus that are tried, as parts of the smallest one seen, evenly in the logarithm.
  constexpr double kSmallestPart = 0.15;
  constexpr int kSizes = 12;
  Belief belief;
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

// From so many points on one of them may be bad: of fewer none is told from a good one.
constexpr std::size_t kFewestWithBad = 4;
constexpr double kMostBad = 1.0 / 3;  // of the points; beyond, they contradict the slope

// How closely the unknown is tried: the places are looked for with few values, then told with many.
struct Fineness {
  int sizes;
  int slopes;
  bool lopsided;
  int places;
};
constexpr Fineness kSearch{9, 5, false, 600};
constexpr Fineness kTelling{21, 7, true, 300};

Belief by_arms(const KnownArms& arms, const Shape& shape, std::size_t points,
               const Fineness& fineness) {
  constexpr double kSizeReach = 5;  // in spreads
  constexpr double kSlopeReach = 2.25;
  Belief belief;
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

// The part of a grid outside of which hardly any mass lies, a place more on both sides.
std::pair<double, double> where_mass_is(const Grid& grid) {
  constexpr double kTail = 1e-6;
  double total = 0;
  for (const double mass : grid.mass) total += mass;
  std::size_t begin = 0;
  std::size_t end = grid.mass.size() - 1;
  for (double sum = grid.mass[begin]; begin < end && sum < kTail * total; sum += grid.mass[begin]) {
    ++begin;
  }
  for (double sum = grid.mass[end]; end > begin && sum < kTail * total; sum += grid.mass[end]) {
    --end;
  }
  return {grid.steps(static_cast<double>(begin) - 1), grid.steps(static_cast<double>(end) + 1)};
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
std::string contradiction(const std::vector<CurvePoint>& points, const Posterior& found,
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
  const Posterior found = posterior(points, by_rig(shape, *slope, seen.smallest_px),
                                    seen.low_steps - reach, seen.high_steps + reach, kRigPlaces);
  const std::vector<Hill> places = places_of(points, found.grid);
  KnownSlopeAnswer answer;
  const std::string slope_words = "the slope of the arms is the rig's (" +
                                  format_like_sigma(*slope, kRigSlopeError * *slope) +
                                  " px per step) and nothing checks it";
  const std::string count = "only " + count_of(points.size(), "usable point") + ": ";
  if (places.front().share < kClearMass) {
    answer.reason = count + "best focus may lie at " + words_of(places, found.grid) + " steps; " +
                    slope_words + ". Take a frame on the other side";
    return answer;
  }
  locate(found, places.front(), rig, answer);
  describe(found.likeliest, CurveModel::blur,
           {.obstruction = obstruction, .seeing = SeeingProfile::kolmogorov}, answer);
  answer.reason = count + slope_words;
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
  const Posterior wide = posterior(points, by_arms(arms, shape, points.size(), kSearch),
                                   seen.low_steps - reach, seen.high_steps + reach, kSearch.places);
  const auto [low, high] = where_mass_is(wide.grid);
  const Posterior found =
      posterior(points, by_arms(arms, shape, points.size(), kTelling), low, high, kTelling.places);
  KnownSlopeAnswer answer;
  answer.reason = contradiction(points, found, arms);
  if (!answer.reason.empty()) return answer;
  const bool few = points.size() < static_cast<std::size_t>(VerdictRules::kFewestPoints);
  const std::vector<Hill> places = places_of(points, found.grid);
  if (places.front().share < kClearMass) {
    if (few) {
      answer.reason = "by " + slope_of(arms) + " of " + std::to_string(arms.runs) +
                      " other runs best focus may lie at " + words_of(places, found.grid) +
                      " steps. Take a frame on the other side";
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
  answer.reason = slope_of(arms) + " and the size in focus (" +
                  plus_minus(arms.min_size_px, arms.min_size_px * arms.min_size_relative_spread) +
                  " px) are those of " + std::to_string(arms.runs) + " other runs";
  answer.reason = few ? "only " + count_of(points.size(), "usable point") + ": " + answer.reason +
                            ", and nothing in this run checks them"
                      : answer.reason + ": by itself this run gives no best focus that can be used";
  return answer;
}

}  // namespace starwaist::curve
