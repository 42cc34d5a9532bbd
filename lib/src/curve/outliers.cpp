#include "curve/outliers.h"

#include <algorithm>
#include <cmath>

namespace starwaist::curve {
namespace {

// Before seeing the data one point in forty is bad (common practice, no source).
constexpr double kPriorBad = 0.025;
// What a bad point may be: a trailed or clouded star reads up to twice its size, more rarely down
// to half of it. Density of the size, relative to the curve's size.
constexpr double kDensityLarger = 0.75 / 1.0;
constexpr double kDensitySmaller = 0.25 / 0.5;
// The expected noise counts as this many degrees of freedom, so that three points that happen to
// lie on one curve do not make all the others bad.
constexpr double kPriorDegrees = 3;
constexpr double kNotable = 0.01;  // share of the heaviest weight below which a part is dropped
constexpr std::size_t kTripleParents = 6;  // pairs from which triples are formed

int most_bad(int points) {
  // Three parameters and at least one residual degree of freedom must be left.
  if (points < 5) return 0;
  if (points < 7) return 1;
  return points < 9 ? 2 : 3;
}

struct Weighed {
  Hypothesis hypothesis;
  double log_evidence;
};

double log_evidence(const Samples& all, const Hypothesis& h, const Shape& shape,
                    double prior_variance) {
  const double n = static_cast<double>(all.count());
  const double bad = static_cast<double>(h.bad.size());
  const double degrees = n - bad - ShapeResiduals::kParameters;
  double result = bad * std::log(kPriorBad) + (n - bad) * std::log(1 - kPriorBad);
  // Likelihood of the good points, integrated over the curve and over the noise's variance, which
  // has a scaled inverse chi-squared prior; constants that all hypotheses share are left out.
  const double prior_squares = kPriorDegrees * prior_variance;
  result += std::lgamma(0.5 * (kPriorDegrees + degrees)) - 0.5 * degrees * std::log(M_PI) -
            0.5 * h.fit.log_det_information -
            0.5 * (kPriorDegrees + degrees) * std::log(prior_squares + h.fit.sum_of_squares);
  for (std::size_t i = 0; i < all.count(); ++i) result += std::log(all.weight[i]);
  for (const std::size_t i : h.bad) {
    const double size = shape_size(shape, h.fit.parameters, all.t[i]);
    const double density = (all.y[i] > size ? kDensityLarger : kDensitySmaller) / size;
    result += std::log(density) - std::log(all.weight[i]);
  }
  return result;
}

class Search {
 public:
  Search(ShapeFitter& fitter, const Samples& all, const NoiseModel& noise)
      : fitter_(fitter), all_(all), noise_(noise), work_(all) {}

  void add(std::vector<std::size_t> bad, const ShapeFit& start) {
    std::sort(bad.begin(), bad.end());
    for (const Weighed& other : found_) {
      if (other.hypothesis.bad == bad) return;
    }
    work_.weight = all_.weight;
    for (const std::size_t i : bad) work_.weight[i] = 0;
    Hypothesis h{std::move(bad), 0, fitter_.refit(work_, start)};
    if (!h.fit.usable) return;
    const double evidence = log_evidence(all_, h, fitter_.shape(), noise_.prior_variance);
    found_.push_back({std::move(h), evidence});
  }

  std::vector<Weighed>& found() { return found_; }

  // Indices of the found hypotheses with `size` bad points, heaviest first.
  std::vector<std::size_t> heaviest(std::size_t size) const {
    std::vector<std::size_t> order;
    for (std::size_t i = 0; i < found_.size(); ++i) {
      if (found_[i].hypothesis.bad.size() == size) order.push_back(i);
    }
    std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
      return found_[a].log_evidence > found_[b].log_evidence;
    });
    return order;
  }

 private:
  ShapeFitter& fitter_;
  const Samples& all_;
  const NoiseModel& noise_;
  Samples work_;
  std::vector<Weighed> found_;
};

void extend(Search& search, std::size_t count, std::size_t size, std::size_t parents) {
  const std::vector<std::size_t> order = search.heaviest(size);
  for (std::size_t rank = 0; rank < std::min(parents, order.size()); ++rank) {
    const Hypothesis parent = search.found()[order[rank]].hypothesis;
    for (std::size_t i = 0; i < count; ++i) {
      if (std::find(parent.bad.begin(), parent.bad.end(), i) != parent.bad.end()) continue;
      std::vector<std::size_t> bad = parent.bad;
      bad.push_back(i);
      search.add(std::move(bad), parent.fit);
    }
  }
}

}  // namespace

std::vector<Hypothesis> weigh_hypotheses(ShapeFitter& fitter, const Samples& samples,
                                         const NoiseModel& noise, const ShapeFit& clean) {
  Search search(fitter, samples, noise);
  search.add({}, clean);
  const int most = most_bad(static_cast<int>(samples.count()));
  if (most >= 1) extend(search, samples.count(), 0, 1);
  if (most >= 2) extend(search, samples.count(), 1, samples.count());  // two can hide each other
  if (most >= 3) extend(search, samples.count(), 2, kTripleParents);

  std::vector<Weighed>& found = search.found();
  std::vector<Hypothesis> kept;
  if (found.empty()) {
    kept.push_back({{}, 1, clean});
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

Samples without(const Samples& samples, const std::vector<std::size_t>& bad) {
  Samples rest = samples;
  for (const std::size_t i : bad) rest.weight[i] = 0;
  return rest;
}

}  // namespace starwaist::curve
