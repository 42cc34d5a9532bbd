// The stages of the search for focus; see starwaist/search.h.
//
// Private header of module advice.
#pragma once

#include <optional>
#include <vector>

#include "starwaist/search.h"

namespace starwaist::advice {

// Of half-flux radius: what the first move changes, and stands for where no rig is known.
inline constexpr double kFirstMovePx = 70;
inline constexpr double kRangeFactor = 2;  // of the range visited, that a move may go beyond it
// A size so many times the smallest on both sides of it encloses best focus.
inline constexpr double kLargerThanLeast = 1.25;

// The state with what every stage asks of it.
class Search {
 public:
  explicit Search(const SearchState& state);

  struct Seen {
    double position_steps;
    double size_px;
    bool first;  // of the run: which way its slack lay is not known
  };

  const SearchState& state;
  std::vector<Seen> seen;        // visits that show stars
  std::vector<double> starless;  // positions of the others
  double low_steps = 0;          // range visited
  double high_steps = 0;
  std::optional<double> slope_px_per_step;  // of the arms, where the conditions give it
  std::optional<double> core_steps;         // B, likewise
  double first_move_steps = 0;              // how far to go where nothing else is known

  // Within the limits, near enough to what was visited, and not there too often.
  [[nodiscard]] bool allows(double position_steps) const;
  // The allowed whole position nearest to one; absent where none is.
  [[nodiscard]] std::optional<double> nearest_allowed(double position_steps) const;
  // From the start, where no limit is given.
  [[nodiscard]] double farthest_steps() const;
  // The farthest positions that limits and range allow.
  [[nodiscard]] double lowest_steps() const;
  [[nodiscard]] double highest_steps() const;
  // Frames at a position, and those of them that showed no star.
  [[nodiscard]] int frames_at(double position_steps) const;
  // Logarithm of how likely it is that the starless frames showed none with focus there.
  [[nodiscard]] double log_starless(double focus_steps) const;
};

// A place to go, before the rules; absent: none is left.
struct Target {
  double position_steps = 0;
  Statement reason;
};

std::optional<Target> lost_target(const Search& search);

// Where focus is by the sizes, or what the next frame must be taken at to see it.
struct FarPlace {
  double focus_steps = 0;
  double slope_px_per_step = 0;
  bool side_known = false;
  std::optional<double> other_side_steps;  // focus, if it lies the other way from the last frame
};
// Precondition: something was seen. Absent where neither slope nor two different sizes are known.
std::optional<FarPlace> far_place(const Search& search);

}  // namespace starwaist::advice
