// What the pixels say of the camera: where they clip, and electrons per ADU.
#pragma once

#include <optional>
#include <vector>

#include "stars/background.h"
#include "stars/detect.h"
#include "starwaist/frame.h"
#include "starwaist/stars.h"

namespace starwaist::stars {

// Raw pixel above which a star counts as clipped. Without a given level: the top value, where many
// pixels share it or it is the end of the 16-bit range; infinite where nothing is clipped.
double saturation_level(const Frame& frame, const MeasureOptions& options,
                        const std::vector<Candidate>& bright);

// Electrons per ADU as given or from the header where the sky's noise agrees with it.
std::optional<double> believable_gain(const Frame& frame, const MeasureOptions& options,
                                      const SkyMap& sky);

}  // namespace starwaist::stars
