#include "starwaist/stars.h"

namespace starwaist {

FrameGroup::FrameGroup(const std::vector<FrameMeasurement>& frames) {
  frames_.reserve(frames.size());
  for (const FrameMeasurement& frame : frames) add(frame);
}

FrameGroup::FrameGroup(const std::vector<MeasuredFrame>& frames) {
  frames_.reserve(frames.size());
  for (const MeasuredFrame& frame : frames) add(frame.measurement);
}

}  // namespace starwaist
