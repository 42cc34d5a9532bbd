#include "curve/outliers.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <set>

namespace starwaist::curve {
namespace {

// What a bad point may be: a trailed or clouded star reads up to twice its size, hardly ever down
// to half of it. Density of the size, relative to the curve's size.
constexpr double kDensityLarger = 0.96 / 1.0;
constexpr double kDensitySmaller = 0.04 / 0.5;
// What noise is usual counts as that many degrees of freedom, so that three points that happen to
// lie on one curve do not make all the others bad, and, where the points bring their own sigmas,
// large residuals are not taken for a noisy night. A table without sigmas may hold sizes that
// follow no such curve (widths of rings): its own scatter counts, and bad points are looked for
// with less zeal. Set by 3428 real sweeps of such tables (bench/real_sweeps.py) and
// bench/coverage_bench.
struct NoisePrior {
  double degrees;
  double bad;  // probability of a point to be bad, before seeing the data
};
constexpr NoisePrior kWithOwnSigmas{20, 0.08};
constexpr NoisePrior kWithoutSigmas{1, 0.005};
// What is known of the curve before any point: best focus within about a half range of the sweep's
// centre, size and slope within a factor of a few of the median size (and of it over the half
// range). Without this a hypothesis that throws away the points that fix best focus would gain from
// knowing nothing.
constexpr double kPriorSpreadCentre = 1.0;
constexpr double kPriorSpreadSize = 1.0;
constexpr double kPriorSpreadSlope = 1.5;
// Runs with and without a notable aberration are about as frequent; more of it widens the intervals
// of all.
constexpr double kPriorLopsided = 0.45;
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
  bool operator<(const FewPoints& other) const { return points < other.points; }  // equal counts
};

using ShapeInformation = Eigen::Matrix<double, kShapeParameters, kShapeParameters>;

struct Ranked {
  FewPoints bad;
  double log_evidence;
};

bool heavier(const Ranked& a, const Ranked& b) { return a.log_evidence > b.log_evidence; }

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
      by_count_[bad] = k * std::log(prior_.bad) + (n - k) * std::log(1 - prior_.bad) +
                       std::lgamma(0.5 * (prior_.degrees + degrees)) -
                       0.5 * degrees * std::log(M_PI);
    }
    const Eigen::Vector3d spread(kPriorSpreadCentre, kPriorSpreadSize, kPriorSpreadSlope);
    precision_ << spread.cwiseInverse().cwiseAbs2(), 0.0;  // a has its row
  }

  // ln density of a bad point's size.
  [[nodiscard]] double bad_point(std::size_t i, double curve_size) const {
    return std::log((all_.y[i] > curve_size ? kDensityLarger : kDensitySmaller) / curve_size);
  }
  // What the curve's parameters are known by beforehand, in the unit of the residuals.
  [[nodiscard]] const ShapeParameters& precision() const { return precision_; }
  // `points`: the sum of ln weight of the good points and of bad_point. `log_root_information`: of
  // the points and of what is known beforehand.
  [[nodiscard]] double of(std::size_t bad, double points, double sum_of_squares,
                          double log_root_information, double t0) const {
    const double degrees =
        static_cast<double>(all_.count() - bad) - kFreeShapeParameters + prior_.degrees;
    return by_count_[bad] + points - log_root_information -
           0.5 * t0 * t0 / (kPriorSpreadCentre * kPriorSpreadCentre) -
           0.5 * degrees * std::log(prior_.degrees * usual_ + sum_of_squares);
  }

 private:
  const Samples& all_;
  NoisePrior prior_;
  double usual_;  // variance of a residual weighted by a candidate of the noise
  std::array<double, 4> by_count_{};
  ShapeParameters precision_;
};

// Evidence of every hypothesis with every candidate of the noise, from the curve linearised at one
// fit: taking points out changes a 4 by 4 matrix, no fit is needed.
class Screening {
 public:
  // `all`: with weights of 1.
  Screening(const Samples& all, const ShapeFitter& fitter, const ShapeFit& at,
            const Evidence& evidence)
      : evidence_(evidence),
        t0_(at.parameters[0]),
        n_(all.count()),
        candidates_(noise_candidates(fitter.shape(), all, at)) {
    const ShapeResiduals residuals(all, fitter.shape(), fitter.sigma_a());
    Eigen::VectorXd values(residuals.count());
    Eigen::Matrix<double, Eigen::Dynamic, kShapeParameters> jacobian(residuals.count(),
                                                                     kShapeParameters);
    residuals.evaluate(at.parameters.data(), values.data(), jacobian.data());
    for (std::size_t i = 0; i < n_; ++i) {
      bad_point_.push_back(
          evidence.bad_point(i, shape_size(fitter.shape(), at.parameters, all.t[i])));
    }
    const auto points = static_cast<Eigen::Index>(n_);
    for (const NoiseCandidate& c : candidates_) {
      Sums sums;
      sums.information = evidence.precision().asDiagonal();
      for (Eigen::Index i = 0; i < residuals.count(); ++i) {
        const double variance = i < points ? c.variance[static_cast<std::size_t>(i)] : 1.0;
        const ShapeParameters j = jacobian.row(i) / std::sqrt(variance);
        const double residual = values[i] / std::sqrt(variance);
        if (i < points) rows_.push_back({j, residual, -0.5 * std::log(variance)});
        sums.information += j * j.transpose();
        sums.gradient += j * residual;
        sums.squares += residual * residual;
        if (i < points) sums.points += rows_.back().log_weight;
      }
      whole_.push_back(sums);
    }
  }

  // Heaviest first.
  std::vector<Ranked> all(std::size_t most) {
    found_.clear();
    FewPoints none;
    keep(none, whole_);
    levels_.assign(most + 1, whole_);
    if (most > 0) grow(none, whole_, std::min<std::size_t>(most, 2));
    if (most > 2) grow_best_pairs();
    std::sort(found_.begin(), found_.end(), heavier);
    return std::move(found_);
  }

  // ln evidence of one hypothesis; minus infinity where the points left determine no curve.
  double of(const FewPoints& bad) {
    std::vector<Sums> sums = whole_;
    for (std::size_t b = 0; b < bad.count; ++b) take_out(sums, bad.points[b], sums);
    return judge(bad, sums);
  }

  // The noise that a hypothesis' own good points speak for: the candidates' average, each times the
  // factor that the residuals ask of it.
  std::vector<double> sigmas(const FewPoints& bad) {
    of(bad);
    const double best = *std::max_element(of_candidate_.begin(), of_candidate_.end());
    std::vector<double> sigma(n_, 0.0);
    double total = 0;
    for (std::size_t c = 0; c < candidates_.size(); ++c) {
      const double weight = std::exp(of_candidate_[c] - best);
      total += weight;
      for (std::size_t i = 0; i < n_; ++i) {
        sigma[i] += weight * factor_[c] * candidates_[c].variance[i];
      }
    }
    for (double& s : sigma) s = std::sqrt(s / total);
    return sigma;
  }

 private:
  struct Sums {
    ShapeInformation information = ShapeInformation::Zero();
    ShapeParameters gradient = ShapeParameters::Zero();
    double squares = 0;
    double points = 0;  // ln weight of the good ones, ln density of the bad ones
  };
  struct Row {
    ShapeParameters jacobian;
    double residual;
    double log_weight;
  };

  void take_out(const std::vector<Sums>& sums, std::size_t i, std::vector<Sums>& rest) const {
    for (std::size_t c = 0; c < sums.size(); ++c) {
      const Row& row = rows_[c * n_ + i];
      rest[c].information.noalias() = sums[c].information - row.jacobian * row.jacobian.transpose();
      rest[c].gradient = sums[c].gradient - row.jacobian * row.residual;
      rest[c].squares = sums[c].squares - row.residual * row.residual;
      rest[c].points = sums[c].points - row.log_weight + bad_point_[i];
    }
  }
  // ln evidence over all candidates; what each of them has stays in of_candidate_ and factor_.
  double judge(const FewPoints& bad, const std::vector<Sums>& sums) {
    const double degrees = static_cast<double>(n_ - bad.count) - kFreeShapeParameters;
    of_candidate_.assign(sums.size(), -std::numeric_limits<double>::infinity());
    factor_.assign(sums.size(), 1.0);
    double best = -std::numeric_limits<double>::infinity();
    for (std::size_t c = 0; c < sums.size(); ++c) {
      const Eigen::LLT<ShapeInformation> factor(sums[c].information);
      const double root = factor.matrixLLT().diagonal().prod();
      const double squares =
          std::max(sums[c].squares - factor.matrixL().solve(sums[c].gradient).squaredNorm(), 0.0);
      const double value = candidates_[c].log_prior +
                           evidence_.of(bad.count, sums[c].points, squares, std::log(root), t0_);
      if (!std::isfinite(value)) continue;
      of_candidate_[c] = value;
      factor_[c] = (squares + kPriorDegrees) / (degrees + kPriorDegrees);
      best = std::max(best, value);
    }
    if (!std::isfinite(best)) return best;
    double sum = 0;
    for (const double value : of_candidate_) sum += std::exp(value - best);
    return best + std::log(sum);
  }
  void keep(const FewPoints& bad, const std::vector<Sums>& sums) {
    const double value = judge(bad, sums);
    if (std::isfinite(value)) found_.push_back({bad, value});
  }
  void grow(const FewPoints& bad, const std::vector<Sums>& sums, std::size_t depth) {
    for (std::size_t i = bad.count == 0 ? 0 : bad.points[bad.count - 1] + 1; i < n_; ++i) {
      const FewPoints larger = bad.with(i);
      std::vector<Sums>& rest = levels_[larger.count];
      take_out(sums, i, rest);
      keep(larger, rest);
      if (larger.count < depth) grow(larger, rest, depth);
    }
  }
  void grow_best_pairs() {
    std::vector<Ranked> pairs;
    double best = -std::numeric_limits<double>::infinity();
    for (const Ranked& r : found_) best = std::max(best, r.log_evidence);
    for (const Ranked& r : found_) {
      if (r.bad.count == 2 && r.log_evidence > best - kTripleReach) pairs.push_back(r);
    }
    const std::size_t few = std::min(kTripleParents, pairs.size());
    std::partial_sort(pairs.begin(), pairs.begin() + static_cast<std::ptrdiff_t>(few), pairs.end(),
                      heavier);
    std::set<FewPoints> seen;
    for (std::size_t k = 0; k < few; ++k) {
      take_out(whole_, pairs[k].bad.points[0], levels_[1]);
      take_out(levels_[1], pairs[k].bad.points[1], levels_[2]);
      for (std::size_t i = 0; i < n_; ++i) {
        if (pairs[k].bad.holds(i)) continue;
        const FewPoints three = pairs[k].bad.with(i);
        if (!seen.insert(three).second) continue;
        take_out(levels_[2], i, levels_[3]);
        keep(three, levels_[3]);
      }
    }
  }

  const Evidence& evidence_;
  double t0_;
  std::size_t n_;
  std::vector<NoiseCandidate> candidates_;
  std::vector<Row> rows_;  // of one candidate after the other
  std::vector<Sums> whole_;
  std::vector<std::vector<Sums>> levels_;
  std::vector<double> bad_point_;
  std::vector<Ranked> found_;
  std::vector<double> of_candidate_;  // of the hypothesis judged last
  std::vector<double> factor_;
};

struct Weighed {
  Hypothesis hypothesis;
  double log_evidence;
};

// Refitted with `sigma`, then weighed with every candidate of the noise about its own curve.
std::optional<Weighed> weighed(ShapeFitter& fitter, bool lopsided, Samples& samples,
                               const Samples& unit, const Evidence& evidence, const FewPoints& bad,
                               const std::vector<double>& sigma, const ShapeFit& start) {
  for (std::size_t i = 0; i < samples.count(); ++i) {
    samples.weight[i] = bad.holds(i) ? 0 : 1 / sigma[i];
  }
  Weighed w{{0, bad.set(), lopsided, 0, samples.weight, fitter.refit(samples, start)}, 0};
  const ShapeFit& fit = w.hypothesis.fit;
  if (!fit.usable) return std::nullopt;
  // The prior of a: its density's constant and the share of its kind.
  const double prior =
      std::log((lopsided ? kPriorLopsided : 1 - kPriorLopsided) / fitter.sigma_a());
  w.log_evidence = prior + Screening(unit, fitter, fit, evidence).of(bad);
  if (!std::isfinite(w.log_evidence)) return std::nullopt;
  return w;
}

}  // namespace

std::vector<Hypothesis> weigh_hypotheses(const std::vector<ShapeFitters*>& shapes,
                                         std::size_t first, const Samples& samples,
                                         const NoiseModel& noise, const ShapeFit& clean) {
  const Evidence evidence(samples, noise);
  const std::size_t most = most_bad(samples.count());
  Samples s = samples;
  Samples unit = samples;
  std::fill(unit.weight.begin(), unit.weight.end(), 1.0);
  std::vector<Weighed> found;
  // Linearised at the fit of all points, then at the best hypothesis found, until that is stable.
  ShapeFit at = clean;
  std::size_t shape = first;
  Set last;
  constexpr int kRounds = 3;
  for (int round = 0; round < kRounds; ++round) {
    Screening screening(unit, shapes[shape]->lopsided, at, evidence);
    const std::vector<Ranked> ranked = screening.all(most);
    found.clear();
    double best_evidence = -std::numeric_limits<double>::infinity();
    for (std::size_t i = 0; i < std::min(kMostRefits, ranked.size()); ++i) {
      if (ranked[i].log_evidence < ranked.front().log_evidence - kScreen) break;
      const std::vector<double> sigma = screening.sigmas(ranked[i].bad);
      // The shape that it was screened with first; where that is hopeless the others are too.
      bool hopeless = false;
      for (std::size_t k = 0; k < shapes.size() && !hopeless; ++k) {
        const std::size_t number = (shape + k) % shapes.size();
        for (const bool lopsided : {false, true}) {
          auto w = weighed(shapes[number]->of(lopsided), lopsided, s, unit, evidence, ranked[i].bad,
                           sigma, at);
          if (!w) continue;
          w->hypothesis.shape = number;
          best_evidence = std::max(best_evidence, w->log_evidence);
          hopeless = w->log_evidence < best_evidence - kHopeless;
          found.push_back(std::move(*w));
          if (hopeless) break;
        }
      }
    }
    std::sort(found.begin(), found.end(),
              [](const Weighed& a, const Weighed& b) { return a.log_evidence > b.log_evidence; });
    if (found.empty()) break;
    const Hypothesis& best = found.front().hypothesis;
    if (best.bad == last) break;
    last = best.bad;
    at = best.fit;
    shape = best.shape;
  }
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
