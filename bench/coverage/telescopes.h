// Telescopes and their focus curves by wave optics.
#pragma once

#include <vector>

#include "starwaist/rig.h"
#include "support/wave_optics.h"

namespace starwaist::bench::coverage {

constexpr double kPixelUm = 3.76;

struct Telescope {
  wave::Optics optics;
  Rig rig;
  double core_um = 1;  // seeing over slope
  wave::FocusCurve curve;
  wave::FocusCurve worse;  // with the seeing 3 % wider
};

Telescope telescope(double focal_ratio, double obstruction, bool kolmogorov, double w040);

// Made once for each aberration: the wave optics takes longer than the fits.
const std::vector<Telescope>& telescopes_with(double w040);

}  // namespace starwaist::bench::coverage
