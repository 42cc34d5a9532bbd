#include "stars/run_camera.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>
#include <optional>
#include <string>
#include <vector>

#include "starwaist/codes.h"

namespace starwaist::stars {
namespace {

std::optional<GainEstimate> gain_of_run(std::span<const MeasuredFrame> frames) {
  std::vector<SkySample> sky;
  for (const MeasuredFrame& frame : frames) {
    if (!frame.model) continue;
    const std::vector<SkySample>& own = frame.model->camera().sky;
    sky.insert(sky.end(), own.begin(), own.end());
  }
  return gain_from_sky(std::move(sky));
}

// Infinite where nothing is clipped. Only the run's highest pixel can be the camera's ceiling.
double ceiling_of_run(std::span<const MeasuredFrame> frames) {
  constexpr int kFrames = 2;
  double top = 0;
  for (const MeasuredFrame& frame : frames) {
    if (frame.model) top = std::max(top, frame.model->camera().ceiling.adu);
  }
  int reaching = 0;
  int pixels = 0;
  bool clipped = false;
  for (const MeasuredFrame& frame : frames) {
    if (!frame.model) continue;
    const CameraEvidence& camera = frame.model->camera();
    if (camera.ceiling.pixels == 0 || camera.ceiling.adu < top * (1 - kAlikeAtTop)) continue;
    clipped = clipped || camera.plateau || camera.full_range;
    if (camera.ceiling.adu < top) continue;
    ++reaching;
    pixels += camera.ceiling.pixels;
  }
  clipped = clipped || (reaching >= kFrames && pixels >= kPlateau);
  return clipped && top > 0 ? kNearlyFull * top : std::numeric_limits<double>::infinity();
}

void retell_remark(const std::optional<Statement>& remark, FrameMeasurement& frame) {
  auto& remarks = frame.remarks;
  remarks.erase(std::remove_if(remarks.begin(), remarks.end(),
                               [](const Statement& r) { return r.code == codes::gain_disagrees; }),
                remarks.end());
  if (remark) remarks.push_back(*remark);
}

}  // namespace

void share_camera(std::span<MeasuredFrame> frames) {
  const auto estimate = gain_of_run(frames);
  const double ceiling_adu = ceiling_of_run(frames);
  for (MeasuredFrame& measured : frames) {
    if (!measured.model) continue;
    const FrameModel& model = *measured.model;
    FrameMeasurement& frame = measured.measurement;
    std::optional<Statement> remark;
    const auto gain = settled_gain(model.camera(), estimate, remark);
    retell_remark(remark, frame);
    const auto before = model.gain_e_per_adu();
    // A frame whose own pixels or header say where it clips keeps that.
    const bool told = std::isfinite(model.saturation_adu());
    const double saturation_adu = told ? model.saturation_adu() : ceiling_adu;
    for (Star& star : frame.stars) {
      if (gain != before) change_gain(model.profile(), before, gain, star);
      if (told || star.saturated) continue;
      star.saturated = star.peak_adu + model.sky_level_adu(star.x_px, star.y_px) >= saturation_adu;
      frame.saturated_count += star.saturated ? 1 : 0;
    }
    measured.model = std::make_shared<const FrameModel>(model.with_camera(gain, saturation_adu));
  }
}

}  // namespace starwaist::stars
