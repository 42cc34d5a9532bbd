// Stars of one frame: where they are, how large and how round they are, and what the frame's size
// is.
//
// Module: stars.
//
// Sizes are those of the profile that the pixels recorded (optics, seeing and one pixel width). All
// functions are pure.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/frame.h"
#include "starwaist/statement.h"
#include "starwaist/terms.h"

namespace starwaist {

// A rectangle of the frame, in pixels.
struct Region {
  int x_px = 0;
  int y_px = 0;
  int width_px = 0;
  int height_px = 0;
};

// Pixels of a sensor that do not show the light that falls on them.
struct DefectMap {
  std::string source;  // names what it was made of, as in messages
  int width_px = 0;    // of the frames that it is for
  int height_px = 0;
  std::vector<PixelPlace> pixels;  // by row, then along it; each once
  std::vector<PixelPlace> places;  // one for each group of touching pixels: its brightest
};

struct MeasureOptions {
  std::optional<Region> region;  // only stars with their centre in it are used
  // Colour of a mosaic frame; green where not given. Ignored for frames without a mosaic.
  std::optional<ColorChannel> channel;
  std::optional<double> gain_e_per_adu;  // photon noise is estimated from the frame otherwise
  std::optional<double> read_noise_e;
  std::optional<double> saturation_adu;  // found from the pixels otherwise
  // Of the light that diffraction throws far out, halo_px / r lies beyond r pixels
  // (diffraction_halo_px of rig.h): counted with each star where given.
  std::optional<double> halo_px;
  // Smallest matched-filter signal-to-noise of a star. At 6 a megapixel of pure noise yields about
  // 1e-3 false peaks per scale (one-sided Gaussian tail 1e-9), correlated noise a few more.
  double detection_snr = 6.0;
  // Known defects, for frames of the map's size; their pixels are filled in from those around them.
  std::shared_ptr<const DefectMap> defects;
  int threads = 1;  // within one frame; 0: all cores. The answer does not depend on it.
};

// One star. Absent where it cannot be measured.
struct Star {
  double x_px = 0;  // centroid
  double y_px = 0;
  double flux_adu = 0;  // background-subtracted, wings beyond the aperture included
  double snr = 0;       // flux over its own standard error
  double peak_adu = 0;  // highest pixel above the background
  std::optional<double> hfr_px;
  std::optional<double> hfr_sigma_px;
  std::optional<double> mean_radius_px;  // flux-weighted mean radius inside aperture_px
  std::optional<double> fwhm_px;         // of a profile fit; absent for a ring
  std::optional<double> eccentricity;    // sqrt(1 - (b/a)^2), noise bias taken out
  std::optional<double> angle_deg;       // major axis, from +x towards +y, -90 to 90
  double aperture_px = 0;                // radius within which the growth curve was summed
  bool saturated = false;
  bool blended = false;   // a neighbour's light lies inside the aperture
  bool at_edge = false;   // the aperture leaves the frame
  bool extended = false;  // much wider than the frame's stars: a galaxy, a knot, an unresolved pair
  bool followed = false;  // not found here, measured where the run's other frames have it
};

template <>
struct Fields<Star> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(Star, x_px, "px", "centroid along FITS axis 1"),
      STARWAIST_FIELD(Star, y_px, "px", "centroid along FITS axis 2"),
      STARWAIST_FIELD(Star, flux_adu, "adu", "flux above the background, wings included"),
      STARWAIST_FIELD(Star, snr, "", "flux over its own standard error"),
      STARWAIST_FIELD(Star, peak_adu, "adu", "highest pixel above the background"),
      STARWAIST_FIELD(Star, hfr_px, "px", "half-flux radius"),
      STARWAIST_FIELD(Star, hfr_sigma_px, "px", "standard error of hfr_px"),
      STARWAIST_FIELD(Star, mean_radius_px, "px", "flux-weighted mean radius inside aperture_px"),
      STARWAIST_FIELD(Star, fwhm_px, "px", "full width at half maximum of a profile fit"),
      STARWAIST_FIELD(Star, eccentricity, "", "sqrt(1 - (b/a)^2)"),
      STARWAIST_FIELD(Star, angle_deg, "deg", "major axis, from +x towards +y"),
      STARWAIST_FIELD(Star, aperture_px, "px", "radius of the aperture"),
      STARWAIST_FIELD(Star, saturated, "", "a pixel inside is at the saturation level"),
      STARWAIST_FIELD(Star, blended, "", "a neighbour's light lies inside the aperture"),
      STARWAIST_FIELD(Star, at_edge, "", "the aperture leaves the frame"),
      STARWAIST_FIELD(Star, extended, "", "much wider than the frame's stars"),
      STARWAIST_FIELD(Star, followed, "",
                      "not found here, measured where the run's other frames have it"));
};
static_assert(describes_every_field<Star>());

struct StarPlace {
  double x_px = 0;
  double y_px = 0;
};

template <>
struct Fields<StarPlace> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(StarPlace, x_px, "px", "along FITS axis 1"),
                      STARWAIST_FIELD(StarPlace, y_px, "px", "along FITS axis 2"));
};
static_assert(describes_every_field<StarPlace>());

// One frame's summary, an entry of `frames` in JSON. `star_count` is the number of stars that the
// sizes rest on; without any, the sizes are absent and the frame still counts as measured.
struct FrameMeasurement {
  std::string file;
  int width_px = 0;
  int height_px = 0;
  std::optional<double> position_steps;
  std::optional<double> temperature_c;
  std::optional<std::string> filter;
  std::optional<double> exposure_s;
  std::optional<std::string> time_utc;
  double background_adu = 0;  // median over the mesh
  double noise_adu = 0;       // standard deviation of the sky pixels
  int star_count = 0;
  int saturated_count = 0;
  int defect_count = 0;  // hot pixels, cosmic-ray hits, trails: candidates that are no stars
  std::optional<double> hfr_px;
  std::optional<double> hfr_sigma_px;         // the shared part included
  std::optional<double> hfr_shared_sigma_px;  // part that all stars of the frame share, known from
                                              // the frame: the light beyond the apertures, the
                                              // sky's level
  std::optional<double> fwhm_px;
  std::optional<double> fwhm_sigma_px;
  std::optional<double> mean_radius_px;
  std::optional<double> eccentricity;
  std::optional<double> elongation_angle_deg;
  std::optional<double> elongation_coherence;  // 0 directions random, 1 all the same
  // Outer radius of rings too wide to be measured as stars; looked for where next to no star was
  // found.
  std::optional<double> ring_radius_px;
  std::vector<Star> stars;         // brightest first; unusable ones flagged
  std::vector<StarPlace> defects;  // where the defect_count candidates are
  std::vector<Statement> remarks;  // in plain words, for `reasons` and `notes`
  // Which header keyword each fact was taken from; "file name" where it was that.
  std::vector<std::pair<std::string, std::string>> keywords;
};

template <>
struct Fields<FrameMeasurement> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(FrameMeasurement, file, "", "file name"),
      STARWAIST_FIELD(FrameMeasurement, width_px, "px", "columns"),
      STARWAIST_FIELD(FrameMeasurement, height_px, "px", "rows"),
      STARWAIST_FIELD(FrameMeasurement, position_steps, "steps", "focuser position"),
      STARWAIST_FIELD(FrameMeasurement, temperature_c, "c", "tube or air temperature"),
      STARWAIST_FIELD(FrameMeasurement, filter, "", "filter name"),
      STARWAIST_FIELD(FrameMeasurement, exposure_s, "s", "exposure"),
      STARWAIST_FIELD(FrameMeasurement, time_utc, "", "start of the exposure"),
      STARWAIST_FIELD(FrameMeasurement, background_adu, "adu", "sky level"),
      STARWAIST_FIELD(FrameMeasurement, noise_adu, "adu", "standard deviation of the sky"),
      STARWAIST_FIELD(FrameMeasurement, star_count, "", "stars that the sizes rest on"),
      STARWAIST_FIELD(FrameMeasurement, saturated_count, "", "saturated stars"),
      STARWAIST_FIELD(FrameMeasurement, defect_count, "",
                      "hot pixels, cosmic-ray hits and trails left out"),
      STARWAIST_FIELD(FrameMeasurement, hfr_px, "px", "half-flux radius of the frame"),
      STARWAIST_FIELD(FrameMeasurement, hfr_sigma_px, "px", "its standard error"),
      STARWAIST_FIELD(FrameMeasurement, hfr_shared_sigma_px, "px",
                      "part of it that all stars share"),
      STARWAIST_FIELD(FrameMeasurement, fwhm_px, "px", "full width at half maximum"),
      STARWAIST_FIELD(FrameMeasurement, fwhm_sigma_px, "px", "its standard error"),
      STARWAIST_FIELD(FrameMeasurement, mean_radius_px, "px", "flux-weighted mean radius"),
      STARWAIST_FIELD(FrameMeasurement, eccentricity, "", "median eccentricity"),
      STARWAIST_FIELD(FrameMeasurement, elongation_angle_deg, "deg",
                      "common direction of the elongation"),
      STARWAIST_FIELD(FrameMeasurement, elongation_coherence, "",
                      "0 directions random, 1 all the same"),
      STARWAIST_FIELD(FrameMeasurement, ring_radius_px, "px",
                      "outer radius of rings too wide to be measured as stars"),
      STARWAIST_FIELD(FrameMeasurement, stars, "", "the stars, with --stars"),
      STARWAIST_FIELD(FrameMeasurement, defects, "", "places of the defects, with --stars"),
      STARWAIST_FIELD(FrameMeasurement, remarks, "", "remarks in words"),
      STARWAIST_FIELD(FrameMeasurement, keywords, "", "header keyword of each fact"));
};
static_assert(describes_every_field<FrameMeasurement>());

// The sky between the stars, in kSkyColumns by kSkyRows equal cells of the frame, row by row.
struct SkyCells {
  std::vector<double> level_adu;  // mean of the pixels clipped about their median
  std::vector<double> noise_adu;  // standard deviation of the pixels, what clipping takes put back
};
inline constexpr int kSkyColumns = 6;
inline constexpr int kSkyRows = 4;

// Absent where a cell has too few pixels with a value. Some thousand pixels of each cell show it.
std::optional<SkyCells> sky_cells(const Frame& frame);

// A pixel that is brighter than all around it.
struct SharpPixel {
  int x_px = 0;
  int y_px = 0;
  float excess_adu = 0;  // over the median of those around it
  float noise_adu = 0;
};

// The pixels that stand out of those three to four pixels off (of a mosaic, of those of their own
// site) by four times the noise, and what they spill over. By row, then along it.
std::vector<SharpPixel> sharp_pixels(const Frame& frame, int threads = 1);

// The pixels that are as bright, and as sharp, in four fifths of the frames: hot and warm pixels,
// and stars that neither move nor change their size. Of the frames' lists of sharp pixels, all of
// one size. Empty for fewer than kFewestForFixed frames.
DefectMap fixed_pixels(std::span<const std::vector<SharpPixel>* const> frames, int width_px,
                       int height_px);
inline constexpr std::size_t kFewestForFixed = 4;

// The frame with the map's pixels filled in from the nearest others (of a mosaic, those of their
// own site), and its places under Frame::left_out. A frame of another size is returned as it is,
// and so is one that was filled in before.
Frame without_defects(Frame frame, const DefectMap& defects);

// What a frame says of itself (sky, growth profile, sizes over the field), without its pixels.
class FrameModel;

// All that is known of one frame of a run once its pixels are closed.
struct MeasuredFrame {
  std::string path;   // names it; frames of two folders may share a file name
  HeaderFacts facts;  // the header's, with what a manifest says in their place
  FrameMeasurement measurement;
  std::optional<SkyCells> sky;    // where it was asked for
  std::optional<double> halo_px;  // MeasureOptions::halo_px that it was measured with
  std::shared_ptr<const FrameModel>
      model;  // for measure_known_stars; none of a frame without stars
};

// Frames that are looked at together, wherever they are kept: those of a run, or any of them, in
// any order. The frames must outlive it.
class FrameGroup {
 public:
  FrameGroup() = default;
  FrameGroup(const std::vector<FrameMeasurement>& frames);
  FrameGroup(const std::vector<MeasuredFrame>& frames);
  void add(const FrameMeasurement& frame) { frames_.push_back(&frame); }

  [[nodiscard]] std::size_t size() const { return frames_.size(); }
  [[nodiscard]] bool empty() const { return frames_.empty(); }
  const FrameMeasurement& operator[](std::size_t i) const { return *frames_[i]; }

 private:
  std::vector<const FrameMeasurement*> frames_;
};

// Whether what was found in a frame are stars: three or more are by themselves; one or two where
// most of them stand at about the same places in another frame of the group (cosmic rays, meteors
// and aircraft do not). False where nothing was found.
bool shows_stars(const FrameMeasurement& frame, const FrameGroup& frames);

// One frame's size from the stars that the frames of a run share.
struct MatchedSize {
  std::optional<double> size_px;   // absent: the frame has no usable star
  std::optional<double> sigma_px;  // standard error from the stars; what is common to them all
                                   // (seeing) is not in it
  int stars = 0;                   // that the size rests on
  bool matched = false;  // false: the frame's own summary, its stars could not be distinguished
};

// A whole star by itself: not clipped, blended, cut off by the edge, nor wider than stars are.
inline bool is_whole(const Star& star) {
  return !star.saturated && !star.blended && !star.at_edge && !star.extended;
}

// True where a star's size counts: a whole star by itself, of at least snr 8, with size and sigma.
bool has_dependable_size(const Star& star, SizeMeasure size = SizeMeasure::hfr);

// Linear map of a frame's places onto those of another: X = ax + bx x + cx y, Y likewise.
struct PlaceMap {
  double ax = 0;
  double bx = 1;
  double cx = 0;
  double ay = 0;
  double by = 0;
  double cy = 1;

  [[nodiscard]] StarPlace operator()(StarPlace p) const {
    return {ax + bx * p.x_px + cx * p.y_px, ay + by * p.x_px + cy * p.y_px};
  }
  // The place that the map takes to p. Precondition: the map is no projection.
  [[nodiscard]] StarPlace inverse(StarPlace p) const {
    const double determinant = bx * cy - cx * by;
    const double dx = p.x_px - ax;
    const double dy = p.y_px - ay;
    return {(cy * dx - cx * dy) / determinant, (bx * dy - by * dx) / determinant};
  }
};

// How the frames of a run lie over the one with the most usable stars. Made once by align_frames,
// it serves all that compare stars of different frames; frames and their stars must stay as they
// were.
struct Alignment {
  std::size_t reference = 0;  // of the frames
  // By frame: its places onto those of the reference; absent where it cannot be laid over it.
  std::vector<std::optional<PlaceMap>> maps;
  // By frame and star: which star of the reference it is; absent where it is none of them.
  std::vector<std::vector<std::optional<std::size_t>>> pairs;
};

// Frames are laid over the reference by the shift on which most pairs of bright stars agree (also
// turned by 180 degrees, as after a meridian flip), refined by a linear map; stars are paired by
// place. `size`: the stars that have a dependable one count for the choice of the reference.
Alignment align_frames(const FrameGroup& frames, SizeMeasure size = SizeMeasure::hfr);

// The sizes of a run's frames from the same stars in all of them. Which stars are found changes
// with focus; a frame's own mean over its own stars therefore wanders, most with a tilted or curved
// field.
//
// Each star has its own constant factor, each frame its own size: ln h_ij = a_i + s_j, fitted
// robustly with weights from each size's sigma. Stars that most frames see are used, and the
// factors' weighted mean is zero, so that sizes are those of the typical star.
// Result: one entry a frame, in order.
std::vector<MatchedSize> match_sizes(const FrameGroup& frames, const Alignment& alignment,
                                     SizeMeasure size = SizeMeasure::hfr);

// Standard error of a run's best focus (steps) from which stars were matched: over a tilted or
// curved field each has its focus elsewhere, so that a few of them stand for it only so well, and
// no frame more helps. `by_focus_per_step`: by frame, how ln size changes as best focus moves (the
// curve's slope over its size, with the sign turned). The spread of the stars' own best focus
// beyond their errors, by moments, times what is left of it in the mean by the weights of
// match_sizes. Absent where fewer than three stars show theirs.
std::optional<double> focus_error_of_stars(const FrameGroup& frames, const Alignment& alignment,
                                           SizeMeasure size,
                                           std::span<const double> by_focus_per_step);

// One star through a run: its index in frames[i].stars, absent where frame i does not have it.
using StarTrack = std::vector<std::optional<std::size_t>>;

// Which star of each frame is the same: one track for each star of the reference (brightest first)
// that at least one other frame has.
std::vector<StarTrack> star_tracks(const FrameGroup& frames, const Alignment& alignment);

// The colour of a mosaic that `options` ask for (color_channel), its hot pixels repaired before:
// one that is filled in between becomes a cross that passes for a star. Frame::repaired lists them,
// and they are among the defects of the frame's measurement. Known defects are filled in first,
// also in a frame without a mosaic, which is otherwise returned as it is.
Frame one_colour(Frame frame, const MeasureOptions& options = {});

// Measures one frame by itself: one_colour of it. A frame of which many pixels were repaired
// and that has few stars is a dark: it has no star, and a remark. `model` gets what
// measure_known_stars needs; it is left alone where the frame has no star. Errors: no_data where no
// pixel has a value or all have the same.
Result<FrameMeasurement> measure_frame(const Frame& frame, const MeasureOptions& options = {},
                                       std::shared_ptr<const FrameModel>* model = nullptr);

// For each frame of a run the places, in its own pixels, of stars that it should show and in which
// nothing was found: clean stars of the reference. Faint stars vanish where they are large; to
// leave them out there and count them elsewhere would bend the curve.
std::vector<std::vector<StarPlace>> missing_stars(const FrameGroup& frames,
                                                  const Alignment& alignment);

// Measures stars at known places and adds them to the frame's, marked `followed`; its summary
// stays. `frame` and `model` are measure_frame's of the same pixels.
void measure_known_stars(const Frame& pixels, const FrameModel& model,
                         std::span<const StarPlace> places, const MeasureOptions& options,
                         FrameMeasurement& frame);

}  // namespace starwaist
