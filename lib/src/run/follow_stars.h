// The stars of a run followed through all its frames.
//
// Private header of module run.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/run.h"

namespace starwaist::run_detail {

// What was followed in frames when they were looked at before, by path: a frame in which the same
// places are looked at with the same camera is not read again.
class FollowedBefore {
 public:
  struct Frame {
    std::vector<StarPlace> places;
    std::optional<double> gain_e_per_adu;
    double saturation_adu = 0;
    std::vector<Star> stars;  // all of the frame, the followed ones among them
  };
  std::map<std::string, Frame> frames;
};

// Adds to each frame the stars that were not found in it, where the other frames have them; the
// frames that lack some are read again. Frames that can no longer be read stay as they are. Errors:
// interrupted.
Result<void> follow_stars(std::vector<MeasuredFrame>& frames, const RunOptions& options,
                          FollowedBefore* before = nullptr);

}  // namespace starwaist::run_detail
