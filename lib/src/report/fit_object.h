// The contract's `fit` object, for the answers that hold one.
//
// Private header of module report.
#pragma once

#include "core/encode.h"
#include "starwaist/run.h"

namespace starwaist::report {

// `run_name`: also the key `run`, where it is not null.
encoding::Json fit_object(const RunFit& run, encoding::Encoder& encoder,
                          const std::string* run_name = nullptr);

}  // namespace starwaist::report
