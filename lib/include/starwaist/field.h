// Focus over the field (tilt, curvature) from the stars of a run, and the optics' centring from the
// shadow in out-of-focus stars.
//
// Module: field.
#pragma once

#include <functional>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/frame.h"
#include "starwaist/rig.h"
#include "starwaist/stars.h"

namespace starwaist {

// One cell of the field, three by three.
struct FieldZone {
  int row = 0;     // from the first row of the frame on
  int column = 0;  // from the left
  double best_focus_steps = 0;
  double sigma_steps = 0;  // against the other zones: what moves all of them alike is not in it
  int stars = 0;
};

template <>
struct Fields<FieldZone> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(FieldZone, row, "", "from the first row on"),
      STARWAIST_FIELD(FieldZone, column, "", "from the left"),
      STARWAIST_FIELD(FieldZone, best_focus_steps, "steps", "best focus of its stars"),
      STARWAIST_FIELD(FieldZone, sigma_steps, "steps", "against the other zones"),
      STARWAIST_FIELD(FieldZone, stars, "", "stars in it"));
};
static_assert(describes_every_field<FieldZone>());

// Best focus over the field: centre + tilt_x (x - xc) / width + tilt_y (y - yc) / height +
// curvature r^2 / r_corner^2, lengths between the centres of the outermost pixels.
struct FieldFocus {
  double tilt_x_steps = 0;     // right edge less left edge
  double tilt_y_steps = 0;     // last row less first row
  double curvature_steps = 0;  // corners less centre, tilt taken out
  double tilt_x_sigma_steps = 0;
  double tilt_y_sigma_steps = 0;
  double curvature_sigma_steps = 0;
  double tilt_correlation = 0;        // of the two tilts' errors
  double degrees_of_freedom = 0;      // that the sigmas rest on
  double centre_focus_steps = 0;      // best focus of the field's centre
  double compromise_focus_steps = 0;  // where the field's median size is smallest
  Interval flat_steps;                // about it: the median size grows by less than 1 %
  double edge_growth =
      0;  // there, of a star at the worst edge or corner over its own smallest size
  // compromise_focus_steps less what a fit to the sizes of the run's stars together gives for this
  // shape: what a run's best focus must be moved by to be that of the median star.
  double median_shift_steps = 0;
  double median_shift_sigma_steps = 0;
  double core_steps = 0;  // width of one star's curve: smallest size over arm slope
  int stars = 0;
  int frames = 0;
  std::vector<FieldZone> zones;  // those with three stars or more
};

// The stars of one frame are measured with one growth profile, which takes a star that is larger
// than the others for one of the same shape at a larger scale. Defocus changes the shape, not the
// scale of the wings: measured differences within a frame come out larger than they are. Rendered
// frames gave 1.05 (Gaussian seeing), 1.07 (Moffat, exponent 3.5) and 1.08 (Kolmogorov), f/2 to
// f/7.
inline constexpr double kSizeResponse = 1.07;
inline constexpr double kSizeResponseSigma = 0.02;

// Joint fit over the stars of a run: ln of star j's size in frame i is s_j + e_i + ln H(x_i - f_j),
// with H the run's own curve, f_j best focus at the star's place, s_j and e_i free. So seeing,
// which all stars of a frame share, cancels, and so does a star's own constant. A sharpness that
// changes over the field (coma of the corners) is fitted along. Weights by Huber (k = 1.345). The
// curve is fitted once more with tilt and curvature taken out of the sizes. Sigmas: the sandwich
// over stars (each star's points may err together), widened where the frames' gradients scatter by
// more than their stars do (seeing that differs over the field). `frames` have positions and
// are those of the points of `fit`, the run's, in the same order; `tracks` as star_tracks gives
// them. Errors: no_data where the curve has no minimum,
// fewer than four frames are at different places, or fewer than eight stars are seen on both sides
// of best focus in half of the frames.
Result<FieldFocus> focus_over_field(const FrameGroup& frames, std::span<const StarTrack> tracks,
                                    const FitResult& fit, const Rig& rig = {});

// Where the shadow of the central obstruction lies in out-of-focus stars.
struct Collimation {
  double shadow_offset = 0;  // from the donut's centre to the shadow's, over the outer radius
  double sigma = 0;          // standard error of either component
  double angle_deg = 0;      // its direction, from +x towards +y, -180 to 180
  int stars = 0;
  double outer_radius_px = 0;
  double inner_over_outer = 0;  // radius of the shadow over that of the donut: the rig's, or 0.33
  std::string file;             // frame it was seen in
  double position_steps = 0;
  // Both sides of focus show rings, so that coma and a displaced shadow can be separated. Where one
  // side alone does, the skewness counts as coma, and `sigma` holds what may hide in it.
  bool both_sides = false;
  double coma_offset = 0;  // part of the offset that is coma's
  double coma_sigma = 0;   // of either component; from the stars' scatter alone on one side
  double coma_angle_deg = 0;
  std::optional<double> displaced_offset;  // part of it that the shadow is displaced by
  std::optional<double> displaced_sigma;
  std::optional<double> displaced_angle_deg;
};

template <>
struct Fields<Collimation> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(Collimation, shadow_offset, "",
                      "shadow's centre from the donut's, over the outer radius"),
      STARWAIST_FIELD(Collimation, sigma, "", "standard error of either component"),
      STARWAIST_FIELD(Collimation, angle_deg, "deg", "from the donut's centre to the shadow's"),
      STARWAIST_FIELD(Collimation, stars, "", "stars stacked"),
      STARWAIST_FIELD(Collimation, outer_radius_px, "px", "radius of the donut"),
      STARWAIST_FIELD(Collimation, inner_over_outer, "", "shadow's radius over it"),
      STARWAIST_FIELD(Collimation, file, "", "frame"),
      STARWAIST_FIELD(Collimation, position_steps, "steps", "its position"),
      STARWAIST_FIELD(Collimation, both_sides, "", "whether both sides of focus show rings"),
      STARWAIST_FIELD(Collimation, coma_offset, "", "part of the offset that is coma's"),
      STARWAIST_FIELD(Collimation, coma_sigma, "", "standard error of either component"),
      STARWAIST_FIELD(Collimation, coma_angle_deg, "deg", "its direction"),
      STARWAIST_FIELD(Collimation, displaced_offset, "", "part by a displaced shadow"),
      STARWAIST_FIELD(Collimation, displaced_sigma, "", "standard error of either component"),
      STARWAIST_FIELD(Collimation, displaced_angle_deg, "deg", "its direction"));
};
static_assert(describes_every_field<Collimation>());

// The shadow's offset in one frame, absent where its stars show no donuts or fewer than four bright
// clean ones; strong coma fills the shadow, and where `rig` has an obstruction a skewness of five
// sigmas will do. From each, less a plane of sky, the third moment about the centroid E[|r|^2 r];
// the mean over the stars by Huber's weights, its error from their scatter. Whatever is symmetric
// (seeing, trails, an even blur) adds nothing to a third moment.
//
// Centres are those of the light that came through the pupil's rim and through the obstruction's:
// with coma W131 the offset is 4 N W131 (1 - e^2) um over the donut's radius dz / (2 N) (ray sum
// over each rim), opposite to the coma's direction, and the third moment follows from it. A shadow
// that is displaced, without coma, enters the third moment with the other sign, and k = 2 e^2 /
// (5 (1 + e^2 + e^4) / 3 - (1 + e^2)^2) as much. From one frame the two cannot be separated, but
// where the light is even across the donut: then the two outlines give the offset. `rig` and
// `defocus_steps` give the geometric radius where the size agrees with it, which else gives it.
std::optional<Collimation> shadow_offset(const Frame& frame, const FrameMeasurement& measured,
                                         const Rig& rig = {},
                                         std::optional<double> defocus_steps = {});

// In the most defocused frame at larger positions than best focus that shows donuts, with the most
// defocused one at smaller positions that does: coma's part of the offset falls as 1 / |defocus|
// and keeps its direction, a displaced shadow's turns round. By the frame alone where the other
// side shows none. `read` gives the pixels of frame i as they were measured, or nothing.
std::optional<Collimation> find_collimation(
    const FrameGroup& frames, double best_focus_steps, const Rig& rig,
    const std::function<std::optional<Frame>(std::size_t)>& read);

}  // namespace starwaist
