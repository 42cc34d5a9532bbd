#include "stars/field_sizes.h"

#include <algorithm>
#include <map>
#include <utility>

#include "core/parallel.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {

namespace {

// The strongest candidates, no more than a few from any place, so that a trail or a nebula does not
// crowd out the stars.
std::vector<Candidate> spread_out(const std::vector<Candidate>& candidates, std::size_t most) {
  constexpr double kPlacePx = 128;
  constexpr int kOfPlace = 3;
  std::map<std::pair<int, int>, int> taken;
  std::vector<Candidate> chosen;
  std::vector<Candidate> others;
  for (const Candidate& c : candidates) {
    int& count = taken[{static_cast<int>(c.x_px / kPlacePx), static_cast<int>(c.y_px / kPlacePx)}];
    (count < kOfPlace ? chosen : others).push_back(c);
    ++count;
    if (chosen.size() == most) return chosen;
  }
  others.resize(std::min(others.size(), most - chosen.size()));
  chosen.insert(chosen.end(), others.begin(), others.end());
  return chosen;
}

}  // namespace

std::optional<Probe> frame_size(const FrameContext& context,
                                const std::vector<Candidate>& candidates, int threads) {
  constexpr std::size_t kEnough = 80;
  constexpr std::size_t kMost = 400;
  // So that one bright galaxy does not outvote the stars.
  static constexpr double kCappedSnr = 60.0;
  // A trail gives many strong candidates in a line. Where there are others, these count; where
  // everything is drawn out (the mount does not track), all do.
  constexpr double kRound = 0.5;
  constexpr std::size_t kFewestRound = 5;
  struct Sizes {
    std::vector<double> sizes;
    std::vector<double> weights;
    std::vector<double> polarisations;
  };
  Sizes round;
  Sizes all;
  const auto add = [](Sizes& to, const Probe& probe, double snr) {
    to.sizes.push_back(probe.size_px);
    to.weights.push_back(std::min(snr, kCappedSnr));
    to.polarisations.push_back(probe.polarisation);
  };
  const std::vector<Candidate> tried = spread_out(candidates, kMost);
  std::vector<std::optional<Probe>> probes(tried.size());
  // As many at a time as may be enough.
  for (std::size_t i = 0; i < tried.size() && round.sizes.size() < kEnough; ++i) {
    if (i % kEnough == 0) {
      core::parallel_for(std::min(kEnough, tried.size() - i), threads,
                         [&](std::size_t k) { probes[i + k] = probe_size(context, tried[i + k]); });
    }
    const auto& probe = probes[i];
    // Hot pixels' remains are below any star's size; among the others the middle one by signal
    // counts.
    if (!probe || probe->size_px < kFewestSizePx) continue;
    if (all.sizes.size() < kEnough) add(all, *probe, tried[i].snr);
    if (probe->polarisation < kRound) add(round, *probe, tried[i].snr);
  }
  const Sizes& chosen = round.sizes.size() >= kFewestRound ? round : all;
  if (chosen.sizes.empty()) return std::nullopt;
  return Probe{weighted_median(chosen.sizes, chosen.weights), median(chosen.polarisations)};
}

FieldSizes::FieldSizes(int width_px, int height_px, double frame_size_px)
    : width_px_(width_px), height_px_(height_px), size_px_(kZones, frame_size_px) {}

FieldSizes::FieldSizes(int width_px, int height_px, double frame_size_px,
                       const std::vector<MeasuredStar>& stars)
    : FieldSizes(width_px, height_px, frame_size_px) {
  constexpr std::size_t kFewest = 5;
  std::vector<std::vector<double>> sizes(kZones);
  for (const MeasuredStar& m : stars) {
    if (!is_clean(m) || m.star.snr < 1.5 * kSummarySnr) continue;
    if (m.size_px < 0.5 * frame_size_px || m.size_px > 3 * frame_size_px) continue;
    sizes[zone(m.star.x_px, m.star.y_px)].push_back(m.size_px);
  }
  for (std::size_t i = 0; i < kZones; ++i) {
    if (sizes[i].size() >= kFewest) size_px_[i] = median(sizes[i]);
  }
}

std::size_t FieldSizes::zone(double x_px, double y_px) const {
  const auto third = [](double place_px, int length_px) {
    return static_cast<std::size_t>(
        std::clamp(static_cast<int>(kSide * place_px / length_px), 0, kSide - 1));
  };
  return third(y_px, height_px_) * kSide + third(x_px, width_px_);
}

void mark_elongated(std::vector<MeasuredStar>& stars, double usual_polarisation) {
  constexpr double kMore = 0.35;  // than the usual: (b/a)^2 of 0.48 among round ones
  constexpr double kLine = 0.8;   // (b/a)^2 of 0.11 and less
  constexpr double kSigmas = 4;
  for (MeasuredStar& m : stars) {
    m.defect = m.star.extended = false;
    if (!m.measured) continue;
    const double e = elongation_of(m.polarisation);
    const double noise = kSigmas * m.polarisation_sigma;
    m.star.extended = e > usual_polarisation + kMore + noise;
    m.defect = e > std::max(kLine, usual_polarisation + 2 * kMore) + noise;
  }
}

void classify(std::vector<MeasuredStar>& stars, const FieldSizes& sizes) {
  constexpr double kTooSmall = 0.7;
  constexpr double kTooSmallSigmas = 3.5;
  constexpr double kTooLarge = 1.8;
  for (MeasuredStar& m : stars) {
    if (!m.measured) continue;
    const double expected = sizes.at(m.star.x_px, m.star.y_px);
    const double sigma = m.star.hfr_sigma_px.value_or(0);
    const double smallest = std::min(kTooSmall * expected, expected - kTooSmallSigmas * sigma);
    if (m.size_px < std::max(smallest, kFewestSizePx)) m.defect = true;
    if (m.size_px > kTooLarge * expected + 3 * sigma) m.star.extended = true;
  }
}

}  // namespace starwaist::stars
