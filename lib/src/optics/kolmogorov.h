// How wide the air makes a star (Kolmogorov turbulence).
#pragma once

namespace starwaist::optics {

// Half-flux radius over full width at half maximum of Kolmogorov's seeing, whose transfer function
// is exp of a 5/3 power (checked against the renderer's star images; a Gaussian has 0.5).
inline constexpr double kKolmogorovHfrOverFwhm = 0.5685;

}  // namespace starwaist::optics
