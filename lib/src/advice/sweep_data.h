// The points of all sweeps, scaled, in the order taken.
//
// In: records as the user gave them, the rig. Out: samples for the joint curve, the runs of points
// in one direction, the scale.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "advice/play.h"
#include "starwaist/backlash.h"

namespace starwaist::advice {

// A run of points in one direction.
struct Segment {
  std::size_t record = 0;
  bool begins_record = false;
  int direction = 1;                // +1 outward, -1 inward, 0 where no point moved
  std::vector<std::size_t> points;  // into the samples
};

// Of the samples: steps = centre + half_range x, px = size y.
struct Scale {
  double centre_steps = 0;
  double half_range_steps = 1;
  double size_px = 1;
};

struct SweepData {
  JointSamples samples;                          // every weight is 1
  std::vector<std::optional<double>> own_sigma;  // relative
  std::vector<std::optional<double>> temperature_c;
  std::vector<Segment> segments;
  Scale scale;
};

// Points without a size are left out. Where every point has a temperature and the rig's
// focus_um_per_c and um_per_step are known, best focus is shifted by it.
// Errors: invalid_argument for positions or sizes that are not finite, or sizes not above 0.
Result<SweepData> collect_sweeps(std::span<const SweepRecord> records, const Rig& rig);

}  // namespace starwaist::advice
