#include "stars/field_sizes.h"

#include <algorithm>

#include "starwaist/statistics.h"

namespace starwaist::stars {

std::optional<double> frame_size(const FrameContext& context,
                                 const std::vector<Candidate>& candidates) {
  constexpr std::size_t kProbes = 80;
  constexpr double kCappedSnr = 60.0;  // so that one bright galaxy does not outvote the stars
  std::vector<double> sizes;
  std::vector<double> weights;
  for (std::size_t i = 0; i < std::min(candidates.size(), kProbes); ++i) {
    const auto size = probe_size(context, candidates[i]);
    // Hot pixels' remains are below any star's size; among the others the middle one by signal
    // counts.
    if (!size || *size < kFewestSizePx) continue;
    sizes.push_back(*size);
    weights.push_back(std::min(candidates[i].snr, kCappedSnr));
  }
  if (sizes.empty()) return std::nullopt;
  return weighted_median(sizes, weights);
}

FieldSizes::FieldSizes(int width_px, int height_px, double frame_size_px)
    : width_px_(width_px), height_px_(height_px), size_px_(kZones, frame_size_px) {}

FieldSizes::FieldSizes(int width_px, int height_px, double frame_size_px,
                       const std::vector<MeasuredStar>& stars)
    : FieldSizes(width_px, height_px, frame_size_px) {
  constexpr std::size_t kFewest = 5;
  std::vector<std::vector<double>> sizes(kZones);
  for (const MeasuredStar& m : stars) {
    if (!m.measured || m.star.saturated || m.star.blended || m.star.snr < 1.5 * kSummarySnr) {
      continue;
    }
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

void classify(std::vector<MeasuredStar>& stars, const FieldSizes& sizes) {
  constexpr double kTooSmall = 0.55;
  constexpr double kTooLarge = 1.8;
  for (MeasuredStar& m : stars) {
    m.defect = false;
    m.star.extended = false;
    if (!m.measured) continue;
    const double expected = sizes.at(m.star.x_px, m.star.y_px);
    const double allowance = 3 * m.star.hfr_sigma_px.value_or(0);
    m.defect = m.size_px < std::max(kTooSmall * expected - allowance, kFewestSizePx);
    m.star.extended = m.size_px > kTooLarge * expected + allowance;
  }
}

}  // namespace starwaist::stars
