#include "curve/outliers.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <set>

namespace starwaist::curve {
namespace {

// What a bad point may be: a trailed or clouded star reads up to twice its size, hardly ever down
// to half of it. Density of the size, relative to the curve's size.
constexpr double kDensityLarger = 0.94 / 1.0;
constexpr double kDensitySmaller = 0.06 / 0.5;
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
constexpr NoisePrior kWithOwnSigmas{14, 0.04};
constexpr NoisePrior kWithoutSigmas{1, 0.01};
// What is known of the curve before any point: best focus within about a half range of the sweep's
// centre, size and slope within a factor of a few of the median size (and of it over the half
// range). Without this a hypothesis that throws away the points that fix best focus would gain from
// knowing nothing.
constexpr double kPriorSpreadCentre = 1.0;
constexpr double kPriorSpreadSize = 1.0;
constexpr double kPriorSpreadSlope = 1.5;
constexpr double kPriorLopsided = 0.5;
constexpr double kNotable = 0.01;  // share of the heaviest weight below which a part is dropped
constexpr double kScreen = 6;      // the same for the linear screening, in units of ln evidence
constexpr std::size_t kMostRefits = 24;
constexpr std::size_t kMostForAllTriples = 20;  // points; above it triples grow from the best pairs
constexpr std::size_t kTripleParents = 40;

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
        prior_squares_(prior_.degrees * std::min(noise.prior_variance, 1.0)) {
    const double n = static_cast<double>(all.count());
    for (std::size_t bad = 0; bad < by_count_.size(); ++bad) {
      const double k = static_cast<double>(bad);
      const double degrees = n - k - kFreeShapeParameters;
      by_count_[bad] = k * std::log(prior_.bad) + (n - k) * std::log(1 - prior_.bad) +
                       std::lgamma(0.5 * (prior_.degrees + degrees)) -
                       0.5 * degrees * std::log(M_PI);
    }
    const Eigen::Vector3d spread(kPriorSpreadCentre, kPriorSpreadSize, kPriorSpreadSlope);
    precision_ << noise.prior_variance * spread.cwiseInverse().cwiseAbs2(), 0.0;  // a has its row
  }

  // ln density of a bad point's size beside that of a good one's unit weight.
  [[nodiscard]] double bad_point(std::size_t i, double curve_size) const {
    const double density = (all_.y[i] > curve_size ? kDensityLarger : kDensitySmaller) / curve_size;
    return std::log(density / all_.weight[i]);
  }
  [[nodiscard]] double of(std::size_t bad, double sum_of_squares,
                          const ShapeInformation& information, double t0, double bad_points) const {
    const Eigen::LLT<ShapeInformation> with_prior(information +
                                                  ShapeInformation(precision_.asDiagonal()));
    const double degrees =
        static_cast<double>(all_.count() - bad) - kFreeShapeParameters + prior_.degrees;
    return by_count_[bad] + bad_points - std::log(with_prior.matrixLLT().diagonal().prod()) -
           0.5 * t0 * t0 / (kPriorSpreadCentre * kPriorSpreadCentre) -
           0.5 * degrees * std::log(prior_squares_ + sum_of_squares);
  }

 private:
  const Samples& all_;
  NoisePrior prior_;
  double prior_squares_;
  std::array<double, 4> by_count_{};
  ShapeParameters precision_;
};

// Evidence of every hypothesis from the curve linearised at one fit: taking points out changes a
// 4 by 4 matrix, no fit is needed.
class Screening {
 public:
  Screening(const Samples& all, const ShapeFitter& fitter, const ShapeFit& at,
            const Evidence& evidence)
      : evidence_(evidence), t0_(at.parameters[0]), n_(all.count()) {
    const ShapeResiduals residuals(all, fitter.shape(), fitter.sigma_a());
    residuals_.resize(residuals.count());
    jacobian_.resize(residuals.count(), kShapeParameters);
    residuals.evaluate(at.parameters.data(), residuals_.data(), jacobian_.data());
    whole_.information = jacobian_.transpose() * jacobian_;
    whole_.gradient = jacobian_.transpose() * residuals_;
    whole_.squares = residuals_.squaredNorm();
    for (std::size_t i = 0; i < n_; ++i) {
      bad_point_.push_back(
          evidence.bad_point(i, shape_size(fitter.shape(), at.parameters, all.t[i])));
    }
  }

  // Heaviest first.
  std::vector<Ranked> all(std::size_t most) {
    found_.clear();
    judge({}, whole_);
    const std::size_t depth = std::min<std::size_t>(most, n_ <= kMostForAllTriples ? 3 : 2);
    if (depth > 0) grow({}, whole_, depth);
    if (most > depth) grow_best_pairs();
    std::sort(found_.begin(), found_.end(), heavier);
    return std::move(found_);
  }

 private:
  struct Sums {
    ShapeInformation information;
    ShapeParameters gradient;
    double squares = 0;
    double bad_points = 0;
  };

  [[nodiscard]] Sums less(const Sums& sums, std::size_t i) const {
    const auto row = static_cast<Eigen::Index>(i);
    const ShapeParameters j = jacobian_.row(row);
    return {sums.information - j * j.transpose(), sums.gradient - j * residuals_[row],
            sums.squares - residuals_[row] * residuals_[row], sums.bad_points + bad_point_[i]};
  }
  void judge(const FewPoints& bad, const Sums& sums) {
    const Eigen::LLT<ShapeInformation> factor(sums.information);
    if (factor.info() != Eigen::Success) return;  // the points left determine no curve
    const double squares =
        std::max(sums.squares - factor.matrixL().solve(sums.gradient).squaredNorm(), 0.0);
    const double value = evidence_.of(bad.count, squares, sums.information, t0_, sums.bad_points);
    if (std::isfinite(value)) found_.push_back({bad, value});
  }
  void grow(const FewPoints& bad, const Sums& sums, std::size_t depth) {
    for (std::size_t i = bad.count == 0 ? 0 : bad.points[bad.count - 1] + 1; i < n_; ++i) {
      const FewPoints larger = bad.with(i);
      const Sums rest = less(sums, i);
      judge(larger, rest);
      if (larger.count < depth) grow(larger, rest, depth);
    }
  }
  void grow_best_pairs() {
    std::vector<Ranked> pairs;
    for (const Ranked& r : found_) {
      if (r.bad.count == 2) pairs.push_back(r);
    }
    const std::size_t few = std::min(kTripleParents, pairs.size());
    std::partial_sort(pairs.begin(), pairs.begin() + static_cast<std::ptrdiff_t>(few), pairs.end(),
                      heavier);
    std::set<FewPoints> seen;
    for (std::size_t k = 0; k < few; ++k) {
      const Sums two = less(less(whole_, pairs[k].bad.points[0]), pairs[k].bad.points[1]);
      for (std::size_t i = 0; i < n_; ++i) {
        if (pairs[k].bad.holds(i)) continue;
        const FewPoints three = pairs[k].bad.with(i);
        if (seen.insert(three).second) judge(three, less(two, i));
      }
    }
  }

  const Evidence& evidence_;
  double t0_;
  std::size_t n_;
  Eigen::VectorXd residuals_;
  Eigen::Matrix<double, Eigen::Dynamic, kShapeParameters> jacobian_;
  Sums whole_;
  std::vector<double> bad_point_;
  std::vector<Ranked> found_;
};

struct Weighed {
  Hypothesis hypothesis;
  double log_evidence;
};

std::optional<Weighed> weighed(ShapeFitter& fitter, bool lopsided, const Samples& all,
                               LeavingOut& rest, const Evidence& evidence, const Set& bad,
                               const ShapeFit& start) {
  Weighed w{{bad, lopsided, 0, fitter.refit(rest.points(bad), start)}, 0};
  const ShapeFit& fit = w.hypothesis.fit;
  if (!fit.usable) return std::nullopt;
  double bad_points = 0;
  for (const std::size_t i : bad) {
    bad_points += evidence.bad_point(i, shape_size(fitter.shape(), fit.parameters, all.t[i]));
  }
  // The prior of a: its density's constant and the share of its kind.
  const double prior =
      std::log((lopsided ? kPriorLopsided : 1 - kPriorLopsided) / fitter.sigma_a());
  w.log_evidence =
      prior + evidence.of(bad.size(), fit.sum_of_squares, fit.unscaled_covariance.inverse(),
                          fit.parameters[0], bad_points);
  if (!std::isfinite(w.log_evidence)) return std::nullopt;
  return w;
}

}  // namespace

std::vector<Hypothesis> weigh_hypotheses(ShapeFitters& fitters, const Samples& samples,
                                         const NoiseModel& noise, const ShapeFit& clean) {
  const Evidence evidence(samples, noise);
  const std::size_t most = most_bad(samples.count());
  LeavingOut rest(samples);
  // Linearised at the fit of all points, then at the best hypothesis found, until that is stable.
  ShapeFit at = clean;
  Set best;
  std::vector<Ranked> ranked;
  constexpr int kRounds = 3;
  for (int round = 0; round < kRounds; ++round) {
    ranked = Screening(samples, fitters.lopsided, at, evidence).all(most);
    if (ranked.empty() || ranked.front().bad.set() == best) break;
    best = ranked.front().bad.set();
    const ShapeFit next = fitters.lopsided.refit(rest.points(best), at, kSquaresTolerance);
    if (!next.usable) break;
    at = next;
  }
  std::vector<Weighed> found;
  const auto try_both = [&](const Set& bad, const ShapeFit& start) {
    for (const bool lopsided : {false, true}) {
      auto w = weighed(fitters.of(lopsided), lopsided, samples, rest, evidence, bad, start);
      if (w) found.push_back(std::move(*w));
    }
  };
  try_both({}, clean);
  for (std::size_t i = 0; i < std::min(kMostRefits, ranked.size()); ++i) {
    if (ranked[i].log_evidence < ranked.front().log_evidence - kScreen) break;
    if (ranked[i].bad.count > 0) try_both(ranked[i].bad.set(), at);
  }
  std::vector<Hypothesis> kept;
  if (found.empty()) {
    kept.push_back({{}, false, 1, clean});
    return kept;
  }
  std::sort(found.begin(), found.end(),
            [](const Weighed& a, const Weighed& b) { return a.log_evidence > b.log_evidence; });
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

const Samples& LeavingOut::points(const std::vector<std::size_t>& bad) {
  for (const std::size_t i : left_out_) rest_.weight[i] = all_.weight[i];
  for (const std::size_t i : bad) rest_.weight[i] = 0;
  left_out_ = bad;
  return rest_;
}

}  // namespace starwaist::curve
