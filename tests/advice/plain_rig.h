// A rig and conditions whose numbers can be followed by hand.
#pragma once

#include "starwaist/conditions.h"

namespace starwaist {

// f/5, 500 mm, 3.76 um, 1 um a step.
inline Rig plain_rig() {
  Rig rig;
  rig.f_number = 5;
  rig.focal_length_mm = 500;
  rig.obstruction = 0;
  rig.pixel_um = 3.76;
  rig.um_per_step = 1;
  rig.seeing_arcsec = 3;
  return rig;
}

inline ObservingConditions plain_conditions() {
  ObservingConditions conditions;
  conditions.smallest_px = 2;
  conditions.slope_px_per_step = 0.02;
  return conditions;
}

}  // namespace starwaist
