#include "curve/few_points.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "curve/shape.h"
#include "starwaist/numbers.h"

namespace starwaist::curve {
namespace {

// Error of a size beside its own sigma: what the seeing and the shape of the rings leave.
constexpr double kRelativeError = 0.03;
// A step's length and the obstruction are seldom known better.
constexpr double kSlopeError = 0.1;
// Sizes in focus that are tried, as parts of the smallest one seen, evenly in the logarithm.
constexpr double kSmallestPart = 0.15;
constexpr int kSizes = 12;
constexpr std::array kSlopes{-1.5, -0.75, 0.0, 0.75, 1.5};  // in kSlopeError
constexpr int kPlaces = 1500;
constexpr double kClearMass = 0.95;  // of the likelier of two places

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
  double place_steps = 0;
};

double log_likelihood(const std::vector<CurvePoint>& points, const Shape& shape, double place,
                      double size, double slope) {
  double sum = 0;
  for (const CurvePoint& p : points) {
    const double curve = size * shape.at(slope * (p.position_steps - place) / size).h;
    const double sigma = std::hypot(p.sigma_px.value_or(0.0), kRelativeError * curve);
    const double deviation = (*p.size_px - curve) / sigma;
    sum -= 0.5 * deviation * deviation + std::log(sigma);
  }
  return sum;
}

Grid posterior(const std::vector<CurvePoint>& points, const Shape& shape, double slope_px_per_step,
               Likeliest& likeliest) {
  double low = points.front().position_steps;
  double high = low;
  double largest = 0;
  double smallest = *points.front().size_px;
  for (const CurvePoint& p : points) {
    low = std::min(low, p.position_steps);
    high = std::max(high, p.position_steps);
    largest = std::max(largest, *p.size_px);
    smallest = std::min(smallest, *p.size_px);
  }
  // No place farther off explains the largest size.
  const double reach = 1.5 * largest / slope_px_per_step;
  Grid grid{low - reach, (high - low + 2 * reach) / (kPlaces - 1), std::vector<double>(kPlaces)};
  std::vector<double> logs(kPlaces, -1e300);
  for (int i = 0; i < kPlaces; ++i) {
    const double place = grid.steps(i);
    std::array<double, kSizes * kSlopes.size()> values{};
    std::size_t next = 0;
    double top = -1e300;
    for (int k = 0; k < kSizes; ++k) {
      const double size = smallest * 1.05 * std::pow(kSmallestPart, k / (kSizes - 1.0));
      for (const double s : kSlopes) {
        const double slope = slope_px_per_step * (1 + kSlopeError * s);
        const double value = log_likelihood(points, shape, place, size, slope) - 0.5 * s * s;
        values[next++] = value;
        top = std::max(top, value);
        if (value > likeliest.log_likelihood) likeliest = {value, size, slope, place};
      }
    }
    double sum = 0;
    for (const double value : values) sum += std::exp(value - top);
    logs[static_cast<std::size_t>(i)] = top + std::log(sum);
  }
  const double top = *std::max_element(logs.begin(), logs.end());
  for (std::size_t i = 0; i < logs.size(); ++i) grid.mass[i] = std::exp(logs[i] - top);
  return grid;
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

}  // namespace

std::optional<FewPointsAnswer> locate_by_rig(const std::vector<CurvePoint>& points,
                                             const Rig& rig) {
  const auto slope = arm_slope_px_per_step(rig);
  if (points.empty() || !slope || !rig.known()) return std::nullopt;
  const double obstruction = rig.obstruction.value_or(0.0);
  const Shape shape = Shape::blur(SeeingProfile::kolmogorov, obstruction);
  Likeliest likeliest;
  const Grid grid = posterior(points, shape, *slope, likeliest);
  // One place tells the distance and not the side: two answers, however near it is.
  const bool one_place = std::all_of(points.begin(), points.end(), [&points](const CurvePoint& p) {
    return p.position_steps == points.front().position_steps;
  });
  const std::size_t half = grid.mass.size() / 2;
  const std::vector<Hill> places =
      one_place ? std::vector<Hill>{{0, half, 0.5}, {half, grid.mass.size(), 0.5}} : hills(grid);
  FewPointsAnswer answer;
  const std::string slope_words = "the slope of the arms is the rig's (" +
                                  format_like_sigma(*slope, 0.1 * *slope) +
                                  " px per step) and nothing checks it";
  const std::string count =
      std::to_string(points.size()) + (points.size() == 1 ? " usable point: " : " usable points: ");
  const Hill& first = places.front();
  const auto middle = [&](const Hill& hill) { return grid.quantile(hill.begin, hill.end, 0.5); };
  const auto spread = [&](const Hill& hill) {
    return 0.5 * (grid.quantile(hill.begin, hill.end, 0.8413) -
                  grid.quantile(hill.begin, hill.end, 0.1587));
  };
  const auto words = [&](const Hill& hill) {
    return format_like_sigma(middle(hill), spread(hill)) + " +- " +
           format_like_sigma(spread(hill), spread(hill));
  };
  if (first.share < kClearMass) {
    answer.reason = "only " + count + "best focus may lie at " + words(first);
    if (places.size() > 1) answer.reason += " or at " + words(places[1]);
    answer.reason += " steps; " + slope_words + ". Take a frame on the other side";
    return answer;
  }
  const std::size_t all = grid.mass.size();
  answer.best_focus_steps = middle(first);
  answer.interval_68_steps = {grid.quantile(0, all, 0.1587), grid.quantile(0, all, 0.8413)};
  answer.interval_95_steps = {grid.quantile(0, all, 0.025), grid.quantile(0, all, 0.975)};
  answer.sigma_steps = 0.5 * (*answer.interval_68_steps.high - *answer.interval_68_steps.low);
  if (const auto zone = critical_focus_zone_steps(rig)) {
    double inside = 0;
    double total = 0;
    for (std::size_t i = 0; i < all; ++i) {
      total += grid.mass[i];
      const double off = std::abs(grid.steps(static_cast<double>(i)) - *answer.best_focus_steps);
      if (off <= 0.5 * *zone) inside += grid.mass[i];
    }
    answer.probability_in_zone = inside / total;
  }
  answer.model.model = model_name(CurveModel::blur);
  answer.model.best_focus_steps = answer.best_focus_steps;
  answer.model.best_focus_sigma_steps = answer.sigma_steps;
  answer.model.interval_68_steps = answer.interval_68_steps;
  answer.model.interval_95_steps = answer.interval_95_steps;
  answer.model.min_size_px = likeliest.size_px;
  answer.model.slope_px_per_step = likeliest.slope_px_per_step;
  answer.model.weight = 1;
  answer.model.parameters = {{"centre_steps", likeliest.place_steps},
                             {"min_size_px", likeliest.size_px},
                             {"slope_px_per_step", likeliest.slope_px_per_step},
                             {"obstruction", obstruction},
                             {"kolmogorov_seeing", 1.0}};
  answer.reason = "only " + count + slope_words;
  return answer;
}

}  // namespace starwaist::curve
