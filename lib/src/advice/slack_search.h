// The joint curve at many widths of the slack, under each hypothesis of how the records began.
//
// In: weighted samples, what the fits assume, which hypotheses are open and where their searches
// begin, the widths to try. Out: the fits that found a curve.
#pragma once

#include <optional>
#include <vector>

#include "advice/joint_fit.h"
#include "advice/play.h"
#include "curve/curve_shape.h"

namespace starwaist::advice {

// So many widths over the range find the region.
inline constexpr int kCoarseWidths = 44;

// Widths in half ranges of the positions.
struct WidthRange {
  double low = 0;
  double high = 0;
};

// What every fit of one slack assumes.
struct SlackModel {
  curve::Shape shape;
  JointPriors priors;
  std::vector<PlayHypothesis> hypotheses;
  WidthRange widths;  // the farthest that are tried
};

// What the search so far has left open.
struct OpenSearch {
  std::vector<bool> active;      // by hypothesis
  std::vector<double> taken_up;  // by hypothesis, at its best fit
  WidthRange widths;
};

struct GridPoint {
  std::size_t hypothesis = 0;
  double width = 0;
  JointFit fit;
  double log_posterior = 0;  // unnormalised
  double weight = 0;         // sums to 1 over all points
};

// Everything is open, but what later records begin with is alike in all of them: that need not be
// open to find the region.
OpenSearch first_search(const SlackModel& model);

struct WidthScan {
  WidthRange widths;
  int count = 0;
  JointEffort effort = JointEffort::first_look;
  std::optional<GridPoint> known;  // a good fit to begin at
};

// The fit at `count` even widths for each open hypothesis: from that of the neighbour, beginning at
// `known` where there is one; else from the neighbour and from afresh, whichever fits better.
std::vector<GridPoint> scan_widths(const JointSamples& samples, const SlackModel& model,
                                   const OpenSearch& open, const WidthScan& scan);

// The point of the least sum of squares; absent where there is none.
std::optional<GridPoint> best_of(const std::vector<GridPoint>& grid);

// `open` less the hypotheses and widths that are far from the best ones of `grid`, later searches
// beginning where each hypothesis fitted best.
OpenSearch narrowed(const OpenSearch& open, const SlackModel& model,
                    const std::vector<GridPoint>& grid);

// Where the mechanism is at each point by this fit.
Places places_of(const JointSamples& samples, const SlackModel& model, const GridPoint& point);

}  // namespace starwaist::advice
