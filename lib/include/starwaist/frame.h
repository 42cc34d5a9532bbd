// One frame: the pixels as the file stores them and the facts its header gives.
//
// Module: frame.
//
// Pixel coordinates everywhere: the centre of the first pixel stored is (0, 0), x along FITS axis
// 1, y along FITS axis 2; in TIFF and PNG files x along a row and y from the first row stored on,
// whatever an orientation tag says.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "starwaist/error.h"

namespace starwaist {

// Pixels in the narrowest form that holds the file's values exactly: 8- and 16-bit files take two
// bytes a pixel, 32-bit floats four, 32-bit integers and 64-bit floats up to eight. value = zero +
// scale
// * stored. A pixel without a value (BLANK, NaN, infinity) reads as NaN.
class PixelBuffer {
 public:
  using Storage = std::variant<std::vector<std::uint16_t>, std::vector<float>, std::vector<double>>;

  PixelBuffer() = default;
  // Precondition: the storage holds width_px * height_px values, row by row.
  PixelBuffer(int width_px, int height_px, Storage stored, double scale = 1.0, double zero = 0.0);

  [[nodiscard]] int width_px() const { return width_px_; }
  [[nodiscard]] int height_px() const { return height_px_; }
  // Physical value; NaN where the pixel has none. Precondition: inside the frame.
  [[nodiscard]] double at(int x_px, int y_px) const;
  // Physical values of pixels x_begin_px .. x_begin_px + out.size() - 1 of row y_px, as float.
  // Precondition: inside the frame.
  void read_row(int y_px, int x_begin_px, std::span<float> out) const;

  [[nodiscard]] const Storage& storage() const { return stored_; }
  [[nodiscard]] double scale() const { return scale_; }
  [[nodiscard]] double zero() const { return zero_; }

 private:
  int width_px_ = 0;
  int height_px_ = 0;
  Storage stored_;
  double scale_ = 1.0;
  double zero_ = 0.0;
};

// Colour of a pixel behind a Bayer mosaic.
enum class ColorChannel { red, green, blue };

// The 2 x 2 colour tile at pixel (0, 0) as stored: tile[2 * (y % 2) + (x % 2)]. XBAYROFF and
// YBAYROFF are applied; where ROWORDER is BOTTOM-UP, the letters count from the last row stored.
struct BayerTile {
  ColorChannel tile[4] = {ColorChannel::red, ColorChannel::green, ColorChannel::green,
                          ColorChannel::blue};
};

// What the header says, each fact absent where it does not. Units are converted where the keyword
// fixes them; `keywords` names the keyword that each fact was taken from, in the order read. The
// image's own header comes before the primary one; of several keywords the first with a usable
// value counts:
//   position_steps   FOCUSPOS FOCPOS FOCUS FOCPOSN CAMFOCUS TELFOCUS
//   temperature_c    FOCTEMP FOCUSTEM AMBTEMP AIRTEMP OUTTEMP (kelvin and Fahrenheit by the
//                    comment; -90 to 65 C believed)
//   filter           FILTER FILTER1
//   exposure_s       EXPTIME EXPOSURE XPOSURE
//   time_utc         DATE-OBS (with TIME-OBS UT-OBS UTSTART UT UTC where it has no time of day)
//                    DATE-BEG MJD-OBS MJD-BEG
//   gain_e_per_adu   EGAIN; gain_setting GAIN; read_noise_e RDNOISE READNOIS RON
//   saturation_adu   SATURATE, DATAMAX where it is a converter's full scale
//   pixel_um         XPIXSZ, PIXSIZE1 times XBINNING
//   focal_length_mm  FOCALLEN; aperture_mm APTDIA
//   altitude_deg     OBJCTALT CENTALT ALTITUDE (-10 to 90)
//   bayer            BAYERPAT with XBAYROFF YBAYROFF ROWORDER
// lib/src/frame/keywords.cpp has the source of each keyword.
struct HeaderFacts {
  std::optional<double> position_steps;
  std::optional<double> temperature_c;  // of the tube or the air, never the sensor's
  std::optional<std::string> filter;
  std::optional<double> exposure_s;
  std::optional<std::string> time_utc;   // start of the exposure, ISO 8601 without zone
  std::optional<double> gain_e_per_adu;  // EGAIN; a bare GAIN is kept in gain_setting
  std::optional<double> gain_setting;    // GAIN: often a camera setting, not electrons per ADU
  std::optional<double> read_noise_e;
  std::optional<double> saturation_adu;
  std::optional<double> pixel_um;  // of the frame as stored, binning applied
  std::optional<double> focal_length_mm;
  std::optional<double> aperture_mm;
  std::optional<double> altitude_deg;
  std::optional<BayerTile> bayer;
  std::vector<std::pair<std::string, std::string>> keywords;  // fact name -> keyword used
};

struct PixelPlace {
  int x_px = 0;
  int y_px = 0;
};

struct Frame {
  std::string file;  // the file's name without its folder
  PixelBuffer pixels;
  HeaderFacts facts;
  // Fraction of the pixels that are independent samples: 1 for a whole frame, 1/2 and 1/4 for a
  // frame filled in from the green or the red and blue sites of a mosaic (see color_channel).
  double sample_fraction = 1.0;
  // Which sites of a 2 x 2 tile hold samples of their own, numbered as in BayerTile; the others are
  // filled in.
  std::array<bool, 4> own_sites = {true, true, true, true};
  // Hot pixels that were replaced before a colour was made of a mosaic (see one_colour).
  std::vector<PixelPlace> repaired = {};
  // Known defects of the sensor whose pixels were filled in (see without_defects).
  std::vector<PixelPlace> left_out = {};
};

// A header keyword that is believed for a fact instead of the usual ones.
struct KeywordName {
  std::string fact;     // one of keyword_facts(): "position", "altitude", ...
  std::string keyword;  // compared without case
};

// The facts whose keyword can be named: position, temperature, filter, exposure, time, gain
// (electrons per ADU), gain-setting, read-noise, saturation, pixel, focal-length, aperture,
// altitude, bayer.
std::vector<std::string> keyword_facts();

// Where a header lacks the keyword that is named for a fact, the fact is absent, since another
// keyword's value would be of another thing (the position may still come from the name). Of two
// keywords named for one fact the later counts.
// TIFF and PNG files hold no fact (their dates are those of saving, in no known time zone): there
// only position_from_name counts, and what a manifest says (intake.h). Raw files give exposure_s,
// bayer, saturation_adu where it is known of the camera, and time_utc as the camera's clock has it:
// its zone is not given, differences between frames are right.
struct FrameReadOptions {
  std::vector<KeywordName> keywords;
  // Regular expression (RE2's syntax); its first group is the position where the header has none.
  std::optional<std::string> position_from_name;
  // Plane of a TIFF or PNG file in RGB; green unless given. A mosaic is read whole.
  std::optional<ColorChannel> channel;
};

// Errors: invalid_argument for what is no regular expression or has no group.
Result<void> check_name_pattern(const std::string& pattern);

// Reads a frame; the file's first bytes decide what it is, never its name. The path is opened as a
// plain disk file: brackets and colons in it are letters. The file is never written to.
// - FITS: the first image HDU that has two axes (a third axis of length 1 counts as two; a cube is
//   an error that says so). Plain, tile-compressed (.fz) and gzip-compressed (.gz) files;
//   8/16/32/64-bit integers and 32/64-bit floats; BZERO, BSCALE, BLANK and NaN honoured. Where a
//   tile-compressed image carries DATASUM it is held against the data first: damaged tiles can make
//   a decoder run wild.
// - TIFF: 8/16/32-bit integers and 32/64-bit floats, grey or RGB, strips or tiles; uncompressed,
//   LZW, deflate, packbits or zstd. Several pages of one size are an error that says so.
// - PNG: up to 16 bits, grey or RGB. A palette is an error that says so.
// - Raw files of ordinary cameras (DNG, CR2, CR3, NEF, ARW, RAF, ORF, RW2, PEF and what else LibRaw
//   knows): the raw counts of the visible pixels, not demosaiced, with `bayer`. The black level
//   stays in, save what single sites of the tile have above the lowest. A mosaic other than 2 x 2
//   of red, green and blue is an error that says so.
// Of RGB one plane is kept, unchanged by the others; alpha is left aside. Values are taken as
// stored and as proportional to light: a gamma curve, as in pictures made for the eye, makes stars
// look too large.
// Errors: not_found, unreadable, unsupported_format, no_data; the message starts with the file
// name.
Result<Frame> read_frame(const std::string& path, const FrameReadOptions& options = {});

// True when the name's ending is one that frames have: .fits .fit .fts .fz, also with .gz; .tif
// .tiff; .dng .cr2 .cr3 .crw .nef .nrw .arw .sr2 .raf .orf .rw2 .pef .srw .raw; any case. PNG is
// left out: most are figures.
bool is_frame_name(const std::string& path);

// True when the name ends in .png, in any case: a frame or a figure.
bool is_png_name(const std::string& path);

// The frame of one colour of a mosaic at full resolution. Sites of other colours are filled in by a
// kernel that keeps the second moment (green: 10/32 of the four nearest less 1/32 of the eight at
// distance sqrt 5; red and blue: -1 9 9 -1 over 16 along each axis), so that star sizes keep their
// value in full-resolution pixels. A frame without a mosaic is returned as it is.
Frame color_channel(Frame frame, ColorChannel channel);

}  // namespace starwaist
