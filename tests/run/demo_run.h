// The demonstration run and its rig.
#pragma once

#include <string>

#include "starwaist/run.h"

namespace starwaist::testing_support {

inline const std::string kDemo = STARWAIST_SOURCE_DIR "/demo-frames";

inline RunOptions demo_options() {
  RunOptions options;
  options.rig.f_number = 5;
  options.rig.pixel_um = 3.76;
  options.rig.um_per_step = 2;
  return options;
}

}  // namespace starwaist::testing_support
