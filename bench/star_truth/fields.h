// Faint stars and fields of many brightnesses.
#pragma once

#include <random>

#include "star_truth/settings.h"

namespace starwaist::bench::star_truth {

// Which signal-to-noise a star needs to be listed, by itself and in a field of brighter ones.
void run_faint(const Settings& settings, std::mt19937_64& random);

// Stars of all brightnesses, as a real field has them: the frame's sigma over repeated frames.
void run_fields(const Settings& settings, std::mt19937_64& random);

}  // namespace starwaist::bench::star_truth
