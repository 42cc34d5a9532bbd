#include "curve/outliers.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "curve/evidence.h"
#include "curve/screening.h"

namespace starwaist::curve {
namespace {

constexpr double kNotable = 0.01;  // share of the heaviest weight below which a part is dropped
constexpr double kScreen = 5.5;    // the same for the linear screening, in units of ln evidence
constexpr double kHopeless = 6;    // and for a part fitted by one of the shapes
constexpr std::size_t kMostRefits = 16;

std::size_t most_bad(std::size_t points) {
  // Three parameters and at least one residual degree of freedom must be left.
  if (points < 5) return 0;
  if (points < 7) return 1;
  return points < 9 ? 2 : 3;
}

// What a search works on.
struct Problem {
  const std::vector<ShapeFitters*>& shapes;
  Evidence evidence;
  Samples samples;  // with the weights of the hypothesis that was refitted last
  Samples unit;     // with weights of 1
};

struct Weighed {
  Hypothesis hypothesis;
  double log_evidence;
};

// Refitted with `sigma`, then weighed with every candidate of the noise about its own curve.
std::optional<Weighed> weighed(Problem& problem, std::size_t shape, bool lopsided,
                               const FewPoints& bad, const std::vector<double>& sigma,
                               const ShapeFit& start) {
  Samples& samples = problem.samples;
  for (std::size_t i = 0; i < samples.count(); ++i) {
    samples.weight[i] = bad.holds(i) ? 0 : 1 / sigma[i];
  }
  ShapeFitter& fitter = problem.shapes[shape]->of(lopsided);
  Weighed w{{shape, bad.set(), lopsided, 0, samples.weight, fitter.refit(samples, start)}, 0};
  const ShapeFit& fit = w.hypothesis.fit;
  if (!fit.usable) return std::nullopt;
  const Evidence& evidence = problem.evidence;
  w.log_evidence = evidence.log_prior(*problem.shapes[shape], lopsided) +
                   log_evidence(Linearised(problem.unit, fitter, fit, evidence), evidence, bad);
  if (!std::isfinite(w.log_evidence)) return std::nullopt;
  return w;
}

std::size_t smallest_but(const FewPoints& others, const Samples& samples) {
  std::size_t smallest = 0;
  while (others.holds(smallest)) ++smallest;
  for (std::size_t i = smallest + 1; i < samples.count(); ++i) {
    if (samples.y[i] < samples.y[smallest] && !others.holds(i)) smallest = i;
  }
  return smallest;
}

bool all_bad(const FewPoints& points, const std::vector<std::size_t>& bad) {
  const std::vector<std::size_t> set = points.set();
  return std::includes(bad.begin(), bad.end(), set.begin(), set.end());
}

void sort(std::vector<Weighed>& found) {
  std::sort(found.begin(), found.end(),
            [](const Weighed& a, const Weighed& b) { return a.log_evidence > b.log_evidence; });
}

// What was found twice stays once, as it is heavier.
void merge(std::vector<Weighed> more, std::vector<Weighed>& found) {
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

// The hypothesis by every shape, even and lopsided: the shape that it was screened with first;
// where one is hopeless beside `best_evidence` the others are too.
void refit_by_shapes(Problem& problem, const FewPoints& bad, const std::vector<double>& sigma,
                     const ShapeFit& start, std::size_t first, double& best_evidence,
                     std::vector<Weighed>& found) {
  for (std::size_t k = 0; k < problem.shapes.size(); ++k) {
    const std::size_t number = (first + k) % problem.shapes.size();
    for (const bool lopsided : {false, true}) {
      auto w = weighed(problem, number, lopsided, bad, sigma, start);
      if (!w) continue;
      best_evidence = std::max(best_evidence, w->log_evidence);
      const bool hopeless = w->log_evidence < best_evidence - kHopeless;
      found.push_back(std::move(*w));
      if (hopeless) return;
    }
  }
}

// Those that look likely near one curve, beside the ones known, refitted; heaviest first.
std::vector<Weighed> look_from(Problem& problem, const ShapeFit& at, std::size_t shape,
                               const std::vector<Weighed>& known) {
  ShapeFitters& fitters = *problem.shapes[shape];
  const Linearised curve(problem.unit, fitters.lopsided, at, problem.evidence);
  Screening screening(curve, problem.evidence);
  const std::vector<Ranked> ranked =
      screening.heaviest(most_bad(problem.unit.count()), kMostRefits);
  if (ranked.empty()) return {};
  double top = ranked.front().log_evidence;
  if (!known.empty()) {
    top = std::max(top, known.front().log_evidence - problem.evidence.log_prior(fitters, true));
  }
  std::vector<Weighed> found;
  double best_evidence = kNothing;
  for (const Ranked& r : ranked) {
    if (r.log_evidence < top - kScreen) break;
    if (std::any_of(known.begin(), known.end(),
                    [bad = r.bad.set()](const Weighed& w) { return w.hypothesis.bad == bad; })) {
      continue;
    }
    refit_by_shapes(problem, r.bad, screening.sigmas(r.bad), at, shape, best_evidence, found);
  }
  sort(found);
  return found;
}

// A screening sees only what lies near the curve it is linearised at, so it is repeated at the best
// hypothesis found until that is stable.
std::vector<Weighed> climb(Problem& problem, const ShapeFit& start, std::size_t shape) {
  ShapeFit at = start;
  std::vector<std::size_t> last;
  std::vector<Weighed> found;
  constexpr int kRounds = 3;
  for (int round = 0; round < kRounds; ++round) {
    found = look_from(problem, at, shape, {});
    if (found.empty()) break;
    const Hypothesis& best = found.front().hypothesis;
    if (best.bad == last) break;
    last = best.bad;
    at = best.fit;
    shape = best.shape;
  }
  return found;
}

// Finds the hypotheses of notable weight; heaviest first.
//
// Points too small by themselves: a curve drawn into them has its bottom there, its arms pass among
// the others, and near it the truth is no hypothesis worth a look. So the search starts again from
// the curve without the smallest size, and without the two smallest.
std::vector<Weighed> search(Problem& problem, const ShapeFit& clean, std::size_t shape) {
  std::vector<Weighed> found = climb(problem, clean, shape);
  if (found.empty() || found.front().hypothesis.bad.empty()) return found;
  Samples& samples = problem.samples;
  const std::vector<double> weights = samples.weight;
  FewPoints smallest;
  for (std::size_t k = 0; k < std::min<std::size_t>(most_bad(samples.count()), 2); ++k) {
    smallest = smallest.with(smallest_but(smallest, samples));
    if (all_bad(smallest, found.front().hypothesis.bad)) continue;
    for (std::size_t i = 0; i < weights.size(); ++i) {
      samples.weight[i] = smallest.holds(i) ? 0 : weights[i];
    }
    const ShapeFit start = problem.shapes[shape]->even.fit(samples);
    if (!start.usable) continue;
    std::vector<Weighed> others = look_from(problem, start, shape, found);
    const bool better = !others.empty() && others.front().log_evidence > found.front().log_evidence;
    if (better) {
      const Hypothesis from = others.front().hypothesis;
      others = climb(problem, from.fit, from.shape);
    }
    merge(std::move(others), found);
  }
  return found;
}

}  // namespace

std::vector<Hypothesis> weigh_hypotheses(const std::vector<ShapeFitters*>& shapes,
                                         std::size_t first, const Samples& samples,
                                         const NoiseModel& noise, const ShapeFit& clean) {
  Problem problem{shapes, Evidence(samples, noise), samples, samples};
  std::fill(problem.unit.weight.begin(), problem.unit.weight.end(), 1.0);
  std::vector<Weighed> found = search(problem, clean, first);
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
