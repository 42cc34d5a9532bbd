// A star by wave optics: an annular pupil with vanes, in or out of focus, seeing and pixel.
//
// Apart from the library's renderer: the pupil on a fine grid, |its Fourier transform|^2 in one
// wavelength, the transfer functions of seeing (closed forms) and pixel; the light inside a circle
// is a sum over the spectrum, exact for an image without frequencies beyond its samples'.
#pragma once

#include <vector>

#include "star_truth/seeing.h"
#include "star_truth/truth.h"
#include "support/analytic_stars.h"

namespace starwaist::bench::star_truth {

struct WaveKind {
  double size_px = 0;  // recorded half-flux radius that the seeing is chosen for; 0: as given
  Seeing seeing = Seeing::kolmogorov;
  double seeing_px = 0;  // half-flux radius of the seeing alone
  double ring_px = 0;    // radius of the blur, 0 in focus
  double lambda_n_px = 0.73;
  double obstruction = 0.35;
  double vane_width = 0;  // of four vanes, over the pupil's diameter
};

class WaveStar : public Known {
 public:
  explicit WaveStar(const WaveKind& kind);

  // Adds a star, its place rounded to one of the samples: the pixels are exact there.
  void draw(analytic::Image& image, double x_px, double y_px, double flux) const;
  // Share of the clear pupil's light that the vanes throw out of the star's core.
  [[nodiscard]] double vane_share() const { return vane_share_; }

 private:
  int samples_per_px_ = 1;
  int size_ = 0;               // of the square, in samples
  std::vector<float> values_;  // flux of the pixel centred at each sample
  double vane_share_ = 0;
};

}  // namespace starwaist::bench::star_truth
