// By what the best focus of a run errs: the fit's weights on noise that is not as they take it.
//
// In: frames in the order taken, each with its place and time. Out: variances of best focus.
#pragma once

#include <optional>
#include <span>

#include "advice/information.h"
#include "curve/curve_shape.h"

namespace starwaist::advice {

struct TimedFrame {
  double u = 0;  // (x - x0) / B
  double time_s = 0;
};

// The noise of one frame (PointNoise::frames is 1), and how long the seeing stays.
struct SweepNoise {
  PointNoise frame;
  double memory_s = 0;  // the seeing's correlation falls as exp(-t / memory_s); 0: at once
};

// Of best focus in B^2, as weights by the frames' own variances determine it.
struct SweepVariances {
  double whole = 0;     // no frame lost
  double one_lost = 0;  // mean over every one of them
};

// fit_cost and the lopsidedness of curves (curve/priors.h) included. Every `lost_every`-th frame
// stands for those that may be lost. Absent where the frames, or all but a lost one, determine no
// curve.
std::optional<SweepVariances> sweep_variances(const curve::Shape& shape,
                                              std::span<const TimedFrame> frames,
                                              const SweepNoise& noise, int lost_every = 1);

// No frame lost.
std::optional<double> sweep_variance(const curve::Shape& shape, std::span<const TimedFrame> frames,
                                     const SweepNoise& noise);

}  // namespace starwaist::advice
