// Checks the frames and hands them from stage to stage.
#include <algorithm>
#include <cmath>
#include <utility>

#include "night/findings.h"
#include "night/frame_losses.h"
#include "night/night_verdict.h"
#include "night/periods.h"
#include "night/refocus_rule.h"
#include "starwaist/night.h"

namespace starwaist {

double air_mass(double altitude_deg) {
  constexpr double kRadian = 0.017453292519943295;
  const double h = std::max(altitude_deg, 0.5);
  return 1 / std::sin((h + 244 / (165 + 47 * std::pow(h, 1.1))) * kRadian);
}

namespace night {
namespace {

bool finite(const std::optional<double>& value) { return !value || std::isfinite(*value); }

Result<void> check(std::span<const NightFrame> frames) {
  for (const NightFrame& f : frames) {
    for (const auto& value :
         {f.time_s, f.exposure_s, f.position_steps, f.temperature_c, f.altitude_deg, f.size_px,
          f.size_sigma_px, f.fwhm_px, f.eccentricity, f.elongation_angle_deg,
          f.elongation_coherence, f.dimming_mag, f.dimming_sigma_mag, f.sky_noise_adu}) {
      if (!finite(value)) {
        return fail(ErrorCode::invalid_argument, f.file + ": a value is not a finite number",
                    "Leave out what is not known");
      }
    }
  }
  return {};
}

Result<void> check_count(std::span<const NightFrame> frames) {
  const auto sized = std::count_if(frames.begin(), frames.end(), has_size);
  if (sized >= NightRules::kFewestFrames) return {};
  return fail(ErrorCode::no_data,
              std::to_string(sized) + " of " + std::to_string(frames.size()) +
                  " frames have stars that could be measured: a night needs three at least",
              "Name the light frames of one session");
}

NightJudgement judge(std::span<const NightFrame> frames, const NightOptions& options) {
  const Findings found = find_all(frames);
  FrameLosses losses = find_losses(found);
  Periods periods = find_periods(found);
  NightJudgement judgement;
  NightResult& result = judgement.result;
  result.filters = found.sizes.filters;
  result.exposure_s = losses.exposure_s;
  result.exposure_lost_s = losses.exposure_lost_s;
  result.focus_lost_s = losses.focus_lost_s;
  result.seeing_scatter_percent = 100 * std::expm1(found.sizes.scatter);
  result.refocuses = found.focus.stretches.refocuses;
  result.periods = std::move(periods.periods);
  const bool focus_lost = std::any_of(result.periods.begin(), result.periods.end(),
                                      [](const NightPeriod& p) { return p.focus_lost; });
  result.refocus_rule = refocus_rule(rule_input(found, focus_lost), options);
  result.reasons = reasons_against(found, result.periods);
  result.verdict = result.reasons.empty() ? Verdict::trusted : Verdict::doubtful;
  result.notes = make_notes(found);
  judgement.frames.resize(frames.size());
  for (std::size_t k = 0; k < frames.size(); ++k) {
    losses.answers[k].cause = periods.cause[k];
    judgement.frames[found.taken.given[k]] = std::move(losses.answers[k]);
  }
  return judgement;
}

}  // namespace
}  // namespace night

Result<NightJudgement> judge_night(std::span<const NightFrame> frames,
                                   const NightOptions& options) {
  if (auto sound = night::check(frames); !sound) return tl::unexpected<Error>(sound.error());
  if (auto enough = night::check_count(frames); !enough) {
    return tl::unexpected<Error>(enough.error());
  }
  return night::judge(frames, options);
}

}  // namespace starwaist
