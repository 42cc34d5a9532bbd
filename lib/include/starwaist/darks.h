// The map of a sensor's defects from darks.
//
// Module: stars.
#pragma once

#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/frame.h"
#include "starwaist/stars.h"

namespace starwaist {

// Pixels that stand out of those around them (sharp_pixels) by six times the noise in at least half
// of the darks. What is smooth in a dark, as the glow of an amplifier, is no defect: it goes with
// the sky of a frame. `source` names the first of them. Errors: no_data where none is named; those
// of read_frame; invalid_argument for a dark of another size than the first, named.
Result<DefectMap> defects_of_darks(const std::vector<std::string>& paths,
                                   const FrameReadOptions& read = {}, int threads = 1);

}  // namespace starwaist
