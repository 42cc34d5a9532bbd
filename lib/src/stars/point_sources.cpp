#include "stars/point_sources.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numbers>
#include <optional>

#include "numerics/normal_equations.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

// ln of an object's size in its own best focus.
struct FocusSize {
  std::size_t object = 0;
  double log_size = 0;
  double variance = 0;
};

struct PlacedSize {
  double place = 0;  // position, scaled
  double size_px = 0;
  double relative = 0;  // error
};

// Positions scaled to -1 to 1; empty where they are not known or all the same.
std::vector<double> focus_places_of(const FrameGroup& frames) {
  std::vector<double> places;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!frames[i].position_steps) return {};
    places.push_back(*frames[i].position_steps);
  }
  const auto [low, high] = std::minmax_element(places.begin(), places.end());
  const double middle = 0.5 * (*low + *high);
  const double half = 0.5 * (*high - *low);
  if (!(half > 0)) return {};
  for (double& place : places) place = (place - middle) / half;
  return places;
}

// Objects of the reference frame (rows) with what each frame shows of them.
std::vector<std::vector<PlacedSize>> seen_objects(const FrameGroup& frames,
                                                  const Alignment& alignment,
                                                  const std::vector<double>& places) {
  constexpr double kLeastSnr = 8;
  constexpr double kSteady = 0.01;  // what pixels and neighbours leave, relative
  std::vector<std::vector<PlacedSize>> rows(frames[alignment.reference].stars.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto& pairs = alignment.pairs[i];
    for (std::size_t k = 0; k < pairs.size(); ++k) {
      if (!pairs[k]) continue;
      const Star& star = frames[i].stars[k];
      if (star.saturated || star.at_edge || star.snr < kLeastSnr || !star.hfr_px ||
          !star.hfr_sigma_px || !(*star.hfr_px > 0)) {
        continue;
      }
      rows[*pairs[k]].push_back(
          {places[i], *star.hfr_px, std::hypot(*star.hfr_sigma_px / *star.hfr_px, kSteady)});
    }
  }
  return rows;
}

// The vertex of size^2 = c0 + c1 x + c2 x^2, least squares of relative residuals; absent where the
// object's sizes show no minimum, or hardly grow.
std::optional<FocusSize> focus_size(std::size_t object, const std::vector<PlacedSize>& row) {
  constexpr std::size_t kFewest = 5;
  if (row.size() < kFewest) return std::nullopt;
  numerics::NormalEquations<3> equations;
  double smallest = row.front().size_px;
  double largest = smallest;
  for (const PlacedSize& seen : row) {
    const double square = seen.size_px * seen.size_px;
    const double weight = 1 / std::pow(2 * square * seen.relative, 2);
    const Eigen::Vector3d terms(1, seen.place, seen.place * seen.place);
    equations.add(terms, square, weight);
    smallest = std::min(smallest, seen.size_px);
    largest = std::max(largest, seen.size_px);
  }
  constexpr double kLeastGrowth = 1.15;
  const Eigen::LDLT<Eigen::Matrix3d> solver(equations.information);
  const Eigen::Vector3d c = solver.solve(equations.right);
  if (!c.allFinite() || !(c(2) > 0) || largest < kLeastGrowth * smallest) return std::nullopt;
  const double vertex = -c(1) / (2 * c(2));
  const double square = c(0) - c(1) * c(1) / (4 * c(2));
  // Far from the points, or nothing left, the curve does not hold.
  if (std::abs(vertex) > 1 || !(square > 0.25 * smallest * smallest)) return std::nullopt;
  const Eigen::Vector3d gradient(1, vertex, vertex * vertex);
  const double variance = gradient.dot(solver.solve(gradient)) / std::pow(2 * square, 2);
  return FocusSize{object, 0.5 * std::log(square), variance};
}

double density_of_size(double x, double variance) {
  return std::exp(-0.5 * x * x / variance) / std::sqrt(2 * std::numbers::pi * variance);
}

// Point sources about one size; others above it, spread; next to none below it.
struct SizeMixture {
  double log_size = 0;  // of a point source
  double width = 0.03;
  double share = 0.5;  // of the others
  double log_likelihood = -1e300;

  [[nodiscard]] double of_points(const FocusSize& size) const {
    return density_of_size(size.log_size - log_size, width * width + size.variance);
  }
  [[nodiscard]] double of_others(const FocusSize& size) const {
    // Few are so little wider that they look like stars.
    constexpr double kSpread = 0.35;  // half of the mean of ln size over a star's; no source
    constexpr double kBelow = 0.005;  // density of what is smaller than stars
    const double above = std::max(0.0, size.log_size - log_size);
    return kBelow + above / (kSpread * kSpread) * std::exp(-above / kSpread);
  }
  [[nodiscard]] double chance_of_other(const FocusSize& size) const {
    const double other = share * of_others(size);
    return other / (other + (1 - share) * of_points(size));
  }
  void fit_share(const std::vector<FocusSize>& sizes) {
    constexpr int kRounds = 25;
    share = 0.5;
    for (int round = 0; round < kRounds; ++round) {
      double sum = 0;
      for (const FocusSize& size : sizes) sum += chance_of_other(size);
      share = std::clamp(sum / static_cast<double>(sizes.size()), 1e-4, 0.98);
    }
    log_likelihood = 0;
    for (const FocusSize& size : sizes) {
      log_likelihood += std::log((1 - share) * of_points(size) + share * of_others(size));
    }
  }
};

SizeMixture likeliest_sizes(const std::vector<FocusSize>& sizes) {
  // Some of the sizes, evenly by rank, are as good as all: the cost grows with their number times
  // that of the objects.
  constexpr std::size_t kMostTried = 60;
  std::vector<double> ranked;
  for (const FocusSize& size : sizes) ranked.push_back(size.log_size);
  std::sort(ranked.begin(), ranked.end());
  const std::size_t every = (ranked.size() + kMostTried - 1) / kMostTried;
  SizeMixture best;
  for (const double width : {0.015, 0.025, 0.04, 0.06, 0.09}) {
    for (std::size_t k = 0; k < ranked.size(); k += every) {
      SizeMixture tried;
      tried.width = width;
      tried.log_size = ranked[k];
      tried.fit_share(sizes);
      if (tried.log_likelihood > best.log_likelihood) best = tried;
    }
  }
  // The median of those that are points by odds, rather than the one object that was the best.
  std::vector<double> points;
  for (const FocusSize& size : sizes) {
    if (best.chance_of_other(size) < 0.5) points.push_back(size.log_size);
  }
  if (!points.empty()) {
    best.log_size = median(points);
    best.fit_share(sizes);
  }
  return best;
}

}  // namespace

std::vector<bool> extended_objects_of(const FrameGroup& frames, const Alignment& alignment) {
  if (frames.empty()) return {};
  std::vector<bool> extended(frames[alignment.reference].stars.size(), false);
  const std::vector<double> places = focus_places_of(frames);
  if (places.empty()) return extended;
  std::vector<FocusSize> sizes;
  const auto rows = seen_objects(frames, alignment, places);
  for (std::size_t j = 0; j < rows.size(); ++j) {
    if (const auto size = focus_size(j, rows[j])) sizes.push_back(*size);
  }
  constexpr std::size_t kFewest = 8;
  if (sizes.size() < kFewest) return extended;
  const SizeMixture mixture = likeliest_sizes(sizes);
  // Close pairs of stars are some per cent of any field, and the optics widen some.
  constexpr double kWide = 0.18;  // ln
  constexpr double kLeastShare = 0.1;
  constexpr std::size_t kFewestOfEach = 4;
  std::size_t wide = 0;
  std::size_t points = 0;
  for (const FocusSize& size : sizes) {
    const double above = size.log_size - mixture.log_size;
    const bool other = mixture.chance_of_other(size) > 0.9;
    wide += other && above > kWide ? 1 : 0;
    points += mixture.chance_of_other(size) < 0.5 ? 1 : 0;
  }
  const auto least = kLeastShare * static_cast<double>(sizes.size());
  if (wide < kFewestOfEach || static_cast<double>(wide) < least || points < kFewestOfEach) {
    return extended;
  }
  for (const FocusSize& size : sizes) {
    if (size.log_size > mixture.log_size && mixture.chance_of_other(size) > 0.5) {
      extended[size.object] = true;
    }
  }
  // What does not sharpen is no star either.
  for (std::size_t j = 0; j < rows.size(); ++j) {
    const bool judged = std::any_of(sizes.begin(), sizes.end(),
                                    [j](const FocusSize& size) { return size.object == j; });
    if (judged || rows[j].empty()) continue;
    double smallest = rows[j].front().size_px;
    for (const PlacedSize& seen : rows[j]) smallest = std::min(smallest, seen.size_px);
    extended[j] = std::log(smallest) > mixture.log_size + kWide;
  }
  return extended;
}

}  // namespace starwaist::stars
