// The grid of sizes, seeings, holes and brightnesses.
#pragma once

#include <random>

#include "star_truth/report.h"
#include "star_truth/settings.h"

namespace starwaist::bench::star_truth {

// Prints a line for each cell.
Summary run_grid(const Settings& settings, std::mt19937_64& random);

}  // namespace starwaist::bench::star_truth
