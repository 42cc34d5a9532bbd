// Synthetic frames and runs with known truth, by wave optics.
//
// Module: render.
//
// A star's image is |Fourier transform of the pupil|^2, summed over the wavelengths, times the
// transfer functions of seeing, image motion and one pixel. Defocus enters the wavefront as
// W020 = dz / (8 N^2) (paraxial: at f/2 the exact rim value is 4.5 % less; the geometric blur dz /
// N is met exactly). Where the blur is so large that the pupil would need more than 4096 samples,
// rays are counted instead of waves and the count is smoothed by the diffraction of a clear pupil.
//
// Sign: dz > 0 where the sensor lies beyond focus, at larger positions; light from the pupil's
// point (u, v) then lands at +2 N dW/d(u, v).
//
// Everything random follows from `seed` by the module's own generator, so that a seed gives the
// same run everywhere (to the last bit where the platform's exp, log and cos agree).
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/frame.h"
#include "starwaist/rig.h"
#include "starwaist/seeing.h"

namespace starwaist {

// Wavelength in which aberrations are counted.
constexpr double kReferenceWavelengthUm = 0.55;

// Low-order aberrations in waves of kReferenceWavelengthUm, Seidel peak values over the full
// pupil radius: W040 rho^4, W131 rho^3 cos, W222 rho^2 cos^2. Balanced by the caller where wanted.
struct Aberrations {
  double spherical_w040_waves = 0;
  double coma_w131_waves = 0;
  double coma_angle_deg = 0;
  double astigmatism_w222_waves = 0;
  double astigmatism_angle_deg = 0;
};

template <>
struct Fields<Aberrations> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(Aberrations, spherical_w040_waves, "waves", "spherical aberration"),
      STARWAIST_FIELD(Aberrations, coma_w131_waves, "waves", "coma"),
      STARWAIST_FIELD(Aberrations, coma_angle_deg, "deg", "its direction, +x to +y"),
      STARWAIST_FIELD(Aberrations, astigmatism_w222_waves, "waves", "astigmatism"),
      STARWAIST_FIELD(Aberrations, astigmatism_angle_deg, "deg", "its direction, +x to +y"));
};
static_assert(describes_every_field<Aberrations>());

// One cause of a failed run, asked for by its name in `starwaist diagnose`, or "healthy".
struct Scenario {
  std::string cause;
  double strength = 1;  // 1: the weakest that must be found; above 0, to kStrongestScenario
};
inline constexpr double kStrongestScenario = 20;

// What a scenario did to a run, in the cause's own unit.
struct AppliedScenario {
  std::string cause;
  double strength = 0;
  double amount = 0;
  std::string unit;     // "steps", "mag", "" for a share or a count
  std::string meaning;  // what the amount is of
};

template <>
struct Fields<AppliedScenario> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(AppliedScenario, cause, "", "name of the cause"),
      STARWAIST_FIELD(AppliedScenario, strength, "", "1: the weakest that must be found"),
      STARWAIST_FIELD(AppliedScenario, amount, "", "strength in the cause's own unit"),
      STARWAIST_FIELD(AppliedScenario, unit, "", "that unit"),
      STARWAIST_FIELD(AppliedScenario, meaning, "", "what the amount is of"));
};
static_assert(describes_every_field<AppliedScenario>());

// Everything that a synthetic run is made of. Defaults make a healthy run.
struct RenderOptions {
  double focal_length_mm = 480;
  double f_number = 5;
  double obstruction = 0.3;
  double pixel_um = 3.76;
  double um_per_step = 2.0;
  std::vector<double> wavelengths_um = {0.50, 0.55, 0.60};  // of equal weight
  Aberrations aberrations;
  SeeingProfile seeing_profile = SeeingProfile::moffat;
  double moffat_beta = 3.5;
  double seeing_arcsec = 2.5;    // full width at half maximum, the same at every wavelength
  double seeing_scatter = 0.02;  // relative, from frame to frame
  int width_px = 800;
  int height_px = 600;
  int star_count = 120;
  double faintest_electrons = 3e3;   // of a star, per frame
  double brightest_electrons = 4e5;  // numbers rise 10^(0.3 m) towards the faint end
  double sky_electrons = 300;        // per pixel
  double sky_gradient = 0.1;         // relative change from corner to corner
  double read_noise_e = 3;
  double gain_e_per_adu = 1.0;
  double bias_adu = 500;
  double saturation_adu = 65535;
  int hot_pixels = 40;
  double dither_px = 3;                 // rms shift along each axis between exposures
  std::vector<double> positions_steps;  // commanded, in the order taken
  // Where the paraxial focus of the field's centre is. The truth's best focus, where the median
  // half-flux radius is smallest, is elsewhere once aberrations, tilt or curvature are there.
  double best_focus_steps = 5000;
  double temperature_c = 8;
  std::string filter = "L";
  double exposure_s = 3;
  std::string start_utc = "2027-02-03T20:11:05";
  // Imperfections, all off by default. A per-frame list is empty or has one value a position.
  double tilt_x_steps = 0;              // best focus at the right edge less that at the left edge
  double tilt_y_steps = 0;              // best focus at the last row less that at the first
  double curvature_steps = 0;           // best focus at the corners less that at the centre
  std::vector<double> transmission;     // factor on the stars' light
  std::vector<double> sky_factor;       // factor on the sky's light
  std::vector<double> trail_px;         // length of a straight trail
  double trail_angle_deg = 0;           // its direction, +x to +y
  std::vector<double> focus_offset_um;  // the sensor is this much farther out than commanded
  std::vector<double> temperatures_c;   // instead of temperature_c
  std::uint64_t seed = 1;
  bool tile_compressed = false;  // RICE, file names end in .fits.fz
  // Further imperfections, all off by default; truth.json has them only where they are on.
  // Free play of the mechanism (steps of its travel). Before the first frame it lies the wrong way
  // for the first move; after that it is taken up by every move and again after every reversal.
  double slack_steps = 0;
  double focus_um_per_c = 0;             // best focus moves outwards with temperatures_c by so much
  std::vector<double> focus_drift_um;    // best focus itself is this much farther out
  std::vector<double> seeing_factor;     // factor on the seeing
  std::vector<double> sky_gradients;     // instead of sky_gradient
  std::vector<double> trail_angles_deg;  // instead of trail_angle_deg
  std::vector<double> shake_px;          // round motion, rms along each axis
  double hot_neighbour_share = 0;        // mean light of a hot pixel's four neighbours over its own
  // Galaxies (exponential and de Vaucouleurs) and knotted clouds, as bright as twice the stars.
  int extended_objects = 0;
  double extended_radius_px = 6;           // typical half-light radius, before optics and seeing
  double bright_core_electrons = 0;        // one core four times as wide near the middle
  std::vector<AppliedScenario> scenarios;  // as apply_scenario put them in; a record only
};

template <>
struct Fields<RenderOptions> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(RenderOptions, focal_length_mm, "mm", "focal length"),
      STARWAIST_FIELD(RenderOptions, f_number, "", "focal length over aperture"),
      STARWAIST_FIELD(RenderOptions, obstruction, "", "diameter fraction, 0 to below 1"),
      STARWAIST_FIELD(RenderOptions, pixel_um, "um", "pixel size"),
      STARWAIST_FIELD(RenderOptions, um_per_step, "um", "image-plane travel of one step"),
      STARWAIST_FIELD(RenderOptions, wavelengths_um, "um", "wavelengths, equal weights"),
      STARWAIST_FIELD(RenderOptions, aberrations, "", "Seidel terms"),
      STARWAIST_FIELD(RenderOptions, seeing_profile, "", "moffat, kolmogorov, gaussian"),
      STARWAIST_FIELD(RenderOptions, moffat_beta, "", "exponent of the Moffat profile"),
      STARWAIST_FIELD(RenderOptions, seeing_arcsec, "arcsec", "seeing, full width"),
      STARWAIST_FIELD(RenderOptions, seeing_scatter, "", "relative, frame to frame"),
      STARWAIST_FIELD(RenderOptions, width_px, "px", "columns"),
      STARWAIST_FIELD(RenderOptions, height_px, "px", "rows"),
      STARWAIST_FIELD(RenderOptions, star_count, "", "stars in the field"),
      STARWAIST_FIELD(RenderOptions, faintest_electrons, "e", "faintest star"),
      STARWAIST_FIELD(RenderOptions, brightest_electrons, "e", "brightest star"),
      STARWAIST_FIELD(RenderOptions, sky_electrons, "e", "sky per pixel and frame"),
      STARWAIST_FIELD(RenderOptions, sky_gradient, "", "relative change between corners"),
      STARWAIST_FIELD(RenderOptions, read_noise_e, "e", "read noise"),
      STARWAIST_FIELD(RenderOptions, gain_e_per_adu, "e/adu", "gain"),
      STARWAIST_FIELD(RenderOptions, bias_adu, "adu", "level of an unexposed pixel"),
      STARWAIST_FIELD(RenderOptions, saturation_adu, "adu", "level where pixels clip"),
      STARWAIST_FIELD(RenderOptions, hot_pixels, "", "hot pixels, the same in every frame"),
      STARWAIST_FIELD(RenderOptions, dither_px, "px", "rms shift along each axis"),
      STARWAIST_FIELD(RenderOptions, positions_steps, "steps", "commanded positions"),
      STARWAIST_FIELD(RenderOptions, best_focus_steps, "steps", "paraxial focus"),
      STARWAIST_FIELD(RenderOptions, temperature_c, "c", "temperature"),
      STARWAIST_FIELD(RenderOptions, filter, "", "filter name"),
      STARWAIST_FIELD(RenderOptions, exposure_s, "s", "exposure"),
      STARWAIST_FIELD(RenderOptions, start_utc, "", "start of the first exposure"),
      STARWAIST_FIELD(RenderOptions, tilt_x_steps, "steps", "focus, right less left edge"),
      STARWAIST_FIELD(RenderOptions, tilt_y_steps, "steps", "focus, last less first row"),
      STARWAIST_FIELD(RenderOptions, curvature_steps, "steps", "focus, corners less centre"),
      STARWAIST_FIELD(RenderOptions, transmission, "", "stars' light, one value a frame"),
      STARWAIST_FIELD(RenderOptions, sky_factor, "", "sky's light, one value a frame"),
      STARWAIST_FIELD(RenderOptions, trail_px, "px", "trail length, one value a frame"),
      STARWAIST_FIELD(RenderOptions, trail_angle_deg, "deg", "trail direction"),
      STARWAIST_FIELD(RenderOptions, focus_offset_um, "um",
                      "focuser's error outwards, one value a frame"),
      STARWAIST_FIELD(RenderOptions, temperatures_c, "c", "one value a frame"),
      STARWAIST_FIELD(RenderOptions, seed, "", "of everything random"),
      STARWAIST_FIELD(RenderOptions, tile_compressed, "", "RICE-compressed files"),
      STARWAIST_FIELD(RenderOptions, slack_steps, "steps", "free play, not taken up at first"),
      STARWAIST_FIELD(RenderOptions, focus_um_per_c, "um/c",
                      "best focus outwards with temperature"),
      STARWAIST_FIELD(RenderOptions, focus_drift_um, "um",
                      "best focus farther out, one value a frame"),
      STARWAIST_FIELD(RenderOptions, seeing_factor, "", "on the seeing, one value a frame"),
      STARWAIST_FIELD(RenderOptions, sky_gradients, "",
                      "relative change between corners, one value a frame"),
      STARWAIST_FIELD(RenderOptions, trail_angles_deg, "deg", "one value a frame"),
      STARWAIST_FIELD(RenderOptions, shake_px, "px", "round motion, rms, one value a frame"),
      STARWAIST_FIELD(RenderOptions, hot_neighbour_share, "",
                      "light of a hot pixel's neighbours over its own"),
      STARWAIST_FIELD(RenderOptions, extended_objects, "", "galaxies and clouds"),
      STARWAIST_FIELD(RenderOptions, extended_radius_px, "px", "half-light radius"),
      STARWAIST_FIELD(RenderOptions, bright_core_electrons, "e", "light of one wide core"),
      STARWAIST_FIELD(RenderOptions, scenarios, "", "what apply_scenario put in"));
};
static_assert(describes_every_field<RenderOptions>());

// count positions step_steps apart, the middle one at centre_steps, rising (falling for a negative
// step).
std::vector<double> evenly_spaced_positions(double centre_steps, double step_steps, int count);

// A noise-free star image of unit flux: values[row * size + column] is the flux that one pixel
// centred there collects. The star's (paraxial) centre is at row = column = size / 2, neighbouring
// samples are 1 / samples_per_px pixels apart. The square wraps round: light beyond its edge comes
// in at the other side, so that the flux is whole.
struct PointSpread {
  int size = 0;
  int samples_per_px = 1;
  std::vector<float> values;
  // The Fourier transform about the centroid, summed over directions: element i belongs to i *
  // ring_step_per_px cycles per pixel. Growth curves are exact sums over it.
  std::vector<double> ring_transfer;
  double ring_step_per_px = 0;
  double centroid_x_px = 0;  // relative to the star's paraxial centre
  double centroid_y_px = 0;
  bool by_rays = false;  // too large for waves (see above)
};

// The star image at a defocus and seeing (full width at half maximum; 0: no seeing at all).
// trail_px adds a straight trail in options.trail_angle_deg, shake_px a round Gaussian motion (rms
// along each axis). Errors: invalid_argument for options out of range or a blur beyond 1000 px.
Result<PointSpread> point_spread(const RenderOptions& options, double defocus_um,
                                 double seeing_arcsec, double trail_px = 0, double shake_px = 0);

// Flux inside a circle round the centroid (px): 0 to 1. The pixel is part of the profile.
double enclosed_flux(const PointSpread& spread, double radius_px);
// Radius round the centroid that holds half of the flux.
double half_flux_radius_px(const PointSpread& spread);

// A star of the field where the frame is not shifted.
struct RenderedStar {
  double x_px = 0;
  double y_px = 0;
  double electrons = 0;  // per frame, at full transmission
};

template <>
struct Fields<RenderedStar> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(RenderedStar, x_px, "px", "along FITS axis 1, undithered"),
                      STARWAIST_FIELD(RenderedStar, y_px, "px", "along FITS axis 2, undithered"),
                      STARWAIST_FIELD(RenderedStar, electrons, "e", "light of one frame"));
};
static_assert(describes_every_field<RenderedStar>());

// What one frame was made with.
struct RenderedFrame {
  std::string file;
  double position_steps = 0;  // commanded
  double defocus_um = 0;      // of the field's centre, paraxial
  double seeing_arcsec = 0;
  double hfr_px = 0;      // median over the stars, noise-free, with the pixel
  double shift_x_px = 0;  // star at x_px is in this frame at x_px + shift_x_px
  double shift_y_px = 0;
  double transmission = 1;
};

template <>
struct Fields<RenderedFrame> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(RenderedFrame, file, "", "file name"),
      STARWAIST_FIELD(RenderedFrame, position_steps, "steps", "commanded position"),
      STARWAIST_FIELD(RenderedFrame, defocus_um, "um", "defocus of the field's centre"),
      STARWAIST_FIELD(RenderedFrame, seeing_arcsec, "arcsec", "seeing of this frame"),
      STARWAIST_FIELD(RenderedFrame, hfr_px, "px", "median noise-free half-flux radius"),
      STARWAIST_FIELD(RenderedFrame, shift_x_px, "px", "dither"),
      STARWAIST_FIELD(RenderedFrame, shift_y_px, "px", "dither"),
      STARWAIST_FIELD(RenderedFrame, transmission, "", "factor on the stars' light"));
};
static_assert(describes_every_field<RenderedFrame>());

// truth.json, "starwaist/truth/1".
struct RenderTruth {
  // Where the median half-flux radius at mean seeing is smallest at the middle of the run,
  // approached in the direction of its first move with the slack taken up.
  double best_focus_steps = 0;
  double best_hfr_px = 0;                // and its value there
  double critical_focus_zone_steps = 0;  // full width 4 lambda N^2, lambda 0.55 um
  std::vector<RenderedFrame> frames;     // in the order taken
  std::vector<RenderedStar> stars;       // brightest first
  RenderOptions options;
};

template <>
struct Fields<RenderTruth> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(RenderTruth, best_focus_steps, "steps", "true best focus"),
                      STARWAIST_FIELD(RenderTruth, best_hfr_px, "px", "half-flux radius there"),
                      STARWAIST_FIELD(RenderTruth, critical_focus_zone_steps, "steps",
                                      "full width of the quarter-wave zone"),
                      STARWAIST_FIELD(RenderTruth, frames, "", "what each frame was made with"),
                      STARWAIST_FIELD(RenderTruth, stars, "", "the field"),
                      STARWAIST_FIELD(RenderTruth, options, "", "what the run was made of"));
};
static_assert(describes_every_field<RenderTruth>());

// Checks ranges; the message names the field. Called by everything below.
Result<RenderOptions> checked(RenderOptions options);

// A cause that a scenario can make.
struct ScenarioKind {
  std::string_view cause;
  std::string_view at_strength_one;  // what strength 1 is, and how stronger ones grow
};

// All of them, and "healthy".
std::span<const ScenarioKind> scenario_kinds();

// The options of a run in which these causes happened; two or more may be combined, each at most
// once. Everything is made from the rig's own numbers, of which three carry it: the half zone 2
// lambda N^2, the smallest half-flux radius H0 at the seeing asked for, and the width B = H0 /
// slope of the arms (H is about sqrt(2) H0 at a defocus of B). Where `positions_steps` is empty, a
// good plan for the rig is made round `best_focus_steps`: 9 to 11 points, the outermost two to
// three times H0, best focus a little off the middle, one run in three inward. `one_sided`,
// `step_too_small`, `step_too_large` and `too_few_points` are such plans gone wrong and want no
// positions. Where and which way a cause strikes follows from `seed`. Strength 1 of each cause (it
// moves best focus by half a half zone or more, or stands out of the run's noise by 5 sigma):
//
//   one_sided          best focus 0.5 B beyond the last position; grows with strength
//   step_too_small     half range 0.4 B (the outermost sizes 6 % above the smallest), over strength
//   step_too_large     seven points 2 B apart; grows
//   too_few_points     4 points, 3 from strength 2 on
//   slack              free play of 1.2 sweep steps, 0.6 B at least; grows
//   no_motion          the last third of the frames; from strength 3 on all of them
//   focus_jump         0.6 B between two frames; grows
//   passing_cloud      0.4 mag in the darkest frame, sky 20 % brighter; grows
//   fogging            0.5 mag and 25 % wider seeing by the last frame; grows
//   few_stars          4 stars of signal-to-noise 30 at most, or a field whose brightest star has
//                      12 (in focus); both over strength
//   saturation         the exposure at which half of the stars are clipped in focus; grows
//   defects_as_stars   1.5 hot pixels with warm neighbours for each star; grows
//   image_motion       trails of one full width at half maximum: in all frames the same way, in a
//                      third of them 1.5 times as long any way, or round shaking there; grows
//   thermal_drift      a half zone over the run; grows
//   extended_objects   0.6 galaxies and knots for each star, and in every other run a bright core;
//                      grows
//   background_change  sky 50 % brighter and its gradient 0.3 steeper at the end (twilight), or at
//                      once and 0.6 (lamp); grows
//   field_tilt         two half zones from edge to edge; grows
//   field_curvature    two half zones from centre to corner; grows
//   miscollimation     coma that puts the shadow 0.15 donut radii off centre in the most defocused
//                      frame; grows. Needs an obstruction of 0.1 or more.
//   bad_seeing         twice the seeing asked for; 1 + strength times
//
// Errors: invalid_argument for an unknown name, a strength out of range, a cause twice, "healthy"
// with another, plans that contradict each other or the positions given, fewer than three
// positions.
Result<RenderOptions> apply_scenario(RenderOptions options, std::span<const Scenario> scenarios);

// Frame `index` of the run, as reading its file gives it. Errors: invalid_argument.
Result<Frame> render_frame(const RenderOptions& options, int index);

// The truth without the frames. Errors: invalid_argument.
Result<RenderTruth> render_truth(const RenderOptions& options);

// The truth as JSON (schema starwaist/truth/1), as it stands in truth.json: UTF-8, two-space
// indented, ending with a line break. Errors: numerical for a number that is not finite.
Result<std::string> truth_json(const RenderTruth& truth);

// What a caller may hang into a long rendering.
struct RenderHooks {
  std::function<void(int, int)> progress;  // after each frame, with (done, total)
  std::function<bool()> stop;              // no further frame once it returns true
};

// Writes frame_00.fits (or .fits.fz) ... and, last, truth.json into `folder`, which is made where
// it is absent. A folder that is not empty is refused (cannot_write) without `force`; with it, the
// frames of an older run there are replaced and other files stay. Every file is whole or absent,
// and after a failure none of this run is left. Errors: invalid_argument, cannot_write,
// interrupted.
Result<RenderTruth> render_run(const RenderOptions& options, const std::string& folder,
                               bool force = false, const RenderHooks& hooks = {});

}  // namespace starwaist
