#include "advice/plan_coarse.h"

#include <algorithm>
#include <cmath>
#include <string>
#include <utility>
#include <vector>

#include "advice/search_stages.h"
#include "advice/steps_text.h"
#include "curve/priors.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"

namespace starwaist::advice {
namespace {

// Rings spread a star's light over a hundred pixels or more: exposures shorter than this show the
// brightest stars only (common practice, no source).
constexpr double kCoarseExposure = 10;
constexpr int kLongestSearch = 40;  // in frames
// Of positions without a star, where nothing says how far off focus may be: somebody looks at the
// cover then.
constexpr int kMostInTheOpen = 12;
constexpr int kFocusPlaces = 41;  // of best focus

// Where the search begins and ends, in the positions that it counts in.
struct SearchRoom {
  bool relative = false;
  double start_steps = 0;
  Rig rig;               // with these limits
  double low_steps = 0;  // best focus lies between
  double high_steps = 0;
};

// A frame without stars.
SearchVisit starless_visit(double position) {
  SearchVisit visit;
  visit.position_steps = position;
  return visit;
}

SearchState search_state_of(const PlanSetting& s, const SearchRoom& room) {
  SearchState state;
  state.rig = room.rig;
  state.conditions = s.conditions;
  state.options.most_points = kLongestSearch + 1;  // so that another reason ends it
  return state;
}

SearchRoom room_of(const PlanSetting& s) {
  SearchRoom room;
  room.rig = s.rig;
  const auto& low = s.rig.min_position_steps;
  const auto& high = s.rig.max_position_steps;
  if (s.centre_steps) {
    room.start_steps = std::round(*s.centre_steps);
  } else if (low && high && !s.options.within_steps) {
    room.start_steps = std::round(0.5 * (*low + *high));
  } else {
    room.relative = true;
    room.rig.min_position_steps.reset();
    room.rig.max_position_steps.reset();
  }
  if (const auto& within = s.options.within_steps) {
    Rig& rig = room.rig;
    rig.min_position_steps =
        std::max(std::ceil(room.start_steps - *within), rig.min_position_steps.value_or(-HUGE_VAL));
    rig.max_position_steps =
        std::min(std::floor(room.start_steps + *within), rig.max_position_steps.value_or(HUGE_VAL));
  }
  SearchState state = search_state_of(s, room);
  state.visits = {starless_visit(room.start_steps)};
  const double farthest = Search(state).farthest_steps();
  room.low_steps = room.rig.min_position_steps.value_or(room.start_steps - farthest);
  room.high_steps = room.rig.max_position_steps.value_or(room.start_steps + farthest);
  return room;
}

double px_of(const PlanSetting& s, double steps) { return steps * s.conditions.slope_px_per_step; }

// Best focus at places all over the room.
std::vector<double> places_of_room(const SearchRoom& room) {
  std::vector<double> places;
  for (int k = 0; k < kFocusPlaces; ++k) {
    places.push_back(room.low_steps +
                     (room.high_steps - room.low_steps) * k / (kFocusPlaces - 1.0));
  }
  return places;
}

// Rings that a first move changes are as wide as a frame is counted on to show them.
bool shows(const PlanSetting& s, double position, double focus) {
  return px_of(s, std::abs(position - focus)) <= kFirstMovePx;
}

bool any_shows(const PlanSetting& s, const std::vector<SearchVisit>& visits, double focus) {
  return std::any_of(visits.begin(), visits.end(),
                     [&](const SearchVisit& v) { return shows(s, v.position_steps, focus); });
}

// The search's own frames while none shows a star, until one has looked at every place.
std::vector<SearchVisit> lost_visits(const PlanSetting& s, const SearchRoom& room) {
  SearchState state = search_state_of(s, room);
  state.visits = {starless_visit(room.start_steps)};
  const std::vector<double> places = places_of_room(room);
  const bool open = !room.rig.min_position_steps || !room.rig.max_position_steps;
  while (static_cast<int>(state.visits.size()) < (open ? kMostInTheOpen : kLongestSearch)) {
    const bool all_seen = std::all_of(places.begin(), places.end(), [&](double focus) {
      return std::any_of(state.visits.begin(), state.visits.end(),
                         [&](const SearchVisit& v) { return shows(s, v.position_steps, focus); });
    });
    const auto step = next_step(state);
    if (all_seen || !step || !step->next_position_steps) break;
    state.visits.push_back(starless_visit(*step->next_position_steps));
  }
  return state.visits;
}

bool smallest_enclosed(const std::vector<SearchVisit>& visits) {
  const SearchVisit* least = nullptr;
  for (const SearchVisit& v : visits) {
    if (v.size_px && (least == nullptr || *v.size_px < *least->size_px)) least = &v;
  }
  if (least == nullptr) return false;
  bool below = false;
  bool above = false;
  for (const SearchVisit& v : visits) {
    if (!v.size_px || *v.size_px < kLargerThanLeast * *least->size_px) continue;
    (v.position_steps < least->position_steps ? below : above) = true;
  }
  return below && above;
}

// Frames until best focus at `focus` is enclosed, none of them spoiled.
int frames_until_found(const PlanSetting& s, const SearchRoom& room,
                       const std::vector<SearchVisit>& lost, double focus) {
  const auto visit = [&](double position) {
    SearchVisit v = starless_visit(position);
    if (shows(s, position, focus)) {
      v.size_px = s.conditions.smallest_px * s.shape.at((position - focus) / s.core_steps).h;
    }
    return v;
  };
  SearchState state = search_state_of(s, room);
  for (const SearchVisit& v : lost) {
    state.visits.push_back(visit(v.position_steps));
    if (state.visits.back().size_px) break;
  }
  while (!smallest_enclosed(state.visits) &&
         static_cast<int>(state.visits.size()) < kLongestSearch) {
    const auto step = next_step(state);
    if (!step || !step->next_position_steps) break;
    state.visits.push_back(visit(*step->next_position_steps));
  }
  return static_cast<int>(state.visits.size());
}

// How many pixels more a ring is across for a step away from best focus: twice the geometric
// radius of the rim; a half-flux radius is that of an annulus.
double ring_px_per_step(const PlanSetting& s) {
  const double slope = s.conditions.slope_px_per_step;
  if (s.conditions.size != SizeMeasure::hfr) return slope;
  const double obstruction = s.rig.obstruction.value_or(curve::kObstructionOfRigSlope);
  return 2 * slope / std::sqrt(0.5 * (1 + obstruction * obstruction));
}

Statement ring_words(const CoarseSearch& coarse) {
  return {codes::look_for_rings, "stars far from focus are rings or faint wide discs, up to " +
                                     format_short(coarse.widest_ring_px) +
                                     " px across; best focus is then their width in px times " +
                                     format_short(coarse.ring_steps_per_px) +
                                     " steps away, on a side that the next frame shows"};
}

}  // namespace

std::optional<CoarseSearch> coarse_search(const PlanSetting& s, double exposure_s) {
  const double forgiven = s.offset_cores * s.core_steps;
  if (s.options.within_steps ? *s.options.within_steps <= forgiven : s.centre_steps.has_value()) {
    return std::nullopt;
  }
  const SearchRoom room = room_of(s);
  const std::vector<SearchVisit> lost = lost_visits(s, room);
  SearchState state = search_state_of(s, room);
  state.visits = {lost.front()};
  const auto step = next_step(state);
  if (!step) return std::nullopt;
  CoarseSearch coarse;
  coarse.relative = room.relative;
  for (const SearchVisit& v : lost) coarse.positions_steps.push_back(v.position_steps);
  if (lost.size() > 1) {
    coarse.first_step_steps = std::abs(lost[1].position_steps - lost[0].position_steps);
  }
  coarse.growth = kRangeFactor;
  coarse.approach = step->approach;
  coarse.takeup_steps = step->takeup_steps;
  if (!room.relative) {
    Rig rig = s.rig;
    rig.takeup_steps = coarse.takeup_steps;
    coarse.move = move_to(room.start_steps, coarse.approach, rig);
  }
  coarse.exposure_s = std::max(exposure_s, kCoarseExposure);
  const double ring_px = ring_px_per_step(s);
  coarse.ring_steps_per_px = 1 / ring_px;
  coarse.widest_ring_px = ring_px * kFirstMovePx / s.conditions.slope_px_per_step;
  coarse.enclosing_ratio = kLargerThanLeast;
  coarse.look_for = ring_words(coarse);
  int total = 0;
  int tried = 0;
  for (const double focus : places_of_room(room)) {
    if (!any_shows(s, lost, focus)) continue;
    const int frames = frames_until_found(s, room, lost, focus);
    total += frames;
    ++tried;
    coarse.frames_at_most = std::max(coarse.frames_at_most, frames);
  }
  if (tried > 0) coarse.frames_expected = static_cast<int>(std::ceil(1.0 * total / tried));
  return coarse;
}

}  // namespace starwaist::advice
