#include "starwaist/backlash.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>

#include "advice/information.h"
#include "advice/joint_fit.h"
#include "advice/night.h"
#include "curve/shape_fit.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace advice {
namespace {

// Widths tried, in half ranges of the positions: a little below 0, so that sweeps that disagree the
// wrong way show, up to the whole range.
constexpr double kLeastWidth = -0.6;
constexpr double kMostWidth = 2;
constexpr int kCoarse = 44;
constexpr int kNarrowings = 3;
constexpr int kFreshStarts = 3;  // of the first search, at every third width
constexpr int kFine = 81;
constexpr double kNegligible = 12;    // of a log posterior below its highest
constexpr double kFirstError = 0.04;  // relative, before the noise is known
constexpr double kOutlier = 3.5;      // robust standard deviations
// Best focus, size, slope, drift and width are free; those with a prior take about one more.
constexpr double kFitted = 6;
constexpr double kLuckiestVariance = 0.1;
constexpr double kFreeDrift = 20;  // half zones over the record: as good as no prior
constexpr double kJumpPrior = 0.1;
// Standard deviation of the slack, in B, from what the fitted shape with its lopsidedness and its
// stretch still leaves of curves by wave optics. Small: the arms of a sweep tell its middle.
constexpr double kShapeError = 0.002;
constexpr double kBetweenPrior = 0.3;  // of a slack that is partly taken up when the record begins
constexpr double kTemperatureChange = 0.3;  // degrees between sweeps that deserve a word

std::string steps_text(double value) { return format_like_sigma(value, std::nullopt); }

// A run of points in one direction.
struct Segment {
  std::size_t record = 0;
  bool begins_record = false;
  int direction = 1;
  std::vector<std::size_t> points;  // into the samples
};

struct Scale {
  double centre = 0;
  double half_range = 1;
  double size = 1;
};

struct Data {
  JointSamples samples;
  std::vector<std::optional<double>> own_sigma;    // relative
  std::vector<std::optional<double>> temperature;  // degrees
  std::vector<Segment> segments;
  Scale scale;
};

Result<Data> collect(std::span<const SweepRecord> records, const Rig& rig) {
  Data data;
  std::vector<double> positions;
  std::vector<double> sizes;
  for (const SweepRecord& record : records) {
    for (const CurvePoint& p : record) {
      if (!p.size_px) continue;
      if (!std::isfinite(p.position_steps) || !std::isfinite(*p.size_px) || !(*p.size_px > 0)) {
        return fail(ErrorCode::invalid_argument,
                    p.file + ": position and size must be finite numbers, the size above 0",
                    "Leave the point out");
      }
      positions.push_back(p.position_steps);
      sizes.push_back(*p.size_px);
    }
  }
  if (sizes.empty()) return data;
  const auto [low, high] = std::minmax_element(positions.begin(), positions.end());
  data.scale.centre = *low + 0.5 * (*high - *low);
  data.scale.half_range = *high > *low ? 0.5 * (*high - *low) : 1;
  data.scale.size = median(sizes);
  JointSamples& s = data.samples;
  for (std::size_t r = 0; r < records.size(); ++r) {
    bool first = true;
    int direction = 0;
    for (const CurvePoint& p : records[r]) {
      if (!p.size_px) continue;
      const double x = (p.position_steps - data.scale.centre) / data.scale.half_range;
      if (first) s.record_start.push_back(s.count());
      const int before = direction;
      if (!first && x > s.x.back()) direction = 1;
      if (!first && x < s.x.back()) direction = -1;
      if (before == 0 && direction != 0) {
        // The first points share the direction of the first move that is seen.
        for (std::size_t i = s.record_start.back(); i < s.count(); ++i) s.direction[i] = direction;
        if (!data.segments.empty()) data.segments.back().direction = direction;
      }
      if (first || (before != 0 && before != direction)) {
        data.segments.push_back({r, first, direction, {}});
      }
      data.segments.back().points.push_back(s.count());
      s.x.push_back(x);
      s.y.push_back(*p.size_px / data.scale.size);
      s.direction.push_back(direction);
      s.shift.push_back(0);
      s.weight.push_back(1);
      const bool good_sigma = p.sigma_px && std::isfinite(*p.sigma_px) && *p.sigma_px > 0;
      data.own_sigma.push_back(good_sigma ? std::optional(*p.sigma_px / *p.size_px) : std::nullopt);
      data.temperature.push_back(p.temperature_c);
      first = false;
    }
  }
  for (std::size_t i = 0; i < s.count(); ++i) {
    s.time.push_back(
        static_cast<double>(i) / std::max<double>(1, static_cast<double>(s.count()) - 1) - 0.5);
  }
  const bool temperatures = std::all_of(data.temperature.begin(), data.temperature.end(),
                                        [](const auto& t) { return t.has_value(); });
  if (temperatures && rig.focus_um_per_c && rig.um_per_step) {
    double mean = 0;
    for (const auto& t : data.temperature) mean += *t / static_cast<double>(s.count());
    for (std::size_t i = 0; i < s.count(); ++i) {
      s.shift[i] = *rig.focus_um_per_c / *rig.um_per_step * (*data.temperature[i] - mean) /
                   data.scale.half_range;
    }
  }
  return data;
}

std::vector<PlayHypothesis> hypotheses_of(const Data& data, bool only_untaken) {
  const std::size_t records = data.samples.record_start.size();
  std::vector<PlayHypothesis> list;
  if (only_untaken) {
    list.push_back({std::vector<Beginning>(records, Beginning::untaken), false, 1});
    return list;
  }
  // The first record may begin in any state, later ones where the one before left the mechanism or
  // after a take-up. Many records are taken alike.
  const bool alike = records > 3;
  const std::size_t later = records < 2 ? 0 : alike ? 1 : records - 1;
  for (const Beginning first : {Beginning::taken_up, Beginning::untaken, Beginning::between}) {
    for (std::size_t code = 0; code < (std::size_t{1} << later); ++code) {
      PlayHypothesis h;
      h.beginnings.push_back(first);
      for (std::size_t r = 1; r < records; ++r) {
        const std::size_t bit = alike ? 0 : r - 1;
        h.beginnings.push_back(((code >> bit) & 1) != 0 ? Beginning::untaken : Beginning::taken_up);
      }
      h.prior = first == Beginning::between ? kBetweenPrior : 1;
      list.push_back(h);
    }
  }
  PlayHypothesis jumps;
  jumps.beginnings.assign(records, Beginning::taken_up);
  jumps.jumps = true;
  jumps.prior = kJumpPrior;
  // Without a reversal inside a record it is the same as slack taken up everywhere.
  const bool inside = std::any_of(data.segments.begin(), data.segments.end(),
                                  [](const Segment& s) { return !s.begins_record; });
  if (inside) list.push_back(jumps);
  return list;
}

struct GridPoint {
  std::size_t hypothesis = 0;
  double width = 0;
  JointFit fit;
  double log_posterior = 0;  // unnormalised
  double weight = 0;         // sums to 1 over all points
};

class Estimator {
 public:
  Estimator(Data& data, const Rig& rig, SizeMeasure size, double drift_prior, bool only_untaken)
      : data_(data),
        hypotheses_(hypotheses_of(data, only_untaken)),
        lowest_(only_untaken ? 0 : kLeastWidth),
        narrowest_(lowest_) {
    NightFacts kind;
    kind.size = size;
    shape_ = shape_of(kind, rig);
    priors_.lopsidedness = curve::kLopsided;
    priors_.drift = drift_prior;
  }

  // False where no curve could be fitted.
  bool run() {
    for (std::size_t i = 0; i < s().count(); ++i) s().weight[i] = 1 / (kFirstError * s().y[i]);
    activate_plain();
    taken_up_.assign(hypotheses_.size(), 0.5);
    auto grid = search(lowest_, kMostWidth, kCoarse, true, std::nullopt);
    std::optional<GridPoint> best = best_of(grid);
    if (!best) return false;
    keep_beginnings(grid);
    keep_likely(grid, best->fit.sum_of_squares);
    learn_noise(*best);
    active_.assign(hypotheses_.size(), true);
    // The noise, and which points are bad, are told only where the widths are tried in steps well
    // below the curve's own width: in a slack of many B a coarse one misfits good points.
    for (int round = 0; round < kNarrowings; ++round) {
      const double before = widest_ - narrowest_;
      grid = search(narrowest_, widest_, kCoarse / 2, true, best);
      best = best_of(grid);
      if (!best) return false;
      keep_beginnings(grid);
      keep_likely(grid, best->fit.sum_of_squares);
      learn_noise(*best);
      if (widest_ - narrowest_ > 0.5 * before) break;
    }
    reject(*best);
    return posterior(*best);
  }

  [[nodiscard]] const std::vector<GridPoint>& points() const { return grid_; }
  [[nodiscard]] const std::vector<PlayHypothesis>& hypotheses() const { return hypotheses_; }
  [[nodiscard]] double variance() const { return variance_; }
  [[nodiscard]] int rejected() const { return rejected_; }
  [[nodiscard]] double degrees() const { return degrees_; }
  [[nodiscard]] bool open_above() const { return open_above_; }

  // Width below which the share q of the posterior lies.
  [[nodiscard]] double quantile(double q) const {
    std::vector<std::pair<double, double>> sums;  // width, weight over all hypotheses
    for (const GridPoint& g : grid_) sums.emplace_back(g.width, g.weight);
    std::sort(sums.begin(), sums.end());
    // Each width stands for the cell half a step to either side.
    double below = 0;
    for (std::size_t i = 0; i < sums.size();) {
      double weight = 0;
      const double width = sums[i].first;
      for (; i < sums.size() && sums[i].first == width; ++i) weight += sums[i].second;
      if (below + weight >= q && weight > 0) {
        return width + step_ * ((q - below) / weight - 0.5);
      }
      below += weight;
    }
    return sums.back().first;
  }

 private:
  JointSamples& s() { return data_.samples; }

  JointParameters start() const {
    const JointSamples& samples = data_.samples;
    std::vector<std::size_t> order;
    for (std::size_t i = 0; i < samples.count(); ++i) order.push_back(i);
    std::sort(order.begin(), order.end(),
              [&](std::size_t a, std::size_t b) { return samples.y[a] < samples.y[b]; });
    const std::size_t few = std::min<std::size_t>(5, order.size());
    std::vector<double> places;
    for (std::size_t i = 0; i < few; ++i) places.push_back(samples.x[order[i]]);
    const double t0 = median(places);
    const double h0 = samples.y[order[std::min<std::size_t>(1, order.size() - 1)]];
    std::vector<double> slopes{0.1};
    for (std::size_t i = 0; i < samples.count(); ++i) {
      const double distance = std::abs(samples.x[i] - t0);
      if (distance > 0.4) slopes.push_back(samples.y[i] / distance);
    }
    JointParameters p;
    p << t0, std::log(h0), std::log(median(slopes)), 0, 0, 0.5, 0;
    return p;
  }

  // The fit at `count` widths for each hypothesis: from that of the neighbour, beginning at `known`
  // where there is one; else from the neighbour and from afresh, whichever fits better.
  std::vector<GridPoint> search(double low, double high, int count, bool robust,
                                const std::optional<GridPoint>& known) {
    std::vector<GridPoint> grid;
    const JointParameters first = start();
    const double step = (high - low) / (count - 1);
    const int middle =
        known ? std::clamp(static_cast<int>(std::lround((known->width - low) / step)), 0, count - 1)
              : 0;
    for (std::size_t h = 0; h < hypotheses_.size(); ++h) {
      if (!active_[h]) continue;
      for (const int way : {1, -1}) {
        JointParameters from = known ? known->fit.parameters : first;
        if (known) from[kTakenUp] = taken_up_[h];
        if (!known) from[0] -= low / 2;  // the start is midway between the directions
        for (int k = way > 0 ? middle : middle - 1; k >= 0 && k < count; k += way) {
          const double width = low + step * k;
          auto g = fit_at(h, width, from, robust);
          const bool between = hypotheses_[h].beginnings.front() == Beginning::between;
          for (const double taken_up : {0.15, 0.5, 0.85}) {
            if (known || k % kFreshStarts != 0 || (!between && taken_up != 0.5)) continue;
            JointParameters afresh = first;
            afresh[0] -= width / 2;
            afresh[kTakenUp] = taken_up;
            const auto other = fit_at(h, width, afresh, robust);
            if (other && (!g || other->fit.sum_of_squares < g->fit.sum_of_squares)) g = other;
          }
          if (!g) continue;
          from = g->fit.parameters;
          grid.push_back(*g);
        }
      }
    }
    return grid;
  }

  std::optional<GridPoint> fit_at(std::size_t hypothesis, double width, const JointParameters& from,
                                  bool robust) {
    GridPoint g;
    g.hypothesis = hypothesis;
    g.width = width;
    curve::LeastSquaresOptions options;
    // An error of the parameters enters the sum of squares by its square. The first searches only
    // find the region; a start so bad that it takes more steps is not worth them.
    options.step_tolerance = robust ? 1e-3 : 1e-5;
    options.max_iterations = robust ? 12 : 30;
    options.initial_trust_radius = 1e3;
    const JointResiduals residuals(data_.samples, hypotheses_[hypothesis], width, shape_, priors_,
                                   robust);
    g.fit = robust ? solver_.minimise(residuals, from, JointParameters::Ones(), options)
                   : solver_.solve(residuals, from, JointParameters::Ones(), options);
    if (!g.fit.usable || std::abs(g.fit.parameters[0]) > 5) return std::nullopt;
    return g;
  }

  Places places_of(const GridPoint& g) {
    return mechanism(data_.samples, hypotheses_[g.hypothesis], g.width,
                     std::clamp(g.fit.parameters[kTakenUp], 0.0, 1.0));
  }

  // Hypotheses and widths that are far from the best ones are not looked at again. The sums of
  // squares are in units of the noise, at first of more than it.
  void keep_likely(const std::vector<GridPoint>& grid, double least) {
    constexpr double kFar = 40;
    active_.assign(hypotheses_.size(), false);
    const double margin = (widest_ - narrowest_) / kCoarse;
    double narrowest = widest_;
    double widest = narrowest_;
    for (const GridPoint& g : grid) {
      if (g.fit.sum_of_squares >= least + kFar) continue;
      active_[g.hypothesis] = true;
      narrowest = std::min(narrowest, g.width - 2 * margin);
      widest = std::max(widest, g.width + 2 * margin);
    }
    narrowest_ = std::max(lowest_, narrowest);
    widest_ = std::min(kMostWidth, widest);
  }

  // To find the region, what later records begin with need not be open: alike in all of them.
  void activate_plain() {
    active_.assign(hypotheses_.size(), false);
    for (std::size_t h = 0; h < hypotheses_.size(); ++h) {
      const auto& b = hypotheses_[h].beginnings;
      active_[h] = b.size() < 2 ||
                   std::adjacent_find(b.begin() + 1, b.end(), std::not_equal_to<>()) == b.end();
    }
  }

  // Later searches begin where each hypothesis fitted best.
  void keep_beginnings(const std::vector<GridPoint>& grid) {
    std::vector<double> least(hypotheses_.size(), 1e300);
    for (const GridPoint& g : grid) {
      if (g.fit.sum_of_squares >= least[g.hypothesis]) continue;
      least[g.hypothesis] = g.fit.sum_of_squares;
      taken_up_[g.hypothesis] = g.fit.parameters[kTakenUp];
    }
  }

  static std::optional<GridPoint> best_of(const std::vector<GridPoint>& grid) {
    if (grid.empty()) return std::nullopt;
    return *std::min_element(grid.begin(), grid.end(), [](const auto& a, const auto& b) {
      return a.fit.sum_of_squares < b.fit.sum_of_squares;
    });
  }

  // How far each point lies from a fit, in units of its noise as it is assumed so far.
  std::vector<double> distances(const GridPoint& best, const Places& places) {
    std::vector<double> absolute;
    for (std::size_t i = 0; i < s().count(); ++i) {
      const JointValue v = joint_value(s(), places, shape_, best.fit.parameters, i);
      absolute.push_back(std::abs(s().y[i] - v.size) * s().weight[i]);
    }
    return absolute;
  }

  void learn_noise(const GridPoint& best) {
    const auto places = places_of(best);
    const std::vector<double> absolute = distances(best, places);
    const double scale = std::max(1.4826 * median(absolute), 1e-6);
    std::vector<Deviation> good;
    for (std::size_t i = 0; i < s().count(); ++i) {
      if (!(absolute[i] < kOutlier * scale)) continue;
      const JointValue v = joint_value(s(), places, shape_, best.fit.parameters, i);
      good.push_back({s().y[i] / v.size - 1, data_.own_sigma[i], v.seeing_share});
    }
    const NoiseFacts noise = noise_of(good, static_cast<double>(good.size()) - kFitted);
    for (std::size_t i = 0; i < s().count(); ++i) {
      const JointValue v = joint_value(s(), places, shape_, best.fit.parameters, i);
      const double measuring = data_.own_sigma[i].value_or(noise.measuring);
      s().weight[i] = 1 / (v.size * std::hypot(measuring, noise.seeing * v.seeing_share));
    }
  }

  void reject(const GridPoint& best) {
    const std::vector<double> absolute = distances(best, places_of(best));
    const double n = static_cast<double>(absolute.size());
    // The fit has taken some of the scatter out.
    const double scale =
        std::max(1.4826 * median(absolute) * std::sqrt(n / std::max(1.0, n - kFitted)), 0.3);
    for (std::size_t i = 0; i < s().count(); ++i) {
      if (absolute[i] <= kOutlier * scale) continue;
      s().weight[i] = 0;
      ++rejected_;
    }
  }

  void weigh(std::vector<GridPoint>& grid) const {
    double least = 1e300;
    for (const GridPoint& g : grid) least = std::min(least, g.fit.sum_of_squares);
    const double floor = std::max(0.0, kLuckiestVariance * degrees_ - least);
    double highest = -1e300;
    for (GridPoint& g : grid) {
      g.log_posterior = -0.5 * (degrees_ + 1) * std::log(g.fit.sum_of_squares + floor) +
                        std::log(hypotheses_[g.hypothesis].prior);
      highest = std::max(highest, g.log_posterior);
    }
    double total = 0;
    for (GridPoint& g : grid) {
      g.log_posterior -= highest;
      g.weight = std::exp(g.log_posterior);
      total += g.weight;
    }
    for (GridPoint& g : grid) g.weight /= total;
  }

  bool posterior(const GridPoint& best) {
    // Free: best focus, size, slope, width; the drift as far as its prior lets it.
    degrees_ = std::max(1.0, static_cast<double>(s().used()) - kFitted);
    double low = narrowest_;
    double high = widest_;
    int count = kCoarse;
    constexpr int kRounds = 4;
    constexpr int kEnough = 25;  // cells that carry the posterior
    for (int round = 0; round < kRounds; ++round) {
      grid_ = search(low, high, count, false, best);
      if (grid_.empty()) return false;
      weigh(grid_);
      step_ = (high - low) / (count - 1);
      double first = 1e300;
      double last = -1e300;
      std::vector<bool> seen(hypotheses_.size(), false);
      for (const GridPoint& g : grid_) {
        if (g.log_posterior < -kNegligible) continue;
        first = std::min(first, g.width);
        last = std::max(last, g.width);
        seen[g.hypothesis] = true;
      }
      active_ = seen;
      if (round == 0) {
        constexpr double kOpen = 0.01;  // of the posterior in the last cells
        double at_end = 0;
        for (const GridPoint& g : grid_) {
          if (g.width > kMostWidth - 1.5 * step_) at_end += g.weight;
        }
        open_above_ = at_end > kOpen;
      }
      if ((last - first) / step_ >= kEnough) break;
      low = std::max(lowest_, first - 2 * step_);
      high = std::min(kMostWidth, last + 2 * step_);
      count = kFine;
    }
    double least = 1e300;
    for (const GridPoint& g : grid_) least = std::min(least, g.fit.sum_of_squares);
    variance_ = std::max(least / degrees_, kLuckiestVariance);
    return true;
  }

  Data& data_;
  std::vector<PlayHypothesis> hypotheses_;
  std::vector<bool> active_;
  std::vector<double> taken_up_;  // by hypothesis, at its best fit
  double lowest_;
  double narrowest_;  // of the widths looked at next
  double widest_ = kMostWidth;
  curve::Shape shape_;
  JointPriors priors_;
  curve::LeastSquares<JointResiduals> solver_;
  std::vector<GridPoint> grid_;
  double step_ = 1;
  double degrees_ = 1;
  double variance_ = 1;
  int rejected_ = 0;
  bool open_above_ = false;
};

double weight_where(const std::vector<GridPoint>& grid, const auto& condition) {
  double sum = 0;
  for (const GridPoint& g : grid) sum += condition(g) ? g.weight : 0.0;
  return sum;
}

class Analysis {
 public:
  Analysis(Data& data, const Rig& rig, const BacklashOptions& options)
      : data_(data), rig_(rig), options_(options) {}

  BacklashResult run() {
    choose_direction();
    if (!enough()) return result_;
    const double half_zone = half_zone_scaled();
    Estimator estimator(data_, rig_, SizeMeasure::hfr, drift_prior(half_zone), false);
    if (!estimator.run()) {
      lower(Verdict::unusable, "no focus curve fits the points");
      return finished();
    }
    describe(estimator);
    judge(estimator);
    return finished();
  }

 private:
  void lower(Verdict to, const std::string& reason) {
    verdict_ = std::max(verdict_, to);
    result_.reasons.push_back(reason);
  }

  BacklashResult& finished() {
    result_.verdict = verdict_;
    return result_;
  }

  void choose_direction() {
    Direction direction = Direction::inward;
    if (options_.final_direction) {
      direction = *options_.final_direction;
    } else if (options_.lifting) {
      constexpr double kLowestPull = 15;  // degrees of altitude below which gravity hardly pulls
      direction = *options_.lifting;
      const double altitude = options_.altitude_deg.value_or(90);
      if (altitude < 0) {
        direction = direction == Direction::inward ? Direction::outward : Direction::inward;
      }
      if (std::abs(altitude) < kLowestPull) {
        result_.notes.emplace_back(
            "so low in the sky gravity hardly pulls along the tube: either final direction will "
            "do, but keep to one");
      }
    } else {
      result_.notes.emplace_back(
          "final direction: inward is right where the camera hangs below its focuser, so that the "
          "last move lifts it (common practice; --lifts says otherwise); keep to one direction in "
          "the capture program");
    }
    result_.final_direction = direction;
  }

  bool enough() {
    int outward = 0;
    int inward = 0;
    for (const int d : data_.samples.direction) {
      outward += d > 0 ? 1 : 0;
      inward += d < 0 ? 1 : 0;
    }
    fewest_in_direction_ = std::min(outward, inward);
    if (data_.samples.count() == 0) {
      lower(Verdict::unusable, "no usable point");
    } else if (fewest_in_direction_ < 2) {
      lower(Verdict::unusable,
            "all points were taken moving " +
                enum_name(outward > inward ? Direction::outward : Direction::inward) +
                "; slack shows only between opposite directions: sweep back over the same range");
    } else if (data_.samples.count() < static_cast<std::size_t>(BacklashRules::kFewestPoints)) {
      lower(Verdict::unusable, "only " + std::to_string(data_.samples.count()) +
                                   " usable points; " +
                                   std::to_string(BacklashRules::kFewestPoints) + " are the least");
    } else {
      return true;
    }
    finished();
    return false;
  }

  // Half of the zone where the rig is known, else a part of the range, in scaled units.
  double half_zone_scaled() {
    if (const auto zone = critical_focus_zone_steps(rig_)) {
      half_zone_steps_ = 0.5 * *zone;
      return 0.5 * *zone / data_.scale.half_range;
    }
    constexpr double kPartOfRange = 0.05;  // a sweep reaches some three B, the zone is some B / 6
    return kPartOfRange;
  }

  int sweeps_of(int least_points) const {
    int sweeps = 0;
    int last = 0;
    for (const Segment& segment : data_.segments) {
      if (static_cast<int>(segment.points.size()) < least_points) continue;
      sweeps += segment.direction != last ? 1 : 0;
      last = segment.direction;
    }
    return sweeps;
  }

  double drift_prior(double half_zone) {
    constexpr int kLeastPointsOfSweep = 4;
    sweeps_ = sweeps_of(kLeastPointsOfSweep);
    result_.drift_identified = sweeps_ >= 3;
    if (result_.drift_identified) return kFreeDrift * half_zone;
    // The two sweeps' middles are half of the record apart.
    return 2 * BacklashRules::kTwoSweepDrift * half_zone;
  }

  void describe(const Estimator& e) {
    const double unit = data_.scale.half_range;
    core_steps_ = core_of(e);
    const double middle = e.quantile(0.5) * unit;
    // What the curve's shape is not known to adds to what the noise leaves open. An even drift
    // between two sweeps shows a little, in the slopes of the arms; but focus may have moved in a
    // pause, so that the interval is never narrower than the drift that is allowed for.
    const double drift =
        result_.drift_identified ? 0 : BacklashRules::kTwoSweepDrift * half_zone_scaled() * unit;
    const auto quantile = [&](double q) {
      const double z = normal_quantile(q);
      const double noise = std::hypot(e.quantile(q) * unit - middle, z * kShapeError * core_steps_);
      return middle + std::copysign(std::max(noise, std::abs(z) * drift), q - 0.5);
    };
    const double low = quantile(0.025);
    const double high = quantile(0.975);
    result_.sigma_steps = 0.5 * (quantile(0.841345) - quantile(0.158655));
    // More than the interval asks: no slack is called slack in less than one of fifty.
    result_.slack_found = quantile(0.01) > 0;
    result_.rejected_points = e.rejected();
    wrong_way_ = high < 0;
    // Slack is not negative: an interval that holds 0 begins there.
    result_.backlash_steps = wrong_way_ ? middle : std::max(0.0, middle);
    result_.interval_95_steps.low = wrong_way_ || result_.slack_found ? low : 0.0;
    if (!e.open_above()) result_.interval_95_steps.high = high;

    double drift_mean = 0;
    double drift_square = 0;
    for (const GridPoint& g : e.points()) {
      const double d = g.fit.parameters[4];
      drift_mean += g.weight * d;
      drift_square += g.weight * (d * d + e.variance() * g.fit.unscaled_covariance(4, 4));
    }
    result_.drift_steps = drift_mean * unit;
    result_.drift_sigma_steps =
        unit * std::sqrt(std::max(0.0, drift_square - drift_mean * drift_mean));
    for (const Segment& segment : data_.segments) {
      constexpr int kLeastPointsShown = 3;
      if (static_cast<int>(segment.points.size()) < kLeastPointsShown) continue;
      result_.sweeps.push_back(describe_sweep(e, segment));
    }
  }

  [[nodiscard]] double core_of(const Estimator& e) const {
    double core = 0;
    for (const GridPoint& g : e.points()) {
      core += g.weight * std::exp(g.fit.parameters[1] - g.fit.parameters[2]);
    }
    return core * data_.scale.half_range;
  }

  [[nodiscard]] SweepSlack describe_sweep(const Estimator& e, const Segment& segment) const {
    SweepSlack sweep;
    sweep.direction = segment.direction > 0 ? Direction::outward : Direction::inward;
    double time = 0;
    for (const std::size_t i : segment.points) {
      sweep.points += data_.samples.weight[i] > 0 ? 1 : 0;
      time += data_.samples.time[i] / static_cast<double>(segment.points.size());
    }
    double mean = 0;
    double square = 0;
    for (const GridPoint& g : e.points()) {
      const double place = g.fit.parameters[0] + time * g.fit.parameters[4] +
                           (segment.direction > 0 ? g.width : 0.0);
      JointParameters row = JointParameters::Zero();
      row[0] = 1;
      row[4] = time;
      const double own = e.variance() * row.dot(g.fit.unscaled_covariance * row);
      mean += g.weight * place;
      square += g.weight * (place * place + own);
    }
    const double unit = data_.scale.half_range;
    sweep.best_focus_steps = data_.scale.centre + unit * mean;
    sweep.sigma_steps = unit * std::sqrt(std::max(0.0, square - mean * mean));
    sweep.slack_steps = dead_travel(e, segment);
    return sweep;
  }

  // Where one state at the sweep's beginning is clearly the likeliest.
  [[nodiscard]] std::optional<double> dead_travel(const Estimator& e,
                                                  const Segment& segment) const {
    constexpr double kClear = 0.8;
    const auto& hypotheses = e.hypotheses();
    if (!segment.begins_record) {
      const double jumps =
          weight_where(e.points(), [&](const auto& g) { return hypotheses[g.hypothesis].jumps; });
      if (jumps > kClear) return 0.0;
      return jumps < 1 - kClear ? result_.backlash_steps : std::nullopt;
    }
    const auto share = [&](Beginning b) {
      return weight_where(e.points(), [&](const GridPoint& g) {
        return hypotheses[g.hypothesis].beginnings[segment.record] == b;
      });
    };
    if (share(Beginning::taken_up) > kClear) return 0.0;
    if (share(Beginning::untaken) > kClear) return result_.backlash_steps;
    if (share(Beginning::between) > kClear) {
      double left = 0;  // of the slack, to be taken up
      for (const GridPoint& g : e.points()) {
        if (hypotheses[g.hypothesis].beginnings[segment.record] != Beginning::between) continue;
        const double taken_up = std::clamp(g.fit.parameters[kTakenUp], 0.0, 1.0);
        left += g.weight * (1 - taken_up) / share(Beginning::between);
      }
      return left * *result_.backlash_steps;
    }
    return std::nullopt;
  }

  void judge(const Estimator& e) {
    const Interval& interval = result_.interval_95_steps;
    if (!interval.high) {
      lower(Verdict::unusable,
            "the slack may be as large as the sweeps themselves: sweep over a wider range");
      result_.backlash_steps.reset();
      return;
    }
    if (wrong_way_) {
      lower(Verdict::doubtful,
            "moving outward, best focus came at smaller positions than moving inward: slack cannot "
            "do that; focus drifted between the sweeps, or the inputs are not in the order taken");
    }
    // With slack not below 0, half of the part that counts.
    const double half_width = 0.5 * (*interval.high - std::min(*interval.low, *interval.high));
    const double allowed =
        std::max({half_zone_steps_.value_or(0), BacklashRules::kCoreShare * core_steps_,
                  BacklashRules::kSlackShare * *result_.backlash_steps});
    if (half_width > allowed) {
      lower(Verdict::doubtful, "the slack is uncertain by ±" + steps_text(half_width) +
                                   " steps (95 % interval); more points, or a sweep more, narrow "
                                   "it");
    }
    if (fewest_in_direction_ < BacklashRules::kPointsPerDirection) {
      lower(Verdict::doubtful,
            "only " + std::to_string(fewest_in_direction_) + " points in one of the directions; " +
                std::to_string(BacklashRules::kPointsPerDirection) + " are needed");
    }
    if (3 * e.rejected() > static_cast<int>(data_.samples.count())) {
      lower(Verdict::doubtful, std::to_string(e.rejected()) + " of " +
                                   std::to_string(data_.samples.count()) +
                                   " points do not fit the others");
    } else if (e.rejected() > 0) {
      result_.notes.push_back(std::to_string(e.rejected()) +
                              (e.rejected() == 1
                                   ? " point does not fit the others and was left out"
                                   : " points do not fit the others and were left out"));
    }
    judge_drift();
    judge_slack(e);
  }

  void judge_drift() {
    if (result_.drift_identified) return;
    const double allowance = 2 * BacklashRules::kTwoSweepDrift *
                             half_zone_steps_.value_or(half_zone_scaled() * data_.scale.half_range);
    const std::string words =
        "two sweeps cannot tell slack from a drift of focus between them: the interval allows for "
        "a drift of ±" +
        steps_text(allowance) +
        " steps, and each step of drift beyond that is a step of error; a third sweep (in, out, "
        "in) "
        "tells them apart";
    const auto change = temperature_change();
    if (change && std::abs(*change) > kTemperatureChange && !rig_.focus_um_per_c) {
      lower(Verdict::doubtful, "the temperature changed by " + format_fixed(*change, 1) +
                                   " C between the sweeps, and " + words);
    } else {
      result_.notes.push_back(words);
    }
  }

  // Mean of the last sweep less that of the first.
  [[nodiscard]] std::optional<double> temperature_change() const {
    if (data_.segments.size() < 2) return std::nullopt;
    const auto mean = [&](const Segment& segment) -> std::optional<double> {
      double sum = 0;
      for (const std::size_t i : segment.points) {
        if (!data_.temperature[i]) return std::nullopt;
        sum += *data_.temperature[i] / static_cast<double>(segment.points.size());
      }
      return sum;
    };
    const auto first = mean(data_.segments.front());
    const auto last = mean(data_.segments.back());
    if (!first || !last) return std::nullopt;
    return *last - *first;
  }

  void judge_slack(const Estimator& e) {
    const double upper = *result_.interval_95_steps.high;
    const double slack = *result_.backlash_steps;
    constexpr double kRound = 5;
    const double takeup = std::max(BacklashRules::kTakeupFactor * slack,
                                   BacklashRules::kTakeupOverUpperEnd * std::max(0.0, upper));
    result_.takeup_steps =
        takeup > 4 * kRound ? kRound * std::ceil(takeup / kRound) : std::ceil(takeup);
    if (!result_.slack_found && !wrong_way_) {
      result_.notes.push_back(
          "no slack was found: it is smaller than its own error, at most " + steps_text(upper) +
          " steps. Either there is none, or both sweeps were already taken with take-up (the "
          "capture program's own compensation): switch that off and sweep again to be sure");
    }
    const double jumps = weight_where(
        e.points(), [&](const GridPoint& g) { return e.hypotheses()[g.hypothesis].jumps; });
    if (result_.slack_found && jumps > 0.8) {
      result_.notes.emplace_back(
          "after the reversal the focus jumped at once instead of standing still first: that is a "
          "shifting mirror, or a take-up move that was not recorded, rather than slack that the "
          "frames show being taken up");
    }
    if (result_.slack_found && jumps <= 0.8 && all_taken_up(e)) {
      result_.notes.emplace_back(
          "no sweep shows dead travel at its beginning: each seems to have begun with the slack "
          "taken up, or the focus shifts with the direction (a shifting mirror)");
    }
    note_limits();
  }

  [[nodiscard]] static bool all_taken_up(const Estimator& e) {
    const double share = weight_where(e.points(), [&](const GridPoint& g) {
      const auto& beginnings = e.hypotheses()[g.hypothesis].beginnings;
      return std::all_of(beginnings.begin(), beginnings.end(),
                         [](Beginning b) { return b == Beginning::taken_up; });
    });
    return share > 0.8;
  }

  // Where the last move in a direction begins, and where it ends; absent where no sweep shows it.
  struct LastMove {
    double turn;
    double end;
  };
  [[nodiscard]] std::optional<LastMove> last_move(Direction direction) const {
    for (auto sweep = result_.sweeps.rbegin(); sweep != result_.sweeps.rend(); ++sweep) {
      if (sweep->direction != direction) continue;
      const double past = direction == Direction::inward ? 1 : -1;
      return LastMove{*sweep->best_focus_steps + past * *result_.takeup_steps,
                      *sweep->best_focus_steps};
    }
    return std::nullopt;
  }

  [[nodiscard]] bool within_limits(const LastMove& move) const {
    const auto [low, high] = std::minmax(move.turn, move.end);
    return !(rig_.max_position_steps && high > *rig_.max_position_steps) &&
           !(rig_.min_position_steps && low < *rig_.min_position_steps);
  }

  void note_limits() {
    if (!result_.takeup_steps) return;
    const Direction chosen = result_.final_direction;
    const Direction other = chosen == Direction::inward ? Direction::outward : Direction::inward;
    const auto move = last_move(chosen);
    if (!move || within_limits(*move)) return;
    const auto instead = last_move(other);
    const bool asked = options_.final_direction || options_.lifting;
    if (!asked && instead && within_limits(*instead)) {
      result_.final_direction = other;
      // In place of the remark on a direction that nobody asked for, the first one.
      result_.notes.front() =
          "final direction: " + enum_name(other) +
          ", because the take-up for the other one would go to " + steps_text(move->turn) +
          " steps, beyond the focuser's limits; keep to it in the capture program";
      return;
    }
    lower(Verdict::doubtful, "the take-up would go to " + steps_text(move->turn) +
                                 " steps, beyond the focuser's limits: " +
                                 (asked && instead && within_limits(*instead)
                                      ? "approach from the other side"
                                      : "move the camera along the tube, or correct the limits"));
  }

  Data& data_;
  const Rig& rig_;
  const BacklashOptions& options_;
  BacklashResult result_;
  Verdict verdict_ = Verdict::trusted;
  std::optional<double> half_zone_steps_;
  double core_steps_ = 0;
  int sweeps_ = 0;
  int fewest_in_direction_ = 0;
  bool wrong_way_ = false;
};

}  // namespace
}  // namespace advice

Result<BacklashResult> measure_backlash(std::span<const SweepRecord> records, const Rig& rig,
                                        const BacklashOptions& options) {
  auto data = advice::collect(records, rig);
  if (!data) return tl::unexpected<Error>(data.error());
  return advice::Analysis(*data, rig, options).run();
}

Result<void> verify_takeup(std::span<const SweepRecord> later, const Rig& rig,
                           BacklashResult& result) {
  auto data = advice::collect(later, rig);
  if (!data) return tl::unexpected<Error>(data.error());
  const auto& directions = data->samples.direction;
  const bool both = std::count(directions.begin(), directions.end(), 1) > 2 &&
                    std::count(directions.begin(), directions.end(), -1) > 2;
  if (both) {
    const BacklashResult again = advice::Analysis(*data, rig, {}).run();
    result.remaining_steps = again.backlash_steps;
    if (again.backlash_steps) result.remaining_interval_95_steps = again.interval_95_steps;
  } else if (data->samples.count() >= static_cast<std::size_t>(VerdictRules::kTrustedPoints)) {
    advice::Estimator estimator(*data, rig, SizeMeasure::hfr, 1e-3, true);
    if (estimator.run()) {
      const double unit = data->scale.half_range;
      const double low = estimator.quantile(0.05) * unit;
      // A one-sided question: dead travel is not negative, and its mass may lie at 0.
      Interval interval{std::max(0.0, low), std::max(0.0, estimator.quantile(0.95) * unit)};
      const bool seen = estimator.quantile(0.025) * unit > 0.02 * unit;
      result.remaining_steps = seen ? std::max(0.0, estimator.quantile(0.5) * unit) : 0.0;
      if (!seen) interval.low = 0;
      result.remaining_interval_95_steps = interval;
    }
  }
  if (!result.remaining_steps) {
    result.notes.emplace_back("the run taken with take-up does not show what slack is left");
    return {};
  }
  const std::string upper =
      result.remaining_interval_95_steps && result.remaining_interval_95_steps->high
          ? ", at most " + advice::steps_text(*result.remaining_interval_95_steps->high)
          : "";
  const bool left = result.remaining_interval_95_steps->low.value_or(0) > 0;
  result.notes.push_back(
      left ? "slack is left with the take-up: " + advice::steps_text(*result.remaining_steps) +
                 " steps" + upper + "; go farther past the target"
           : "the take-up works: no slack is seen" + upper + " steps");
  return {};
}

}  // namespace starwaist
