// Transfer functions (Fourier transforms of unit-flux profiles) that a star's image is multiplied
// with: seeing, image motion, the pixel. Frequencies are cycles per um at the sensor.
//
// Module: render.
#pragma once

#include <vector>

#include "starwaist/render.h"

namespace starwaist::render {

// sin(pi x) / (pi x).
double sinc(double x);

// Seeing of this full width at half maximum (um at the sensor), real and round:
//   kolmogorov  exp[-3.44 (nu w / 0.975863)^(5/3)]  (Fried 1966, from memory; w = 0.975863
//   lambda/r0) gaussian    exp[-(pi nu w)^2 / (4 ln 2)] moffat      2 / Gamma(b - 1) (k a / 2)^(b -
//   1) K_(b-1)(k a), k = 2 pi nu, w = 2 a sqrt(2^(1/b)-1)
// width 0: no seeing.
double seeing_transfer(SeeingProfile profile, double moffat_beta, double width_um,
                       double frequency_per_um);

// seeing_transfer tabulated from 0 to highest_per_um, read by linear interpolation (error < 1e-5
// with its 8192 steps where the profile is at most some 100 times narrower than the table's
// range).
class SeeingTable {
 public:
  SeeingTable(SeeingProfile profile, double moffat_beta, double width_um, double highest_per_um);
  [[nodiscard]] double at(double frequency_per_um) const;

 private:
  std::vector<double> values_;
  double per_step_ = 1;
};

// Diffraction by a clear round pupil in focus: 2/pi (acos s - s sqrt(1 - s^2)), s = nu lambda N.
double clear_pupil_transfer(double frequency_lambda_n);

}  // namespace starwaist::render
