// Centre, elongation and profile width of one star on its stamp.
#pragma once

#include <cmath>
#include <optional>
#include <vector>

#include "stars/stamp.h"

namespace starwaist::stars {

// Sums over the valid pixels under a round Gaussian window.
struct WindowSums {
  double sum = 0;  // of weight * value
  double x = 0;    // of weight * value * dx
  double y = 0;
  double xx = 0;
  double yy = 0;
  double xy = 0;
};

// A stamp to be looked at through Gaussian windows of about the same width: in bins of up to a
// 10th of the window's sigma, or single pixels. Sums over the bins are those over the pixels, a
// bin's own variance taken off the second moments. Refers to the stamp.
class WindowedStamp {
 public:
  WindowedStamp(const Stamp& stamp, double window_px);
  // `centre` in frame coordinates; the sums in pixels.
  [[nodiscard]] WindowSums sums(Centre centre, double window_px) const;

 private:
  const Stamp* stamp_;
  int bin_ = 1;
  Stamp binned_;
};

// Centroid under a round Gaussian window of sigma `window_px` that follows the star, in frame
// coordinates; pixels beyond three sigmas are left out. The window is wide against the star (1.5
// half-flux radii), so that it also converges on a ring: with a ring of radius R the mean moves
// against the window by 1 - R^2 / (2 sigma^2) > 0.55 of a step. Absent where the light in the
// window is not positive or the centre wanders further than `leash_px`.
std::optional<Centre> windowed_centroid(const WindowedStamp& stamp, Centre start, double window_px,
                                        double leash_px);

// Polarisation of the second moments: e1 = (Mxx - Myy) / (Mxx + Myy), e2 = 2 Mxy / (Mxx + Myy).
struct Polarisation {
  double e1 = 0;
  double e2 = 0;
  // (a^2 - b^2) / (a^2 + b^2) of the ellipse: 0 round, towards 1 a line.
  [[nodiscard]] double magnitude() const { return std::hypot(e1, e2); }
};

// Second moments under the same round window, the window's own effect taken out as for a Gaussian
// star (inverse covariances subtract: Bernstein & Jarvis 2002 section 3, from memory). Absent where
// the light or the moments are not positive.
std::optional<Polarisation> windowed_polarisation(const WindowedStamp& stamp, Centre centre,
                                                  double window_px);

// Magnitude of a measured polarisation; 1 where there is none, since a line has no moments of its
// own under a window.
inline double elongation_of(const std::optional<Polarisation>& polarisation) {
  return polarisation ? polarisation->magnitude() : 1.0;
}

// Eccentricity sqrt(1 - (b/a)^2) of an ellipse of polarisation e (0 to 1): (b/a)^2 = (1-e)/(1+e).
double eccentricity_of(double polarisation);
// Direction of the major axis in degrees from +x towards +y, -90 to 90.
double angle_deg_of(Polarisation p);

// Round Moffat profile A (1 + r^2 / alpha^2)^-beta.
struct MoffatFit {
  double fwhm_px = 0;
  double beta = 0;
};

// Powers of one exponent by table, for many fits with it.
class MoffatWing {
 public:
  // Precondition: beta > 1.
  explicit MoffatWing(double beta);
  [[nodiscard]] double beta() const { return beta_; }
  // (1 + u)^-beta, to 1e-5 of 1; u >= 0.
  [[nodiscard]] double operator()(double u) const { return at_part(u / (1 + u)); }
  // The same from u / (1 + u).
  [[nodiscard]] double at_part(double part) const {
    const double place = static_cast<double>(powers_.size() - 1) * part;
    const auto below = std::min(static_cast<std::size_t>(place), powers_.size() - 2);
    const double t = place - static_cast<double>(below);
    return powers_[below] + t * (powers_[below + 1] - powers_[below]);
  }

 private:
  double beta_;
  std::vector<double> powers_;  // (1 - x)^beta at equidistant x = u / (1 + u)
};

// Least squares over the pixels within `radius_px` of the centre, which are point samples of the
// recorded profile; beta free, or that of `wing`. Absent where the fit does not converge to a
// positive width inside the radius.
std::optional<MoffatFit> fit_moffat(const Stamp& stamp, Centre centre, double radius_px,
                                    double start_fwhm_px);
std::optional<MoffatFit> fit_moffat(const Stamp& stamp, Centre centre, double radius_px,
                                    double start_fwhm_px, const MoffatWing& wing);

}  // namespace starwaist::stars
