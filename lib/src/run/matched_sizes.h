// The same stars' sizes in some frames of a run.
//
// Private header of module run.
#pragma once

#include <span>

#include "starwaist/stars.h"

namespace starwaist::run_detail {

// use_matched_sizes of these frames alone.
void use_matched_sizes(std::span<MeasuredFrame* const> frames);

}  // namespace starwaist::run_detail
