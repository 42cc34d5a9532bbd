// Defects of frames: hot pixels, hits, a trail, a gradient.
#pragma once

#include <random>

#include "star_truth/settings.h"

namespace starwaist::bench::star_truth {

// False among the stars used, and the bias of the frame, under each.
void run_defects(const Settings& settings, std::mt19937_64& random);

}  // namespace starwaist::bench::star_truth
