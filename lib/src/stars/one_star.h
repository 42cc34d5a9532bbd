// One star on its stamp, with what is known of the frame.
#pragma once

#include <optional>

#include "stars/detect.h"
#include "stars/growth_profile.h"
#include "stars/pedestal.h"
#include "stars/stamp.h"
#include "stars/star_shape.h"
#include "starwaist/stars.h"

namespace starwaist::stars {

inline constexpr double kSummarySnr = 10.0;    // fainter stars do not count in a frame's sizes
inline constexpr double kFewestSizePx = 0.55;  // smaller than any star: a pixel's own defect

// A star in the making.
struct MeasuredStar {
  Star star;
  double size_px = 0;  // expected, then measured half-flux radius
  bool measured = false;
  bool defect = false;  // far too small for a star of this frame
  std::optional<AnnulusSky> annulus;
  std::optional<Polarisation> polarisation;
  double polarisation_sigma = 0;
  double sky_sigma_px = 0;  // of the half-flux radius, by the error of the sky that all stars share
};

// A whole star by itself, not one of the frame's many other objects.
inline bool is_clean(const MeasuredStar& m) {
  return m.measured && !m.defect && !m.star.saturated && !m.star.blended && !m.star.extended;
}

struct StarRules {
  const GrowthProfile* profile = nullptr;  // never null
  double aperture_px = 0;
  const MoffatWing* wing = nullptr;  // null: no profile fit
  bool keep_place = false;           // the place is known: no centroid
};

// Starts from star.x_px, star.y_px and the expected size_px.
void measure_star(const FrameContext& context, const StarRules& rules, const Pedestal& pedestal,
                  MeasuredStar& measured);

// Standard errors and signal-to-noise of a star that was measured with one gain, as with another.
void change_gain(const GrowthProfile& profile, std::optional<double> before_e_per_adu,
                 std::optional<double> after_e_per_adu, Star& star);

// A candidate's half-flux radius without any knowledge (the aperture grows until it holds the
// star), and how elongated it is (elongation_of).
struct Probe {
  double size_px = 0;
  double polarisation = 0;
};
std::optional<Probe> probe_size(const FrameContext& context, const Candidate& candidate);

}  // namespace starwaist::stars
