#include "curve/outliers.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <span>

#include "curve/priors.h"
#include "curve/small_cholesky.h"

namespace starwaist::curve {
namespace {

// What is thought of a run's points beforehand; see priors.h.
struct PointPrior {
  double noise_degrees;
  BadPointPrior bad;
  double lopsided;  // probability
};
constexpr PointPrior kWithOwnSigmas{kNoiseDegrees, kBadPoint, kLopsidedShare};
constexpr PointPrior kWithoutSigmas{kNoiseDegreesWithoutSigmas, kBadPointWithoutSigmas,
                                    kLopsidedShareWithoutSigmas};
constexpr double kNotable = 0.01;  // share of the heaviest weight below which a part is dropped
constexpr double kScreen = 5.5;    // the same for the linear screening, in units of ln evidence
constexpr double kHopeless = 6;    // and for a part fitted by one of the shapes
constexpr std::size_t kMostRefits = 16;
// Triples grow from the best pairs that are no more hopeless than that.
constexpr std::size_t kTripleParents = 12;
constexpr double kTripleReach = 10;

std::size_t most_bad(std::size_t points) {
  // Three parameters and at least one residual degree of freedom must be left.
  if (points < 5) return 0;
  if (points < 7) return 1;
  return points < 9 ? 2 : 3;
}

using Set = std::vector<std::size_t>;

// Up to three points without an allocation: a screening looks at hundreds of them.
struct FewPoints {
  std::array<std::size_t, 3> points{};
  std::size_t count = 0;

  [[nodiscard]] FewPoints with(std::size_t point) const {
    FewPoints more = *this;  // rising
    std::size_t place = more.count++;
    for (; place > 0 && points[place - 1] > point; --place) more.points[place] = points[place - 1];
    more.points[place] = point;
    return more;
  }
  [[nodiscard]] bool holds(std::size_t point) const {
    return std::find(points.begin(), points.begin() + static_cast<std::ptrdiff_t>(count), point) !=
           points.begin() + static_cast<std::ptrdiff_t>(count);
  }
  [[nodiscard]] Set set() const {
    return {points.begin(), points.begin() + static_cast<std::ptrdiff_t>(count)};
  }
};

struct Ranked {
  FewPoints bad;
  double log_evidence;
};

bool heavier(const Ranked& a, const Ranked& b) { return a.log_evidence > b.log_evidence; }

// Logarithm of a product, taken once for many factors.
class LogOfProduct {
 public:
  void times(double factor) {
    constexpr double kLarge = 1e100;
    product_ *= factor;
    if (product_ < kLarge && product_ > 1 / kLarge) return;
    sum_ += std::log(product_);
    product_ = 1;
  }
  [[nodiscard]] double value() const { return sum_ + std::log(product_); }

 private:
  double product_ = 1;
  double sum_ = 0;
};

// Marginal likelihood of a hypothesis: the good points' likelihood integrated over the curve's
// parameters (Laplace) and over the noise's variance (scaled inverse chi-squared prior), times the
// bad points' broad density. Constants that all hypotheses share are left out.
class Evidence {
 public:
  Evidence(const Samples& all, const NoiseModel& noise)
      : all_(all),
        prior_(all.has_own_sigmas() ? kWithOwnSigmas : kWithoutSigmas),
        usual_(all.has_own_sigmas() ? 1.0 : std::min(noise.factor, 1.0)) {
    const double n = static_cast<double>(all.count());
    for (std::size_t bad = 0; bad < by_count_.size(); ++bad) {
      const double k = static_cast<double>(bad);
      const double degrees = n - k - kFreeShapeParameters;
      by_count_[bad] = k * std::log(prior_.bad.share) + (n - k) * std::log(1 - prior_.bad.share) +
                       std::lgamma(0.5 * (prior_.noise_degrees + degrees)) -
                       0.5 * degrees * std::log(M_PI);
    }
    const Eigen::Vector3d spread(kCurveSpread.centre, kCurveSpread.log_size,
                                 kCurveSpread.log_slope);
    precision_ << spread.cwiseInverse().cwiseAbs2(), 0.0;  // a has its row
  }

  // ln density of a bad point's size.
  [[nodiscard]] double bad_point(std::size_t i, double curve_size) const {
    return prior_.bad.log_density(all_.y[i], curve_size);
  }
  // What the curve's parameters are known by beforehand, in the unit of the residuals.
  [[nodiscard]] const ShapeParameters& precision() const { return precision_; }
  // `points`: the sum of ln weight of the good points and of bad_point. `information`: determinant,
  // of the points and of what is known beforehand.
  [[nodiscard]] double of(std::size_t bad, double points, double sum_of_squares, double information,
                          double t0) const {
    return by_count_[bad] + points - 0.5 * std::log(information) -
           0.5 * t0 * t0 / (kCurveSpread.centre * kCurveSpread.centre) -
           0.5 * (degrees(bad) + prior_.noise_degrees) *
               std::log(prior_.noise_degrees * usual_ + sum_of_squares);
  }
  [[nodiscard]] double degrees(std::size_t bad) const {
    return static_cast<double>(all_.count() - bad) - kFreeShapeParameters;
  }
  // Of a shape and its kind; with the constant of the density of a.
  [[nodiscard]] double log_prior(ShapeFitters& shape, bool lopsided) const {
    return std::log(shape.odds * (lopsided ? prior_.lopsided : 1 - prior_.lopsided) /
                    shape.of(lopsided).sigma_a());
  }

 private:
  const Samples& all_;
  PointPrior prior_;
  double usual_;  // variance of a residual weighted by a candidate of the noise
  std::array<double, 4> by_count_{};
  ShapeParameters precision_;
};

constexpr double kNothing = -std::numeric_limits<double>::infinity();  // ln 0

// ln of the sum of their exponentials.
double log_sum(const std::vector<double>& logs) {
  const double best = *std::max_element(logs.begin(), logs.end());
  if (!std::isfinite(best)) return kNothing;
  double sum = 0;
  for (const double value : logs) sum += std::exp(value - best);
  return best + std::log(sum);
}

// The sums of a linear least-squares problem.
struct Sums {
  Eigen::Matrix<double, kShapeParameters, kShapeParameters> information;
  ShapeParameters gradient;
  double squares = 0;

  void add(const ShapeParameters& jacobian, double residual, double weight) {
    for (int r = 0; r < kShapeParameters; ++r) {
      const double weighted = weight * jacobian[r];
      for (int c = 0; c <= r; ++c) information(r, c) += weighted * jacobian[c];
      gradient[r] += weighted * residual;
    }
    squares += weight * residual * residual;
  }
};

// The curve linearised at one fit, and the ways in which the errors may be spread about it.
struct Linearised {
  struct Row {
    ShapeParameters jacobian;
    double residual;
  };

  // `all`: with weights of 1.
  Linearised(const Samples& all, const ShapeFitter& fitter, const ShapeFit& at,
             const Evidence& evidence)
      : t0(at.parameters[0]), rows(all.count()) {
    const ShapeResiduals residuals(all, fitter.shape(), fitter.sigma_a());
    Eigen::VectorXd values(residuals.count());
    Eigen::Matrix<double, Eigen::Dynamic, kShapeParameters> jacobian(residuals.count(),
                                                                     kShapeParameters);
    residuals.evaluate(at.parameters.data(), values.data(), jacobian.data());
    std::vector<double> by_seeing(rows.size());
    sizes.resize(rows.size());
    for (std::size_t i = 0; i < rows.size(); ++i) {
      const auto k = static_cast<Eigen::Index>(i);
      rows[i] = {jacobian.row(k), values[k]};
      sizes[i] = all.y[i] + values[k];
      by_seeing[i] = jacobian(k, 1);  // H0 follows the seeing, and the slope does not
    }
    noise = noise_candidates(all, sizes, by_seeing);
    known.information = evidence.precision().asDiagonal();
    known.gradient.setZero();
    for (Eigen::Index k = static_cast<Eigen::Index>(rows.size()); k < values.size(); ++k) {
      known.add(jacobian.row(k), values[k], 1.0);
    }
  }

  double t0;
  std::vector<Row> rows;
  std::vector<double> sizes;  // of the curve at each point
  Sums known;                 // of the parameters beforehand
  NoiseCandidates noise;
};

// ln evidence of one hypothesis about its own curve; minus infinity where the good points determine
// no curve.
double log_evidence(const Linearised& curve, const Evidence& evidence, const FewPoints& bad) {
  double bad_points = 0;
  for (std::size_t b = 0; b < bad.count; ++b) {
    bad_points += evidence.bad_point(bad.points[b], curve.sizes[bad.points[b]]);
  }
  std::vector<double> of_candidate(curve.noise.count(), kNothing);
  for (std::size_t c = 0; c < of_candidate.size(); ++c) {
    const auto variance = curve.noise.variances(c);
    Sums sums = curve.known;
    LogOfProduct variances;
    for (std::size_t i = 0; i < curve.rows.size(); ++i) {
      if (bad.holds(i)) continue;
      sums.add(curve.rows[i].jacobian, curve.rows[i].residual, 1 / variance[i]);
      variances.times(variance[i]);
    }
    const SmallCholesky<kShapeParameters> factor(sums.information);
    if (!(factor.least_pivot() > 0)) continue;
    const double squares =
        std::max(sums.squares - factor.forward(sums.gradient).squaredNorm(), 0.0);
    const double value =
        curve.noise.log_prior[c] + evidence.of(bad.count, bad_points - 0.5 * variances.value(),
                                               squares, factor.determinant(), curve.t0);
    if (std::isfinite(value)) of_candidate[c] = value;
  }
  return log_sum(of_candidate);
}

// Evidence of every hypothesis with every candidate of the noise, from the curve linearised at one
// fit. With z_i the points' rows after the information of all points is made the unit matrix and
// e_i the residuals of the fit to all of them, taking out a set B lowers the squares by e_B' (1 -
// z_B z_B')^-1 e_B and multiplies the information's determinant by that of (1 - z_B z_B'), so that
// a hypothesis costs a few products.
class Screening {
 public:
  Screening(const Linearised& curve, const Evidence& evidence)
      : curve_(curve), evidence_(evidence), n_(curve.rows.size()) {
    points_.reserve(n_ * curve.noise.count());
    for (std::size_t c = 0; c < curve.noise.count(); ++c) add_candidate(curve.noise.variances(c));
    for (std::size_t i = 0; i < n_; ++i) {
      bad_point_.push_back(evidence.bad_point(i, curve.sizes[i]));
    }
  }

  // The heaviest, in that order.
  std::vector<Ranked> heaviest(std::size_t most_bad, std::size_t count) {
    found_.clear();
    keep({});
    grow({}, std::min<std::size_t>(most_bad, 2));
    if (most_bad > 2) grow_best_pairs();
    const auto few = static_cast<std::ptrdiff_t>(std::min(count, found_.size()));
    std::partial_sort(found_.begin(), found_.begin() + few, found_.end(), heavier);
    found_.erase(found_.begin() + few, found_.end());
    return std::move(found_);
  }

  // The noise that a hypothesis' own good points speak for: the candidates' average, each times the
  // factor that the residuals ask of it.
  std::vector<double> sigmas(const FewPoints& bad) {
    judge(bad);
    const double best = *std::max_element(of_candidate_.begin(), of_candidate_.end());
    const double degrees = evidence_.degrees(bad.count) + kPriorDegrees;
    std::vector<double> sigma(n_, 0.0);
    double total = 0;
    for (std::size_t c = 0; c < wholes_.size(); ++c) {
      const double weight = std::exp(of_candidate_[c] - best);
      const double factor = (squares_[c] + kPriorDegrees) / degrees;
      const auto variance = curve_.noise.variances(c);
      total += weight;
      for (std::size_t i = 0; i < n_; ++i) sigma[i] += weight * factor * variance[i];
    }
    for (double& s : sigma) s = std::sqrt(s / total);
    return sigma;
  }

 private:
  // Of all points with one candidate of the noise.
  struct Whole {
    double log_prior;
    double determinant;
    double squares;
    double log_weights;
  };
  // A point with one candidate.
  struct Point {
    ShapeParameters z;
    double e;
    double log_weight;
  };

  void add_candidate(std::span<const double> variance) {
    Sums sums = curve_.known;
    for (std::size_t i = 0; i < n_; ++i) {
      sums.add(curve_.rows[i].jacobian, curve_.rows[i].residual, 1 / variance[i]);
    }
    const SmallCholesky<kShapeParameters> factor(sums.information);
    const ShapeParameters gradient = factor.forward(sums.gradient);
    Whole whole{curve_.noise.log_prior[wholes_.size()], factor.determinant(),
                sums.squares - gradient.squaredNorm(), 0};
    for (std::size_t i = 0; i < n_; ++i) {
      const double weight = 1 / std::sqrt(variance[i]);
      Point p{factor.forward(weight * curve_.rows[i].jacobian), 0, std::log(weight)};
      p.e = weight * curve_.rows[i].residual - p.z.dot(gradient);
      whole.log_weights += p.log_weight;
      points_.push_back(p);
    }
    wholes_.push_back(whole);
  }

  // ln evidence over all candidates; what each of them has stays in of_candidate_ and squares_.
  double judge(const FewPoints& bad) {
    of_candidate_.assign(wholes_.size(), kNothing);
    squares_.assign(wholes_.size(), 0.0);
    double bad_points = 0;
    for (std::size_t b = 0; b < bad.count; ++b) bad_points += bad_point_[bad.points[b]];
    for (std::size_t c = 0; c < wholes_.size(); ++c) {
      const Point* points = points_.data() + c * n_;
      const Whole& whole = wholes_[c];
      double determinant = whole.determinant;
      double squares = whole.squares;
      double log_weights = whole.log_weights;
      // Cholesky's factor of 1 - z z' and the residuals solved by it, row by row.
      std::array<std::array<double, 3>, 3> lower{};
      std::array<double, 3> solved{};
      bool sound = true;
      for (std::size_t b = 0; b < bad.count; ++b) {
        const Point& p = points[bad.points[b]];
        double residual = p.e;
        double pivot = 1 - p.z.squaredNorm();
        for (std::size_t k = 0; k < b; ++k) {
          double sum = -p.z.dot(points[bad.points[k]].z);
          for (std::size_t j = 0; j < k; ++j) sum -= lower[b][j] * lower[k][j];
          lower[b][k] = sum * lower[k][k];
          pivot -= lower[b][k] * lower[b][k];
          residual -= lower[b][k] * solved[k];
        }
        sound = sound && pivot > 0;
        determinant *= pivot;
        lower[b][b] = 1 / std::sqrt(pivot);  // of the diagonal its inverse
        solved[b] = residual * lower[b][b];
        squares -= solved[b] * solved[b];
        log_weights -= p.log_weight;
      }
      if (!sound) continue;
      squares_[c] = std::max(squares, 0.0);
      const double value = whole.log_prior + evidence_.of(bad.count, log_weights + bad_points,
                                                          squares_[c], determinant, curve_.t0);
      if (std::isfinite(value)) of_candidate_[c] = value;
    }
    return log_sum(of_candidate_);
  }
  void keep(const FewPoints& bad) {
    const double value = judge(bad);
    if (std::isfinite(value)) found_.push_back({bad, value});
  }
  void grow(const FewPoints& bad, std::size_t depth) {
    if (bad.count == depth) return;
    for (std::size_t i = bad.count == 0 ? 0 : bad.points[bad.count - 1] + 1; i < n_; ++i) {
      const FewPoints larger = bad.with(i);
      keep(larger);
      grow(larger, depth);
    }
  }
  void grow_best_pairs() {
    std::vector<Ranked> pairs;
    double best = kNothing;
    for (const Ranked& r : found_) best = std::max(best, r.log_evidence);
    for (const Ranked& r : found_) {
      if (r.bad.count == 2 && r.log_evidence > best - kTripleReach) pairs.push_back(r);
    }
    const std::size_t few = std::min(kTripleParents, pairs.size());
    std::partial_sort(pairs.begin(), pairs.begin() + static_cast<std::ptrdiff_t>(few), pairs.end(),
                      heavier);
    for (std::size_t k = 0; k < few; ++k) {
      for (std::size_t i = 0; i < n_; ++i) {
        if (pairs[k].bad.holds(i)) continue;
        const FewPoints three = pairs[k].bad.with(i);
        const bool seen = std::any_of(pairs.begin(), pairs.begin() + static_cast<std::ptrdiff_t>(k),
                                      [&three](const Ranked& earlier) {
                                        return three.holds(earlier.bad.points[0]) &&
                                               three.holds(earlier.bad.points[1]);
                                      });
        if (!seen) keep(three);
      }
    }
  }

  const Linearised& curve_;
  const Evidence& evidence_;
  std::size_t n_;
  std::vector<Whole> wholes_;  // of each candidate
  std::vector<Point> points_;  // of one candidate after the other
  std::vector<double> bad_point_;
  std::vector<Ranked> found_;
  std::vector<double> of_candidate_;  // of the hypothesis judged last
  std::vector<double> squares_;
};

struct Weighed {
  Hypothesis hypothesis;
  double log_evidence;
};

// Refitted with `sigma`, then weighed with every candidate of the noise about its own curve.
std::optional<Weighed> weighed(ShapeFitters& shape, bool lopsided, Samples& samples,
                               const Samples& unit, const Evidence& evidence, const FewPoints& bad,
                               const std::vector<double>& sigma, const ShapeFit& start) {
  for (std::size_t i = 0; i < samples.count(); ++i) {
    samples.weight[i] = bad.holds(i) ? 0 : 1 / sigma[i];
  }
  ShapeFitter& fitter = shape.of(lopsided);
  Weighed w{{0, bad.set(), lopsided, 0, samples.weight, fitter.refit(samples, start)}, 0};
  const ShapeFit& fit = w.hypothesis.fit;
  if (!fit.usable) return std::nullopt;
  w.log_evidence = evidence.log_prior(shape, lopsided) +
                   log_evidence(Linearised(unit, fitter, fit, evidence), evidence, bad);
  if (!std::isfinite(w.log_evidence)) return std::nullopt;
  return w;
}

// Finds the hypotheses of notable weight. A screening sees only what lies near the curve it is
// linearised at, so it is repeated at the best hypothesis found until that is stable, and from
// other starts.
class Search {
 public:
  Search(const std::vector<ShapeFitters*>& shapes, const Samples& samples, const NoiseModel& noise)
      : shapes_(shapes), evidence_(samples, noise), samples_(samples), unit_(samples) {
    std::fill(unit_.weight.begin(), unit_.weight.end(), 1.0);
  }

  // Heaviest first.
  std::vector<Weighed> run(const ShapeFit& clean, std::size_t shape) {
    std::vector<Weighed> found = climb(clean, shape);
    if (found.empty() || found.front().hypothesis.bad.empty()) return found;
    // Points too small by themselves: a curve drawn into them has its bottom there, its arms pass
    // among the others, and near it the truth is no hypothesis worth a look. So the search starts
    // again from the curve without the smallest size, and without the two smallest.
    const std::vector<double> weights = samples_.weight;
    FewPoints smallest;
    for (std::size_t k = 0; k < std::min<std::size_t>(most_bad(samples_.count()), 2); ++k) {
      smallest = smallest.with(smallest_but(smallest));
      if (all_bad(smallest, found.front().hypothesis.bad)) continue;
      for (std::size_t i = 0; i < weights.size(); ++i) {
        samples_.weight[i] = smallest.holds(i) ? 0 : weights[i];
      }
      const ShapeFit start = shapes_[shape]->even.fit(samples_);
      if (!start.usable) continue;
      std::vector<Weighed> others = look_from(start, shape, found);
      const bool better =
          !others.empty() && others.front().log_evidence > found.front().log_evidence;
      merge(better ? climb(others.front().hypothesis.fit, others.front().hypothesis.shape)
                   : std::move(others),
            found);
    }
    return found;
  }

 private:
  [[nodiscard]] std::size_t smallest_but(const FewPoints& others) const {
    std::size_t smallest = 0;
    while (others.holds(smallest)) ++smallest;
    for (std::size_t i = smallest + 1; i < unit_.count(); ++i) {
      if (unit_.y[i] < unit_.y[smallest] && !others.holds(i)) smallest = i;
    }
    return smallest;
  }
  static bool all_bad(const FewPoints& points, const Set& bad) {
    const Set set = points.set();
    return std::includes(bad.begin(), bad.end(), set.begin(), set.end());
  }
  static void sort(std::vector<Weighed>& found) {
    std::sort(found.begin(), found.end(),
              [](const Weighed& a, const Weighed& b) { return a.log_evidence > b.log_evidence; });
  }
  // What was found twice stays once, as it is heavier.
  static void merge(std::vector<Weighed> more, std::vector<Weighed>& found) {
    for (Weighed& w : more) {
      const auto same = std::find_if(found.begin(), found.end(), [&w](const Weighed& other) {
        return other.hypothesis.bad == w.hypothesis.bad &&
               other.hypothesis.shape == w.hypothesis.shape &&
               other.hypothesis.lopsided == w.hypothesis.lopsided;
      });
      if (same == found.end()) {
        found.push_back(std::move(w));
      } else if (w.log_evidence > same->log_evidence) {
        *same = std::move(w);
      }
    }
    sort(found);
  }
  std::vector<Weighed> climb(const ShapeFit& start, std::size_t shape) {
    ShapeFit at = start;
    Set last;
    std::vector<Weighed> found;
    constexpr int kRounds = 3;
    for (int round = 0; round < kRounds; ++round) {
      found = look_from(at, shape, {});
      if (found.empty()) break;
      const Hypothesis& best = found.front().hypothesis;
      if (best.bad == last) break;
      last = best.bad;
      at = best.fit;
      shape = best.shape;
    }
    return found;
  }
  // Those that look likely near one curve, beside the ones known, refitted; heaviest first.
  std::vector<Weighed> look_from(const ShapeFit& at, std::size_t shape,
                                 const std::vector<Weighed>& known) {
    ShapeFitter& fitter = shapes_[shape]->lopsided;
    const Linearised curve(unit_, fitter, at, evidence_);
    Screening screening(curve, evidence_);
    const std::vector<Ranked> ranked = screening.heaviest(most_bad(unit_.count()), kMostRefits);
    if (ranked.empty()) return {};
    double top = ranked.front().log_evidence;
    if (!known.empty()) {
      top = std::max(top, known.front().log_evidence - evidence_.log_prior(*shapes_[shape], true));
    }
    std::vector<Weighed> found;
    double best_evidence = kNothing;
    for (const Ranked& r : ranked) {
      if (r.log_evidence < top - kScreen) break;
      if (std::any_of(known.begin(), known.end(),
                      [bad = r.bad.set()](const Weighed& w) { return w.hypothesis.bad == bad; })) {
        continue;
      }
      const std::vector<double> sigma = screening.sigmas(r.bad);
      // The shape that it was screened with first; where that is hopeless the others are too.
      bool hopeless = false;
      for (std::size_t k = 0; k < shapes_.size() && !hopeless; ++k) {
        const std::size_t number = (shape + k) % shapes_.size();
        for (const bool lopsided : {false, true}) {
          auto w =
              weighed(*shapes_[number], lopsided, samples_, unit_, evidence_, r.bad, sigma, at);
          if (!w) continue;
          w->hypothesis.shape = number;
          best_evidence = std::max(best_evidence, w->log_evidence);
          hopeless = w->log_evidence < best_evidence - kHopeless;
          found.push_back(std::move(*w));
          if (hopeless) break;
        }
      }
    }
    sort(found);
    return found;
  }

  const std::vector<ShapeFitters*>& shapes_;
  Evidence evidence_;
  Samples samples_;  // its weights change from fit to fit
  Samples unit_;     // with weights of 1
};

}  // namespace

std::vector<Hypothesis> weigh_hypotheses(const std::vector<ShapeFitters*>& shapes,
                                         std::size_t first, const Samples& samples,
                                         const NoiseModel& noise, const ShapeFit& clean) {
  std::vector<Weighed> found = Search(shapes, samples, noise).run(clean, first);
  std::vector<Hypothesis> kept;
  if (found.empty()) {
    kept.push_back({first, {}, false, 1, samples.weight, clean});
    return kept;
  }
  double total = 0;
  for (Weighed& w : found) {
    const double weight = std::exp(w.log_evidence - found.front().log_evidence);
    if (weight < kNotable) break;
    w.hypothesis.weight = weight;
    total += weight;
    kept.push_back(std::move(w.hypothesis));
  }
  for (Hypothesis& h : kept) h.weight /= total;
  return kept;
}

std::vector<double> probability_bad(const std::vector<Hypothesis>& hypotheses, std::size_t count) {
  std::vector<double> probability(count, 0.0);
  for (const Hypothesis& h : hypotheses) {
    for (const std::size_t i : h.bad) probability[i] += h.weight;
  }
  return probability;
}

}  // namespace starwaist::curve
