#include <algorithm>
#include <cmath>
#include <vector>

#include "advice/search_stages.h"

namespace starwaist::advice {
namespace {

constexpr double kSizeError = 0.06;        // of wide rings and few stars, relative
constexpr double kSlopeError = 0.12;       // of a rig's slope, in ln
constexpr double kFirstPlaceOffCores = 3;  // by which the first frame's place may be off
constexpr double kMostMisfit = 9;          // of one frame: it may be spoiled
constexpr double kAlike = 0.04;            // sizes that differ by less, in ln, show no slope
constexpr double kSideMargin = 2;          // in misfit, by which one side is known
constexpr double kBetweenCost = 1;         // of focus between two frames, slope unknown

using Seen = Search::Seen;

double size_at(double distance_steps, double slope, double smallest_px) {
  return std::hypot(slope * distance_steps, smallest_px);
}

struct Candidate {
  double focus = 0;
  double slope = 0;
  double misfit = 0;
};

class Sizes {
 public:
  explicit Sizes(const Search& search) : search_(search) {
    smallest_px_ = search.state.conditions ? search.state.conditions->smallest_px : 0;
  }

  void weigh(double focus, double slope, double cost) {
    const Rig& rig = search_.state.rig;
    double misfit = cost - 2 * search_.log_starless(focus);
    // A little beyond a limit counts: the limit is then the place to go to.
    if (rig.min_position_steps && focus < *rig.min_position_steps) misfit += 1;
    if (rig.max_position_steps && focus > *rig.max_position_steps) misfit += 1;
    for (const Seen& s : search_.seen) {
      const double expected = size_at(s.position_steps - focus, slope, smallest_px_);
      double error = kSizeError * s.size_px + 0.5;
      if (s.first) error += kFirstPlaceOffCores * slope * search_.core_steps.value_or(0);
      misfit += std::min(kMostMisfit, std::pow((s.size_px - expected) / error, 2));
    }
    candidates_.push_back({focus, slope, misfit});
  }

  // Focus on either side of each frame, at the distance that its size gives.
  void weigh_sides(double slope, double cost) {
    for (const Seen& s : search_.seen) {
      const double along = s.size_px * s.size_px - smallest_px_ * smallest_px_;
      const double distance = along > 0 ? std::sqrt(along) / slope : 0;
      weigh(s.position_steps + distance, slope, cost);
      weigh(s.position_steps - distance, slope, cost);
    }
  }

  [[nodiscard]] std::optional<FarPlace> best() const {
    if (candidates_.empty()) return std::nullopt;
    const auto less = [](const Candidate& a, const Candidate& b) { return a.misfit < b.misfit; };
    const Candidate best = *std::min_element(candidates_.begin(), candidates_.end(), less);
    const Candidate* rival = nullptr;
    for (const Candidate& c : candidates_) {
      const auto side_of = [&](const Candidate& which) {
        return which.focus > search_.state.visits.back().position_steps;
      };
      if (side_of(c) == side_of(best)) continue;
      if (rival == nullptr || c.misfit < rival->misfit) rival = &c;
    }
    FarPlace place{best.focus, best.slope, true, std::nullopt};
    if (rival != nullptr) {
      place.side_known = rival->misfit >= best.misfit + kSideMargin;
      place.other_side_steps = rival->focus;
    }
    return place;
  }

 private:
  const Search& search_;
  double smallest_px_ = 0;
  std::vector<Candidate> candidates_;
};

}  // namespace

std::optional<FarPlace> far_place(const Search& search) {
  Sizes sizes(search);
  if (search.slope_px_per_step) {
    for (int k = -4; k <= 4; ++k) {
      const double z = 0.5 * k;
      sizes.weigh_sides(*search.slope_px_per_step * std::exp(kSlopeError * z), z * z);
    }
    return sizes.best();
  }
  const std::vector<Seen>& seen = search.seen;
  for (std::size_t i = 0; i < seen.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      const double apart = std::abs(seen[i].position_steps - seen[j].position_steps);
      if (apart < 0.5 || std::abs(std::log(seen[i].size_px / seen[j].size_px)) < kAlike) continue;
      sizes.weigh_sides(std::abs(seen[i].size_px - seen[j].size_px) / apart, 0);
      sizes.weigh_sides((seen[i].size_px + seen[j].size_px) / apart, kBetweenCost);
    }
  }
  return sizes.best();
}

}  // namespace starwaist::advice
