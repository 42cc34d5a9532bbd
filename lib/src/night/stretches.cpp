#include "night/stretches.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <string>

#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

constexpr double kSamePosition = 0.5;   // steps; a position is what was commanded
constexpr double kFollowsShare = 0.6;   // of frames at which the focuser moved
constexpr double kMoreThanFollows = 6;  // times the usual move

std::string filter_of(const NightFrame& frame) { return lower_case(frame.filter.value_or("")); }

// Moves from each frame to the next of its filter.
std::vector<double> moves(std::span<const NightFrame> frames) {
  std::map<std::string, double> before;
  std::vector<double> found;
  for (const NightFrame& frame : frames) {
    if (!frame.position_steps) continue;
    const auto [place, first] = before.try_emplace(filter_of(frame), *frame.position_steps);
    if (first) continue;
    found.push_back(std::abs(*frame.position_steps - place->second));
    place->second = *frame.position_steps;
  }
  return found;
}

// The usual move of a focuser that moves at nearly every frame; absent where it does not.
std::optional<double> usual_move(std::span<const NightFrame> frames) {
  const std::vector<double> all = moves(frames);
  std::vector<double> real;
  for (const double move : all) {
    if (move > kSamePosition) real.push_back(move);
  }
  constexpr std::size_t kFewestMoves = 6;
  if (real.size() < kFewestMoves ||
      !(static_cast<double>(real.size()) > kFollowsShare * static_cast<double>(all.size()))) {
    return std::nullopt;
  }
  return median(real);
}

}  // namespace

Stretches find_stretches(std::span<const NightFrame> frames, ChangesOfFilter changes) {
  Stretches stretches;
  stretches.of_frame.assign(frames.size(), 0);
  const auto follows = usual_move(frames);
  stretches.follows = follows.has_value();
  const double same = follows ? kMoreThanFollows * *follows : kSamePosition;
  std::map<std::string, double> before;  // since the last refocus
  std::optional<double> last_position;
  std::string last_filter;
  std::size_t current = 0;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const NightFrame& frame = frames[i];
    if (frame.position_steps) {
      stretches.known = true;
      const std::string filter = filter_of(frame);
      const auto known = before.find(filter);
      const bool moved =
          known != before.end() && std::abs(*frame.position_steps - known->second) > same;
      const bool with_filter = changes == ChangesOfFilter::refocus && known == before.end() &&
                               last_position && filter != last_filter &&
                               std::abs(*frame.position_steps - *last_position) > same;
      if (moved || with_filter) {
        ++current;
        stretches.refocuses += 1;
        before.clear();
      }
      before[filter] = *frame.position_steps;
      last_position = frame.position_steps;
      last_filter = filter;
    }
    stretches.of_frame[i] = current;
  }
  return stretches;
}

Stretches with_unseen_refocus(Stretches stretches, std::size_t frame) {
  for (std::size_t i = frame; i < stretches.of_frame.size(); ++i) ++stretches.of_frame[i];
  stretches.refocuses += 1;
  stretches.unseen.push_back(frame);
  return stretches;
}

}  // namespace starwaist::night
