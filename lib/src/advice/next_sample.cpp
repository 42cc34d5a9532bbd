// Where the next frame of a run helps most.
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "advice/information.h"
#include "starwaist/numbers.h"
#include "starwaist/plan.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace advice {
namespace {

struct Taken {
  double x;     // steps
  double size;  // px
};

// Prior on the night's curve: the rig's slope is good to some per cent, the size in focus to the
// seeing's whim. Standard deviations of the logarithms.
constexpr double kSlopeSpread = 0.08;
constexpr double kSizeSpread = 0.25;
// Of a star's size at the two ends of the bracket over the smallest seen.
constexpr double kClearlyLarger = 1.25;
// From a point so near to focus that its size tells no distance.
constexpr double kShortestMove = 2;    // B
constexpr double kFarthest = 3.0;      // B from best focus that a refining point lies at most
constexpr double kStopOverCore = 0.1;  // wanted sigma over B where no zone is known

// Best focus, size and slope by a posterior on a grid: few points with a prior leave it broad,
// lopsided or with two places, which a single best fit would hide.
class Posterior {
 public:
  Posterior(const std::vector<Taken>& taken, const NightFacts& night, const curve::Shape& shape)
      : taken_(taken), night_(night), shape_(shape) {
    const auto [low, high] = std::minmax_element(
        taken.begin(), taken.end(), [](const Taken& a, const Taken& b) { return a.x < b.x; });
    double reach = 0;
    for (const Taken& t : taken) reach = std::max(reach, t.size / night.slope_px_per_step);
    double from = low->x - 1.2 * reach - night.core_steps();
    double to = high->x + 1.2 * reach + night.core_steps();
    constexpr int kRounds = 3;
    for (int round = 0; round < kRounds; ++round) {
      scan(from, to);
      double first = to;
      double last = from;
      for (const Place& p : places_) {
        if (p.weight < 1e-4 * heaviest_) continue;
        first = std::min(first, p.x);
        last = std::max(last, p.x);
      }
      const double step = (to - from) / (kPlaces - 1);
      if ((last - first) > 0.4 * (to - from)) break;
      from = first - step;
      to = last + step;
    }
    double total = 0;
    for (const Place& p : places_) total += p.weight;
    for (const Place& p : places_) mean_ += p.weight / total * p.x;
    for (const Place& p : places_) variance_ += p.weight / total * std::pow(p.x - mean_, 2);
    for (Place& p : places_) p.weight /= total;
  }

  struct Place {
    double x = 0;
    double weight = 0;
    double smallest = 0;  // best at this place
    double slope = 0;
  };
  [[nodiscard]] const std::vector<Place>& places() const { return places_; }
  [[nodiscard]] double mean() const { return mean_; }
  [[nodiscard]] double sigma() const { return std::sqrt(variance_); }

 private:
  static constexpr int kPlaces = 61;

  // Gauss-Newton in ln size and ln slope with best focus held, then Laplace's volume.
  void scan(double from, double to) {
    places_.assign(kPlaces, {});
    std::vector<double> logs(kPlaces);
    double best = -std::numeric_limits<double>::infinity();
    for (int k = 0; k < kPlaces; ++k) {
      Place& p = places_[static_cast<std::size_t>(k)];
      p.x = from + (to - from) * k / (kPlaces - 1);
      double ln_size = std::log(night_.smallest_px);
      double ln_slope = std::log(night_.slope_px_per_step);
      double log_weight = 0;
      constexpr int kIterations = 6;
      for (int i = 0; i <= kIterations; ++i) {
        const double z_size = (ln_size - std::log(night_.smallest_px)) / kSizeSpread;
        const double z_slope = (ln_slope - std::log(night_.slope_px_per_step)) / kSlopeSpread;
        double a = 1 / (kSizeSpread * kSizeSpread);
        double b = 0;
        double c = 1 / (kSlopeSpread * kSlopeSpread);
        double ga = -z_size / kSizeSpread;
        double gc = -z_slope / kSlopeSpread;
        double log_likelihood = -0.5 * (z_size * z_size + z_slope * z_slope);
        for (const Taken& t : taken_) {
          const double h0 = std::exp(ln_size);
          const double u = std::exp(ln_slope) * (t.x - p.x) / h0;
          const curve::ShapeValue v = shape_.at(u);
          const double share = curve::seeing_share(v, u);
          const double variance = std::pow(night_.measuring_error, 2) +
                                  std::pow(night_.seeing_scatter * night_.seeing_share * share, 2);
          // Student's t with four degrees: a bad point must not lead astray.
          const double residual = std::log(t.size / (h0 * v.h));
          const double ratio = residual * residual / (4 * variance);
          log_likelihood -= 2.5 * std::log1p(ratio) + 0.5 * std::log(variance);
          const double weight = 1.25 / (variance * (1 + ratio));
          const double by_slope = u * v.slope / v.h;
          a += weight * share * share;
          b += weight * share * by_slope;
          c += weight * by_slope * by_slope;
          ga += weight * share * residual;
          gc += weight * by_slope * residual;
        }
        const double determinant = a * c - b * b;
        log_weight = log_likelihood - 0.5 * std::log(determinant);
        if (i == kIterations) break;
        ln_size += std::clamp((c * ga - b * gc) / determinant, -0.5, 0.5);
        ln_slope += std::clamp((a * gc - b * ga) / determinant, -0.3, 0.3);
      }
      p.smallest = std::exp(ln_size);
      p.slope = std::exp(ln_slope);
      logs[static_cast<std::size_t>(k)] = log_weight;
      best = std::max(best, log_weight);
    }
    heaviest_ = 1;
    for (int k = 0; k < kPlaces; ++k) {
      const auto i = static_cast<std::size_t>(k);
      places_[i].weight = std::exp(logs[i] - best);
    }
  }

  const std::vector<Taken>& taken_;
  const NightFacts& night_;
  const curve::Shape& shape_;
  std::vector<Place> places_;
  double heaviest_ = 1;
  double mean_ = 0;
  double variance_ = 0;
};

class Adviser {
 public:
  Adviser(std::vector<Taken> taken, const NightFacts& night, const Rig& rig,
          const NextSampleOptions& options)
      : taken_(std::move(taken)),
        night_(night),
        rig_(rig),
        options_(options),
        shape_(shape_of(night, rig)) {}

  NextSample run() {
    if (taken_.empty()) {
      answer_.bracketing = true;
      return go(options_.start_steps, "the first frame");
    }
    const Posterior posterior(taken_, night_, shape_);
    if (!enclosed()) return bracket(posterior);
    return refine(posterior);
  }

 private:
  NextSample& go(double position, const std::string& reason) {
    double whole = std::round(position);
    if (rig_.min_position_steps) whole = std::max(whole, std::ceil(*rig_.min_position_steps));
    if (rig_.max_position_steps) whole = std::min(whole, std::floor(*rig_.max_position_steps));
    answer_.next_position_steps = whole;
    answer_.reason = reason;
    return answer_;
  }

  [[nodiscard]] const Taken& smallest() const {
    return *std::min_element(taken_.begin(), taken_.end(),
                             [](const Taken& a, const Taken& b) { return a.size < b.size; });
  }

  // A clearly larger star on both sides of the smallest.
  [[nodiscard]] bool enclosed() const {
    const Taken& least = smallest();
    bool below = false;
    bool above = false;
    for (const Taken& t : taken_) {
      const bool larger = t.size > kClearlyLarger * least.size;
      below = below || (larger && t.x < least.x);
      above = above || (larger && t.x > least.x);
    }
    return below && above;
  }

  NextSample& bracket(const Posterior& posterior) {
    answer_.bracketing = true;
    if (static_cast<int>(taken_.size()) >= options_.most_points) {
      answer_.reason = "best focus was not enclosed in " + std::to_string(taken_.size()) +
                       " frames: check that the focuser moves";
      return answer_;
    }
    const double core = night_.core_steps();
    const Taken& least = smallest();
    if (taken_.size() == 1) {
      // One size tells the distance but not the side: to the likelier place on the roomier side,
      // and at least so far that the next size differs.
      const double distance =
          core *
          std::max(kShortestMove,
                   distance_of_ratio(shape_, std::max(1.0, least.size / night_.smallest_px)));
      return go(fits(least.x + distance) ? least.x + distance : least.x - distance,
                "the first move, to see on which side best focus lies");
    }
    // Beyond the likely place by a step that makes the star clearly larger, on the side that has
    // no larger star yet.
    bool below = false;
    bool above = false;
    for (const Taken& t : taken_) {
      if (!(t.size > kClearlyLarger * least.size)) continue;
      below = below || t.x < least.x;
      above = above || t.x > least.x;
    }
    const double away = core * 1.6;
    double target = posterior.mean();
    std::string reason = "where best focus is likely so far";
    const auto [low, high] = std::minmax_element(
        taken_.begin(), taken_.end(), [](const Taken& a, const Taken& b) { return a.x < b.x; });
    if (posterior.sigma() < core || (target < high->x && target > low->x)) {
      if (!above)
        target = std::max(target, least.x) + away;
      else
        target = std::min(target, least.x) - away;
      reason = "the other side of best focus, to enclose it";
    }
    for (const Taken& t : taken_) {
      // Never nearly the same place twice while bracketing.
      if (std::abs(t.x - target) < 0.3 * core) target += (above ? -1 : 1) * 0.8 * core;
    }
    if (!fits(target)) {
      const bool too_far = rig_.max_position_steps && target > *rig_.max_position_steps;
      const double limit = too_far ? *rig_.max_position_steps : *rig_.min_position_steps;
      for (const Taken& t : taken_) {
        if (std::abs(t.x - limit) < 1.0) {
          answer_.reason = "best focus lies beyond the focuser's limit " +
                           format_like_sigma(limit, 1.0) +
                           ": move the camera along the tube, or correct the limit";
          return answer_;
        }
      }
      reason += "; held at the focuser's limit";
    }
    return go(target, reason);
  }

  [[nodiscard]] bool fits(double position) const {
    return !(rig_.max_position_steps && position > *rig_.max_position_steps) &&
           !(rig_.min_position_steps && position < *rig_.min_position_steps);
  }

  // Variance of best focus (steps) averaged over where it may be, with one more point at `extra`.
  [[nodiscard]] double variance_with(const Posterior& posterior,
                                     std::optional<double> extra) const {
    const PointNoise noise{night_.measuring_error, night_.seeing_scatter * night_.seeing_share, 1};
    double sum = 0;
    double total = 0;
    for (const Posterior::Place& p : posterior.places()) {
      if (p.weight < 1e-3) continue;
      const double core = p.smallest / p.slope;
      Information information;
      for (const Taken& t : taken_) information.add(shape_, (t.x - p.x) / core, noise);
      if (extra) information.add(shape_, (*extra - p.x) / core, noise);
      const auto sigma = information.sigma();
      const double bound = sigma ? *sigma * core : 1e3 * core;
      sum += p.weight * bound * bound;
      total += p.weight;
    }
    return sum / total;
  }

  [[nodiscard]] std::string missing_for_trust(double best) const {
    const int n = static_cast<int>(taken_.size());
    std::vector<double> positions;
    int below = 0;
    int above = 0;
    for (const Taken& t : taken_) {
      positions.push_back(t.x);
      below += t.x < best ? 1 : 0;
      above += t.x > best ? 1 : 0;
    }
    std::sort(positions.begin(), positions.end());
    const auto distinct = std::unique(positions.begin(), positions.end()) - positions.begin();
    if (n < VerdictRules::kTrustedPoints) return "points";
    if (distinct < VerdictRules::kTrustedPositions) return "positions";
    if (below < VerdictRules::kPointsPerSide) return "below";
    if (above < VerdictRules::kPointsPerSide) return "above";
    return {};
  }

  NextSample& refine(const Posterior& posterior) {
    const double core = night_.core_steps();
    const double best = posterior.mean();
    const int n = static_cast<int>(taken_.size());
    answer_.best_focus_steps = best;
    answer_.sigma_steps = std::sqrt(variance_with(posterior, std::nullopt)) * fit_cost(n);
    double wanted = kStopOverCore * core;
    if (const auto zone = critical_focus_zone_steps(rig_)) {
      wanted = 0.5 * *zone / normal_quantile(0.975);
    }
    wanted = options_.wanted_sigma_steps.value_or(wanted);
    const std::string missing = missing_for_trust(best);
    if (*answer_.sigma_steps <= wanted && missing.empty()) {
      answer_.enough = true;
      answer_.reason = "best focus is known to ±" +
                       format_like_sigma(*answer_.sigma_steps, std::nullopt) +
                       " steps, wanted were " + format_like_sigma(wanted, std::nullopt);
      return answer_;
    }
    if (n >= options_.most_points) {
      answer_.reason = "the run has its " + std::to_string(n) + " frames";
      return answer_;
    }
    double least = std::numeric_limits<double>::infinity();
    std::optional<double> next;
    constexpr int kCandidates = 41;
    for (int k = 0; k < kCandidates; ++k) {
      const double u = kFarthest * (2.0 * k / (kCandidates - 1) - 1);
      const double position = std::round(best + u * core);
      if (!fits(position)) continue;
      if (missing == "below" && position >= best) continue;
      if (missing == "above" && position <= best) continue;
      const bool again = std::any_of(taken_.begin(), taken_.end(), [&](const Taken& t) {
        return std::abs(t.x - position) < 0.5;
      });
      if (again && (missing == "positions" || missing == "points")) continue;
      const double variance = variance_with(posterior, position);
      if (variance < least) {
        least = variance;
        next = position;
      }
    }
    if (!next) {
      answer_.reason = "the focuser's limits leave no useful position";
      return answer_;
    }
    answer_.sigma_after_steps = std::sqrt(least) * fit_cost(n + 1);
    return go(*next, "lowers the uncertainty of best focus most: to ±" +
                         format_like_sigma(*answer_.sigma_after_steps, std::nullopt) + " from ±" +
                         format_like_sigma(*answer_.sigma_steps, std::nullopt) + " steps");
  }

  std::vector<Taken> taken_;
  const NightFacts& night_;
  const Rig& rig_;
  const NextSampleOptions& options_;
  curve::Shape shape_;
  NextSample answer_;
};

}  // namespace
}  // namespace advice

Result<NextSample> next_sample(std::span<const CurvePoint> points, const NightFacts& night,
                               const Rig& rig, const NextSampleOptions& options) {
  if (auto sound = advice::check_night(night); !sound) {
    return tl::unexpected<Error>(sound.error());
  }
  const auto valid = checked(rig);
  if (!valid) return tl::unexpected<Error>(valid.error());
  std::vector<advice::Taken> taken;
  for (const CurvePoint& p : points) {
    if (!p.size_px || !p.used) continue;
    if (!std::isfinite(p.position_steps) || !std::isfinite(*p.size_px) || !(*p.size_px > 0)) {
      return fail(ErrorCode::invalid_argument,
                  p.file + ": position and size must be finite numbers, the size above 0",
                  "Leave the point out");
    }
    taken.push_back({p.position_steps, *p.size_px});
  }
  if (!std::isfinite(options.start_steps)) {
    return fail(ErrorCode::invalid_argument, "the start is not a number", "Give a position");
  }
  return advice::Adviser(std::move(taken), night, *valid, options).run();
}

}  // namespace starwaist
