// What the grid of a mosaic's green sites does to a star's size.
#pragma once

#include "stars/stamp.h"

namespace starwaist::stars {

// Relative error of a half-flux radius that is summed over green sites alone (aperture.h), and the
// standard error that is left of it. Green sites are every second pixel, as on a chessboard: what a
// small star holds beyond their limit comes back as (a + sigma) cos(pi x) cos(pi y), x and y the
// star's place from a green site; nothing else of note does (own derivation: the grid's nearest
// frequencies are half a cycle a pixel along both axes).
struct SitesError {
  double value = 0;
  double sigma = 0;
};

// 0 where every pixel is a site of its own.
SitesError sites_error(const Stamp& stamp, Centre centre, double hfr_px);

}  // namespace starwaist::stars
