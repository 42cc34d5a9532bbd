// Reading a frame with several threads.
#pragma once

#include <string>

#include "starwaist/frame.h"

namespace starwaist::frame_detail {

// starwaist::read_frame, the pixels of uncompressed 16-bit FITS shared between `threads` threads.
// The frame is the same for any number of them.
Result<Frame> read_frame(const std::string& path, const FrameReadOptions& options, int threads);

}  // namespace starwaist::frame_detail
