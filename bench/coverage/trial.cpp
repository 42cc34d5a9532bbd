#include "coverage/trial.h"

#include <algorithm>
#include <cmath>
#include <string>

namespace starwaist::bench::coverage {

namespace {

double fisher_sigma(const std::vector<std::array<double, 3>>& rows) {
  double a[3][3] = {};
  for (const auto& r : rows) {
    for (int i = 0; i < 3; ++i) {
      for (int j = 0; j < 3; ++j)
        a[i][j] += r[static_cast<std::size_t>(i)] * r[static_cast<std::size_t>(j)];
    }
  }
  const double minor = a[1][1] * a[2][2] - a[1][2] * a[2][1];
  const double det = a[0][0] * minor - a[0][1] * (a[1][0] * a[2][2] - a[1][2] * a[2][0]) +
                     a[0][2] * (a[1][0] * a[2][1] - a[1][1] * a[2][0]);
  return std::sqrt(minor / det);
}

double size_at(const Telescope& t, const Setting& s, double from_best) {
  if (s.shape_power == 0) return t.curve.at(t.curve.best_um() + from_best);
  const double power = std::pow(std::abs(from_best) / t.core_um, s.shape_power);
  return t.curve.at(t.curve.best_um()) * std::pow(1 + power, 1 / s.shape_power);
}

// The true curve at one position, um.
struct TruePoint {
  double from_best = 0;
  double size = 0;
  double share = 0;  // of a change of the seeing that the size takes
  double slope = 0;
  double sigma = 0;  // of the size, by seeing and measuring
};

TruePoint true_point(const Telescope& t, const Setting& s, double from_best) {
  const double z = t.curve.best_um() + from_best;
  const double size = size_at(t, s, from_best);
  const double share = s.shape_power == 0
                           ? (std::log(t.worse.at(z)) - std::log(t.curve.at(z))) / std::log(1.03)
                           : std::pow(t.curve.at(t.curve.best_um()) / size, s.shape_power);
  const double sigma = size * std::hypot(s.measuring, share * s.seeing_scatter);
  const double slope = size_at(t, s, from_best + 0.5) - size_at(t, s, from_best - 0.5);
  return {from_best, size, share, slope, sigma};
}

// `seeing` and `error`: how far both are from their means, in their own scatter.
CurvePoint recorded(const TruePoint& point, const Setting& s, double truth, double seeing,
                    double error) {
  CurvePoint p;
  p.position_steps = truth + point.from_best;
  p.size_px = point.size * std::exp(point.share * s.seeing_scatter * seeing) *
              (1 + s.measuring * error) / kPixelUm;
  if (s.quantum_px > 0) p.size_px = s.quantum_px * std::round(*p.size_px / s.quantum_px);
  if (s.give_sigma) p.sigma_px = s.sigma_factor * s.measuring * point.size / kPixelUm;
  return p;
}

// Moves some points off the curve; which.
std::vector<std::size_t> spoil(std::vector<CurvePoint>& points, const Setting& s,
                               const std::vector<TruePoint>& truth, std::mt19937_64& random) {
  std::vector<std::size_t> order(points.size());
  for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
  std::shuffle(order.begin(), order.end(), random);
  std::uniform_real_distribution<double> uniform(-1, 1);
  std::uniform_real_distribution<double> how_far(s.outlier_low, s.outlier_high);
  std::vector<std::size_t> bad;
  for (int i = 0; i < s.outliers; ++i) {
    const std::size_t which = order[static_cast<std::size_t>(i)];
    CurvePoint& p = points[which];
    const double far = how_far(random) * (truth[which].sigma / kPixelUm);
    const bool larger = s.only_larger || uniform(random) > 0;
    p.size_px = std::max(0.2 * *p.size_px, *p.size_px + (larger ? far : -far));
    bad.push_back(which);
  }
  return bad;
}

}  // namespace

Trial make_trial(const Telescope& t, const Setting& s, std::mt19937_64& random) {
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> uniform(-1, 1);
  Trial trial;
  const double half_range = s.half_range * t.core_um;
  const double offset = s.largest_offset * half_range * uniform(random);
  trial.truth = 20000;
  std::vector<std::array<double, 3>> rows;
  std::vector<TruePoint> truth;
  double seeing = normal(random);
  for (int i = 0; i < s.n; ++i) {
    const int place = s.repeats ? 2 * ((i + 1) / 2) : i;
    const double from_best =
        offset + half_range * (2.0 * place / (s.n - 1) - 1 +
                               s.unequal_steps * uniform(random) * 2.0 / (s.n - 1));
    const TruePoint p = true_point(t, s, from_best);
    seeing = s.seeing_correlation * seeing +
             std::sqrt(1 - s.seeing_correlation * s.seeing_correlation) * normal(random);
    rows.push_back({p.slope / p.sigma, p.share * p.size / p.sigma, from_best * p.slope / p.sigma});
    trial.rows.push_back({p.slope / p.size, p.share, from_best * p.slope / p.size});
    trial.measuring.push_back(s.measuring);
    truth.push_back(p);
    trial.points.push_back(recorded(p, s, trial.truth, seeing, normal(random)));
    trial.points.back().file = "row " + std::to_string(i + 1);
  }
  trial.bad = spoil(trial.points, s, truth, random);
  for (std::size_t i = 0; i < trial.points.size(); ++i) {
    trial.deviation.push_back(*trial.points[i].size_px / (truth[i].size / kPixelUm) - 1);
  }
  trial.fisher = fisher_sigma(rows);
  return trial;
}

}  // namespace starwaist::bench::coverage
