// Stars by wave optics: diffraction's halo, vanes, one-shot colour, wide seeing.
#pragma once

#include <random>

#include "star_truth/settings.h"

namespace starwaist::bench::star_truth {

// Prints a line for each kind of star, camera and density.
void run_optics(const Settings& settings, std::mt19937_64& random);

}  // namespace starwaist::bench::star_truth
