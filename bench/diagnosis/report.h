// Runs one by one, and tables of all.
#pragma once

#include <vector>

#include "diagnosis/answers.h"
#include "diagnosis/runs.h"
#include "diagnosis/settings.h"
#include "diagnosis/tally.h"

namespace starwaist::bench::diagnosis {

// Those that failed and, where the caller asks to see them, those whose answer is not the truth, or
// not it alone, and those that are trusted and more than a half zone off.
void print_runs(const std::vector<Run>& runs, const std::vector<Answer>& answers,
                const Settings& settings);

void print_tally(const Tally& tally);

}  // namespace starwaist::bench::diagnosis
