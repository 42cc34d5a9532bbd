// Objects that several answers hold.
//
// Private header of module report.
#pragma once

#include "core/encode.h"
#include "starwaist/run.h"

namespace starwaist::report {

// `run_name`: also the key `run`, where it is not null.
encoding::Json fit_object(const RunAnswer& run, encoding::Encoder& encoder,
                          const std::string* run_name = nullptr);

// One of `frames`; without `stars` the keys `stars` and `defects` are left out.
encoding::Json frame_object(const FrameMeasurement& frame, const std::string& path, bool stars,
                            encoding::Encoder& encoder);

}  // namespace starwaist::report
