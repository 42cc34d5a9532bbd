#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage saturation_page() {
  return {
      "saturation",
      "the stars are clipped",
      "The brightest pixels reached the sensor's limit. A clipped star has lost the top of its "
      "profile and looks too large, most in focus where its peak is highest.",
      "The bottom of the curve is lifted and flat, or frames in focus have no usable star left.",
      "Bad seeing also lifts the bottom but leaves the peaks whole.",
      "Expose shorter or lower the gain, or choose fainter stars.",
      "common practice, no source"};
}

std::optional<Candidate> look_for_saturation(const RunView& run) {
  if (!run.has_frames()) return std::nullopt;
  double worst = 0;
  std::size_t all_clipped = 0;
  std::vector<double> shares;
  std::optional<double> exposure;
  double most = 0;
  for (std::size_t i = 0; i < run.count(); ++i) {
    const FrameMeasurement& frame = run.record().frames[i].measurement;
    if (frame.exposure_s) exposure = frame.exposure_s;
    const double found = std::max(run.facts(i).stars.value_or(0), frame.saturated_count);
    if (found < 1) continue;
    const double share = frame.saturated_count / found;
    shares.push_back(share);
    worst = std::max(worst, share);
    most = std::max<double>(most, frame.saturated_count);
    all_clipped += frame.saturated_count > 0 && !frame.hfr_px ? 1 : 0;
  }
  if (shares.empty() || worst == 0) return std::nullopt;
  Candidate c;
  c.log_odds = std::min(25 * (worst - 0.15), 4.0);
  if (all_clipped > 0) c.log_odds = 4;
  if (c.log_odds < -6) return std::nullopt;
  c.share = worst;
  c.effect = worst > 0.8 || all_clipped > 0 ? Effect::doubtful : Effect::harmless;
  c.summary = "In the sharpest frames " + percent(worst) + " of the stars are clipped (" +
              format_short(most) + " at the most); they were left out of the sizes.";
  c.evidence = {{"stars clipped in the worst frame", 100 * worst, "%"},
                {"clipped stars in it", most, ""},
                {"frames with clipped stars alone", static_cast<double>(all_clipped), ""}};
  c.remedy = {codes::expose_less, "Expose a quarter as long or lower the gain."};
  if (exposure && *exposure > 0) {
    c.remedy = {codes::expose_less, "Expose a quarter as long (" + format_short(0.25 * *exposure) +
                                        " s) or lower the gain."};
    c.settings = {{"exposure_s", 0.25 * *exposure}};
  }
  c.covers = {"few_stars"};
  return c;
}

}  // namespace

Cause cause_saturation() { return {saturation_page(), look_for_saturation}; }

}  // namespace starwaist::diagnosis
