// The rig of the tests' rendered runs, as options.
#pragma once

#include "cli/call_program.h"

namespace starwaist::testing_support {

// `words` and what the rig is: f/5, 480 mm, 3.76 um, 2 um a step.
inline Words with_rig(Words words) {
  const Words rig = {"--focal-length-mm", "480", "--f-number",    "5",  "--pixel-um", "3.76",
                     "--um-per-step",     "2",   "--obstruction", "0.3"};
  words.insert(words.end(), rig.begin(), rig.end());
  return words;
}

}  // namespace starwaist::testing_support
