// What the pixels say of the camera: where they clip, and electrons per ADU.
#pragma once

#include <limits>
#include <optional>
#include <string>
#include <vector>

#include "stars/background.h"
#include "stars/detect.h"
#include "starwaist/frame.h"
#include "starwaist/stars.h"
#include "starwaist/statement.h"

namespace starwaist::stars {

// Level of the sky and variance of one of its pixels in a cell of the mesh.
struct SkySample {
  double level_adu = 0;
  double variance_adu2 = 0;
};

struct GainEstimate {
  double e_per_adu = 0;
  double relative_sigma = 0;
};

// Electrons per ADU from the photon noise: the variance of sky pixels grows by 1 / gain with their
// level, whatever the offset and the read noise (Janesick 2001, Scientific Charge-Coupled Devices,
// from memory). A slope over the cells, of one frame or of several. Absent where the levels are too
// alike to determine the slope to a fifth, and where the variance follows something else than the
// level (faint stars, a flat field divided out). The order of the samples does not matter.
std::optional<GainEstimate> gain_from_sky(std::vector<SkySample> samples);

// Brightest value near the brightest candidates, and how many pixels there have exactly it.
struct Ceiling {
  double adu = 0;
  int pixels = 0;
};

// What one frame and those who speak for it say of the camera.
struct CameraEvidence {
  std::optional<double> option_gain;   // e per ADU
  std::optional<double> header_gain;   // EGAIN, which means e per ADU
  std::optional<double> gain_setting;  // GAIN, which often does not
  double level_adu = 0;                // of the sky, offset included
  double variance_adu2 = 0;
  std::vector<SkySample> sky;
  std::optional<double> option_saturation_adu;
  std::optional<double> header_saturation_adu;
  Ceiling ceiling;
  bool full_range = false;  // the ceiling is the end of the 16-bit range
  bool plateau = false;     // several pixels agree with the ceiling to a thousandth
};

CameraEvidence camera_evidence(const Frame& frame, const MeasureOptions& options, const SkyMap& sky,
                               const std::vector<Candidate>& bright);

// Electrons per ADU: the option; the header's where the pixels agree; else what they show
// (`estimate`, of this frame or of its run). `remark` is set where the header's EGAIN is left aside
// for that.
std::optional<double> settled_gain(const CameraEvidence& evidence,
                                   const std::optional<GainEstimate>& estimate,
                                   std::optional<Statement>& remark);

// Raw pixel above which a star counts as clipped: the option; the header's, unless pixels pile up
// at one value below it; else the ceiling, where several pixels share it or it is the end of the
// 16-bit range; infinite where nothing is clipped.
double saturation_level(const CameraEvidence& evidence);

// Pixels that agree with the highest to so little, and are so many, are a ceiling and no peak.
inline constexpr double kAlikeAtTop = 1e-3;
inline constexpr int kPlateau = 4;
inline constexpr double kNearlyFull = 0.98;  // response bends before the converter's end

}  // namespace starwaist::stars
