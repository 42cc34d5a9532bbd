#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <vector>

#include "advice/search_stages.h"
#include "advice/steps_text.h"
#include "starwaist/codes.h"

namespace starwaist::advice {
namespace {

// Half-flux radii (px) up to which rings show, by the light of the stars and the width of the
// frame, and how often that is so.
struct Reach {
  double size_px;
  double share;
};
constexpr std::array kReaches = {Reach{10, 0.10}, Reach{20, 0.20}, Reach{40, 0.30}, Reach{75, 0.25},
                                 Reach{130, 0.15}};
// A frame in reach of the stars shows none: clouds, a closed shutter.
constexpr double kSpoiledShare = 0.1;
// Where focus may be about the start without limits, in px of half-flux radius: half of it within
// the first, none beyond the second.
constexpr double kUsualOffPx = 150;
constexpr double kFarthestOffPx = 700;
constexpr double kFarthestMoves = 64;  // first moves, where no rig says how far a step goes
constexpr int kPlacesTried = 281;

double steps_per_px(const Search& search) {
  return search.slope_px_per_step ? 1 / *search.slope_px_per_step
                                  : search.first_move_steps / kFirstMovePx;
}

// How likely the starless frames show none with focus there and stars that show so far.
double chance_of_none(const Search& search, double focus_steps, double reach_steps) {
  double chance = 1;
  for (const double position : search.starless) {
    if (std::abs(position - focus_steps) < reach_steps) chance *= kSpoiledShare;
  }
  return chance;
}

}  // namespace

double Search::farthest_steps() const {
  return slope_px_per_step ? kFarthestOffPx / *slope_px_per_step
                           : kFarthestMoves * first_move_steps;
}

double Search::log_starless(double focus_steps) const {
  double sum = 0;
  for (const Reach& reach : kReaches) {
    sum += reach.share * chance_of_none(*this, focus_steps, reach.size_px * steps_per_px(*this));
  }
  return std::log(sum);
}

std::optional<Target> lost_target(const Search& search) {
  const Rig& rig = search.state.rig;
  const double start = search.state.visits.front().position_steps;
  const double unit = steps_per_px(search);
  const double farthest = search.farthest_steps();
  const double low = rig.min_position_steps.value_or(start - farthest);
  const double high = rig.max_position_steps.value_or(start + farthest);
  // How likely focus is at a place and stars show from so far, given the frames so far.
  struct Place {
    double position;
    std::array<double, kReaches.size()> weight;
  };
  std::vector<Place> places;
  for (int k = 0; k < kPlacesTried; ++k) {
    Place place{low + (high - low) * k / (kPlacesTried - 1), {}};
    const double off = (place.position - start) / (kUsualOffPx * unit);
    for (std::size_t r = 0; r < kReaches.size(); ++r) {
      place.weight[r] = kReaches[r].share / (1 + off * off) *
                        chance_of_none(search, place.position, kReaches[r].size_px * unit);
    }
    places.push_back(place);
  }
  std::optional<double> best;
  double best_chance = 0;
  const auto weigh = [&](double candidate) {
    const double position = std::round(candidate);
    if (!search.allows(position)) return;
    double chance = 0;
    for (const Place& p : places) {
      for (std::size_t r = 0; r < kReaches.size(); ++r) {
        if (std::abs(p.position - position) < kReaches[r].size_px * unit) chance += p.weight[r];
      }
    }
    if (chance > best_chance * (1 + 1e-9)) {
      best = position;
      best_chance = chance;
    }
  };
  const double from = std::max(low, search.lowest_steps());
  const double to = std::min(high, search.highest_steps());
  for (int k = kPlacesTried - 1; k >= 0; --k) weigh(from + (to - from) * k / (kPlacesTried - 1));
  if (!best) return std::nullopt;
  return Target{*best, {codes::look_for_stars, "no star seen yet: where stars are likeliest"}};
}

}  // namespace starwaist::advice
