// The light of a star beyond what its annuli show.
#pragma once

#include <cstddef>
#include <vector>

namespace starwaist::stars {

// A stack's light in one annulus, in units of each star's light inside a radius that all share.
struct Annulus {
  double light = 0;
  double sigma = 0;           // random error
  double pedestal_sigma = 0;  // error that all annuli share through the sky, per unit of x^2
  std::size_t stars = 0;
};

// Light beyond the last annulus, in the annuli's units, its error, and the exponent that the
// brightness falls with there.
struct Wing {
  double beyond = 0;
  double sigma = 0;
  double power = 0;
};

// A star is the seeing's profile spread over the pupil's image: Kolmogorov's seeing and Moffat's
// profiles of all exponents, in focus and out of it, averaged over what the annuli allow
// (wing_table.h). Where only the core stands out of the noise, much is still known from it, while a
// power law through the last annuli would be far too shallow; and the flat core of a star a little
// out of focus is not that of a profile without wings. The annuli lie `step` first half-flux radii
// apart; the true half-flux radius may differ by some per cent from the first. The light asked for
// is that beyond the first `summed` of them; those further out, too noisy to be summed, still show
// which wings there are. `halo`: the light that diffraction throws beyond x is halo / x (x in first
// half-flux radii); 0 where it is not known.
Wing wing_of(const std::vector<Annulus>& annuli, std::size_t summed, double step, double halo);

}  // namespace starwaist::stars
