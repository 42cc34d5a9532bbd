// Synthetic frames and runs with known truth, by wave optics.
//
// Module: render. May include: core, optics, frame.
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
#include <string>
#include <tuple>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/frame.h"
#include "starwaist/rig.h"

namespace starwaist {

enum class SeeingProfile { moffat, kolmogorov, gaussian };
std::string seeing_profile_name(SeeingProfile profile);  // "moffat", "kolmogorov", "gaussian"
std::optional<SeeingProfile> seeing_profile_from_name(const std::string& name);

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
  static constexpr auto list = std::make_tuple(
      field("spherical_w040_waves", &Aberrations::spherical_w040_waves, "waves",
            "spherical aberration"),
      field("coma_w131_waves", &Aberrations::coma_w131_waves, "waves", "coma"),
      field("coma_angle_deg", &Aberrations::coma_angle_deg, "deg", "its direction, +x to +y"),
      field("astigmatism_w222_waves", &Aberrations::astigmatism_w222_waves, "waves", "astigmatism"),
      field("astigmatism_angle_deg", &Aberrations::astigmatism_angle_deg, "deg",
            "its direction, +x to +y"));
};
static_assert(describes_every_field<Aberrations>());

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
};

template <>
struct Fields<RenderOptions> {
  static constexpr auto list = std::make_tuple(
      field("focal_length_mm", &RenderOptions::focal_length_mm, "mm", "focal length"),
      field("f_number", &RenderOptions::f_number, "", "focal length over aperture"),
      field("obstruction", &RenderOptions::obstruction, "", "diameter fraction, 0 to below 1"),
      field("pixel_um", &RenderOptions::pixel_um, "um", "pixel size"),
      field("um_per_step", &RenderOptions::um_per_step, "um", "image-plane travel of one step"),
      field("wavelengths_um", &RenderOptions::wavelengths_um, "um", "wavelengths, equal weights"),
      field("aberrations", &RenderOptions::aberrations, "", "Seidel terms"),
      field("seeing_profile", &RenderOptions::seeing_profile, "", "moffat, kolmogorov, gaussian"),
      field("moffat_beta", &RenderOptions::moffat_beta, "", "exponent of the Moffat profile"),
      field("seeing_arcsec", &RenderOptions::seeing_arcsec, "arcsec", "seeing, full width"),
      field("seeing_scatter", &RenderOptions::seeing_scatter, "", "relative, frame to frame"),
      field("width_px", &RenderOptions::width_px, "px", "columns"),
      field("height_px", &RenderOptions::height_px, "px", "rows"),
      field("star_count", &RenderOptions::star_count, "", "stars in the field"),
      field("faintest_electrons", &RenderOptions::faintest_electrons, "e", "faintest star"),
      field("brightest_electrons", &RenderOptions::brightest_electrons, "e", "brightest star"),
      field("sky_electrons", &RenderOptions::sky_electrons, "e", "sky per pixel and frame"),
      field("sky_gradient", &RenderOptions::sky_gradient, "", "relative change between corners"),
      field("read_noise_e", &RenderOptions::read_noise_e, "e", "read noise"),
      field("gain_e_per_adu", &RenderOptions::gain_e_per_adu, "e/adu", "gain"),
      field("bias_adu", &RenderOptions::bias_adu, "adu", "level of an unexposed pixel"),
      field("saturation_adu", &RenderOptions::saturation_adu, "adu", "level where pixels clip"),
      field("hot_pixels", &RenderOptions::hot_pixels, "", "hot pixels, the same in every frame"),
      field("dither_px", &RenderOptions::dither_px, "px", "rms shift along each axis"),
      field("positions_steps", &RenderOptions::positions_steps, "steps", "commanded positions"),
      field("best_focus_steps", &RenderOptions::best_focus_steps, "steps", "paraxial focus"),
      field("temperature_c", &RenderOptions::temperature_c, "c", "temperature"),
      field("filter", &RenderOptions::filter, "", "filter name"),
      field("exposure_s", &RenderOptions::exposure_s, "s", "exposure"),
      field("start_utc", &RenderOptions::start_utc, "", "start of the first exposure"),
      field("tilt_x_steps", &RenderOptions::tilt_x_steps, "steps", "focus, right less left edge"),
      field("tilt_y_steps", &RenderOptions::tilt_y_steps, "steps", "focus, last less first row"),
      field("curvature_steps", &RenderOptions::curvature_steps, "steps",
            "focus, corners less centre"),
      field("transmission", &RenderOptions::transmission, "", "stars' light, one value a frame"),
      field("sky_factor", &RenderOptions::sky_factor, "", "sky's light, one value a frame"),
      field("trail_px", &RenderOptions::trail_px, "px", "trail length, one value a frame"),
      field("trail_angle_deg", &RenderOptions::trail_angle_deg, "deg", "trail direction"),
      field("focus_offset_um", &RenderOptions::focus_offset_um, "um",
            "focuser's error outwards, one value a frame"),
      field("temperatures_c", &RenderOptions::temperatures_c, "c", "one value a frame"),
      field("seed", &RenderOptions::seed, "", "of everything random"),
      field("tile_compressed", &RenderOptions::tile_compressed, "", "RICE-compressed files"));
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
// trail_px adds a straight trail in options.trail_angle_deg. Errors: invalid_argument for options
// out of range or a blur beyond 1000 px.
Result<PointSpread> point_spread(const RenderOptions& options, double defocus_um,
                                 double seeing_arcsec, double trail_px = 0);

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
      std::make_tuple(field("x_px", &RenderedStar::x_px, "px", "along FITS axis 1, undithered"),
                      field("y_px", &RenderedStar::y_px, "px", "along FITS axis 2, undithered"),
                      field("electrons", &RenderedStar::electrons, "e", "light of one frame"));
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
  static constexpr auto list = std::make_tuple(
      field("file", &RenderedFrame::file, "", "file name"),
      field("position_steps", &RenderedFrame::position_steps, "steps", "commanded position"),
      field("defocus_um", &RenderedFrame::defocus_um, "um", "defocus of the field's centre"),
      field("seeing_arcsec", &RenderedFrame::seeing_arcsec, "arcsec", "seeing of this frame"),
      field("hfr_px", &RenderedFrame::hfr_px, "px", "median noise-free half-flux radius"),
      field("shift_x_px", &RenderedFrame::shift_x_px, "px", "dither"),
      field("shift_y_px", &RenderedFrame::shift_y_px, "px", "dither"),
      field("transmission", &RenderedFrame::transmission, "", "factor on the stars' light"));
};
static_assert(describes_every_field<RenderedFrame>());

// truth.json, "starwaist/truth/1".
struct RenderTruth {
  double best_focus_steps = 0;  // where the median half-flux radius at mean seeing is smallest
  double best_hfr_px = 0;       // and its value there
  double critical_focus_zone_steps = 0;  // full width 4 lambda N^2, lambda 0.55 um
  std::vector<RenderedFrame> frames;     // in the order taken
  std::vector<RenderedStar> stars;       // brightest first
  RenderOptions options;
};

template <>
struct Fields<RenderTruth> {
  static constexpr auto list = std::make_tuple(
      field("best_focus_steps", &RenderTruth::best_focus_steps, "steps", "true best focus"),
      field("best_hfr_px", &RenderTruth::best_hfr_px, "px", "half-flux radius there"),
      field("critical_focus_zone_steps", &RenderTruth::critical_focus_zone_steps, "steps",
            "full width of the quarter-wave zone"),
      field("frames", &RenderTruth::frames, "", "what each frame was made with"),
      field("stars", &RenderTruth::stars, "", "the field"),
      field("options", &RenderTruth::options, "", "what the run was made of"));
};
static_assert(describes_every_field<RenderTruth>());

// Checks ranges; the message names the field. Called by everything below.
Result<RenderOptions> checked(RenderOptions options);

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
