#include "curve/screening.h"

#include <algorithm>
#include <cmath>

#include "numerics/log_sum.h"
#include "numerics/small_cholesky.h"

namespace starwaist::curve {
namespace {

// Triples grow from the best pairs that are no more hopeless than that.
constexpr std::size_t kTripleParents = 12;
constexpr double kTripleReach = 10;

bool heavier(const Ranked& a, const Ranked& b) { return a.log_evidence > b.log_evidence; }

}  // namespace

Screening::Screening(const Linearised& curve, const Evidence& evidence)
    : curve_(curve), evidence_(evidence), n_(curve.rows.size()) {
  points_.reserve(n_ * curve.noise.count());
  for (std::size_t c = 0; c < curve.noise.count(); ++c) add_candidate(curve.noise.variances(c));
  for (std::size_t i = 0; i < n_; ++i) {
    bad_point_.push_back(evidence.bad_point(i, curve.sizes[i]));
  }
}

std::vector<Ranked> Screening::heaviest(std::size_t most_bad, std::size_t count) {
  found_.clear();
  keep({});
  grow({}, std::min<std::size_t>(most_bad, 2));
  if (most_bad > 2) grow_best_pairs();
  const auto few = static_cast<std::ptrdiff_t>(std::min(count, found_.size()));
  std::partial_sort(found_.begin(), found_.begin() + few, found_.end(), heavier);
  found_.erase(found_.begin() + few, found_.end());
  return std::move(found_);
}

std::vector<double> Screening::sigmas(const FewPoints& bad) {
  weigh(bad);
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

void Screening::add_candidate(std::span<const double> variance) {
  Sums sums = curve_.known;
  for (std::size_t i = 0; i < n_; ++i) {
    sums.add(curve_.rows[i].jacobian, curve_.rows[i].residual, 1 / variance[i]);
  }
  const numerics::SmallCholesky<kShapeParameters> factor(sums.information);
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

double Screening::weigh(const FewPoints& bad) {
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
  return numerics::log_sum(of_candidate_);
}

void Screening::keep(const FewPoints& bad) {
  const double value = weigh(bad);
  if (std::isfinite(value)) found_.push_back({bad, value});
}

void Screening::grow(const FewPoints& bad, std::size_t depth) {
  if (bad.count == depth) return;
  for (std::size_t i = bad.count == 0 ? 0 : bad.points[bad.count - 1] + 1; i < n_; ++i) {
    const FewPoints larger = bad.with(i);
    keep(larger);
    grow(larger, depth);
  }
}

void Screening::grow_best_pairs() {
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

}  // namespace starwaist::curve
