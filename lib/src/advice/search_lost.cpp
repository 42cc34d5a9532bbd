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
constexpr std::array kReaches = {Reach{10, 0.02}, Reach{20, 0.08}, Reach{40, 0.37}, Reach{75, 0.32},
                                 Reach{130, 0.21}};
// A frame in reach of the stars shows none: clouds, a closed shutter.
constexpr double kSpoiledShare = 0.1;
// Where focus may be about the start. Near it, as most nights begin: then the first frame is
// spoiled, and worth another before long.
constexpr double kNearShare = 0.35;
constexpr double kNearPx = 8;  // of half-flux radius, on either side
constexpr int kNearPlaces = 9;
// Else farther off: as likely anywhere up to about the first, in B (which the seeing may make twice
// as large as was thought), and less and less likely beyond; without known B in px of half-flux
// radius.
constexpr double kUsualOffCores = 200;
constexpr double kUsualOffPx = 250;
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

// How likely focus is at a place and stars show from so far, given the frames so far.
struct Place {
  double position;
  std::array<double, kReaches.size()> weight;
};

std::vector<Place> places_of_focus(const Search& search, double low, double high) {
  const double unit = steps_per_px(search);
  const double start = search.state.visits.front().position_steps;
  const double usual = search.core_steps ? kUsualOffCores * *search.core_steps : kUsualOffPx * unit;
  std::vector<Place> places;
  const auto add = [&](double position, double weight) {
    Place place{position, {}};
    for (std::size_t r = 0; r < kReaches.size(); ++r) {
      place.weight[r] =
          kReaches[r].share * weight * chance_of_none(search, position, kReaches[r].size_px * unit);
    }
    places.push_back(place);
  };
  double total = 0;
  const auto far_off = [&](double position) {
    return 1 / (1 + std::pow((position - start) / usual, 4));
  };
  const auto coarse = [&](int k) { return low + (high - low) * k / (kPlacesTried - 1); };
  for (int k = 0; k < kPlacesTried; ++k) total += far_off(coarse(k));
  for (int k = 0; k < kPlacesTried; ++k) {
    add(coarse(k), (1 - kNearShare) * far_off(coarse(k)) / total);
  }
  for (int k = 0; k < kNearPlaces; ++k) {
    add(start + kNearPx * unit * (2.0 * k / (kNearPlaces - 1) - 1), kNearShare / kNearPlaces);
  }
  return places;
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
  const std::vector<Place> places = places_of_focus(search, low, high);
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
  weigh(start);
  if (!best) return std::nullopt;
  return Target{*best, {codes::look_for_stars, "no star seen yet: where stars are likeliest"}};
}

}  // namespace starwaist::advice
