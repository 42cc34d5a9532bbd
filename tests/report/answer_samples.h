// Hand-made answers of the commands beside fit and measure. Every text that the reports can add is
// in one of a pair: the first answer is full, the second has as little as there can be.
#pragma once

#include <string>

#include "report/samples.h"
#include "starwaist/backlash.h"
#include "starwaist/codes.h"
#include "starwaist/drift.h"
#include "starwaist/live.h"
#include "starwaist/plan.h"
#include "starwaist/session.h"

namespace starwaist::samples {

inline RunAnswer diagnosis() {
  RunAnswer made = fit();
  Finding sky;
  sky.cause = "background_change";
  sky.confidence = 0.98;
  sky.share = 0.25;
  sky.summary = "The sky brightened by 40 %.";
  sky.evidence = {{"sky of the first frame", 812, "ADU"}, {"frames", 9, ""}};
  sky.remedy = {"switch_off_light", "Find the lamp."};
  Finding slack;
  slack.cause = "slack";
  slack.confidence = 0.7;
  slack.share = 0.5;
  slack.summary = "The first moves may not have moved the focus.";
  slack.evidence = {{"dead travel", 41.5, "steps"}};
  slack.remedy = {"take_up_slack", "Take the slack up."};
  slack.settings = {{"takeup_steps", 90}, {"step_steps", 37.5}};
  slack.decisive = true;
  made.findings = {slack, sky};
  return made;
}

// A suspicion that lowered the verdict: its words are among the reasons.
inline RunAnswer suspected_diagnosis() {
  RunAnswer made = diagnosis();
  made.findings.resize(1);
  made.fit.reasons = {{made.findings.front().cause, made.findings.front().summary}};
  return made;
}

// No best focus, by a cause that is sure.
inline RunAnswer failed_run() {
  RunAnswer made = fit();
  Finding outside;
  outside.cause = "one_sided";
  outside.confidence = 0.99;
  outside.share = 1;
  outside.summary = "Best focus lies above the sampled range.";
  outside.evidence = {{"points on one side", 9, ""}};
  outside.remedy = {codes::repeat_sweep, "Repeat the sweep from 5000 to 5400 steps."};
  outside.settings = {{"start_position_steps", 5000}};
  outside.decisive = true;
  made.findings = {outside};
  made.fit.best_focus_steps.reset();
  made.fit.best_focus_sigma_steps.reset();
  made.fit.interval_95_steps = {};
  made.fit.verdict = Verdict::unusable;
  made.fit.reasons = {{codes::minimum_not_bounded, "no minimum is in the sampled range"}};
  return made;
}

inline RunAnswer healthy_diagnosis() {
  RunAnswer made = fit();
  made.fit.verdict = Verdict::trusted;
  made.fit.reasons.clear();
  made.skipped.clear();
  return made;
}

inline DriftFit drift() {
  DriftFit fit;
  DriftResult& r = fit.result;
  r.runs = 31;
  r.used = 26;
  r.slope_steps_per_c = -11.82;
  r.slope_sigma = 0.41;
  r.slope_interval_95 = {-12.64, -11.0};
  r.reference_temperature_c = 6.0;
  r.position_at_reference_steps = 5040.25;
  r.lag_minutes = 22;
  r.lag_interval_95_minutes = {12, 35};
  r.altitude_steps_per_deg = 0.125;
  r.altitude_sigma = 0.03125;
  r.reference_altitude_deg = 55;
  r.residual_rms_steps = 3.9;
  r.run_scatter_steps = 2.5;
  r.filters = {{"L", 17, 0, std::nullopt, {}}, {"Ha", 9, 31.25, 2.25, {26.75, 35.75}}};
  r.refocus_every_c = 0.9;
  r.night_rate_c_per_hour = 1.2;
  r.refocus_every_minutes = 45;
  r.next_in_zone_probability = 0.93;
  r.rejected = {{2, {codes::run_off_line, "12.0 steps above what the other runs say"}},
                {30, {"no_sigma", "the run has no sigma"}}};
  for (int row = 7; row < 10; ++row)
    r.rejected.push_back({row, {codes::run_without_temperature, "no temperature"}});
  r.predictions = {{2, "Ha", 5118.5, {5110.5, 5126.5}, {}, 0.75},
                   {-5, "U", std::nullopt, {}, {}, {}}};
  r.verdict = Verdict::doubtful;
  r.reasons = {{"temperature_went_with_time",
                "temperature and time went together, so that the slope may be a drift with time"}};
  r.notes = {{"some_times_unknown", "2 runs carry no time"}};
  return fit;
}

inline DriftFit no_drift() {
  DriftFit fit;
  fit.result.runs = 1;
  fit.result.predictions = {{2, std::nullopt, std::nullopt, {}, {}, {}}};
  fit.result.reasons = {{"few_runs_for_slope", "one run gives no slope"}};
  return fit;
}

inline MeasuredFrame light_frame(int number, const std::string& filter, double size_px) {
  MeasuredFrame measured;
  FrameMeasurement& frame = measured.measurement;
  frame.file = "light_0" + std::to_string(number) + ".fits";
  frame.width_px = 1500;
  frame.height_px = 1000;
  frame.position_steps = 5000;
  frame.temperature_c = 8.5 - 0.5 * number;
  frame.filter = filter;
  frame.exposure_s = 120;
  frame.time_utc = "2027-02-03T20:1" + std::to_string(number) + ":00";
  frame.background_adu = 800;
  frame.noise_adu = 12.5;
  frame.star_count = 40;
  frame.hfr_px = size_px;
  frame.eccentricity = 0.25;
  return measured;
}

inline SessionAnswer night() {
  SessionAnswer answer;
  answer.frames = {light_frame(1, "L", 2.0), light_frame(2, "L", 2.5), light_frame(3, "Ha", 2.25)};
  answer.frames[2].measurement.filter.reset();
  answer.frames[2].measurement.temperature_c.reset();
  NightFrameAnswer good;
  good.loss_percent = 0;
  good.light_percent = 100;
  NightFrameAnswer lost = good;
  lost.loss_percent = 25;
  lost.focus_loss_percent = 22.5;
  lost.worth_percent = 64;
  lost.cause = "thermal_drift";
  answer.judgement.frames = {good, lost, NightFrameAnswer{}};
  NightResult& r = answer.judgement.result;
  r.filters = {{"L", 2, 2.0, 2.25}, {std::nullopt, 1, std::nullopt, std::nullopt}};
  r.exposure_s = 7200;
  r.exposure_lost_s = 1500;
  r.focus_lost_s = 900;
  r.seeing_scatter_percent = 4.5;
  r.refocuses = 1;
  NightPeriod period;
  period.from_utc = "2027-02-03T20:12:00";
  period.to_utc = "2027-02-03T20:14:00";
  period.from_file = "light_02.fits";
  period.to_file = "light_02.fits";
  period.frames = 1;
  period.cause = "thermal_drift";
  period.also_possible = {"focus_drift"};
  period.focus_lost = true;
  period.loss_percent = 25;
  period.exposure_lost_s = 43;
  period.summary = "From 20:12 to 20:14 UTC stars were 25 % too large, as the tube cooled.";
  r.periods = {period};
  r.refocus_rule.every_c = 0.75;
  r.refocus_rule.every_minutes = 40;
  r.refocus_rule.when_size_px = 2.125;
  r.refocus_rule.pays_after_minutes = 20;
  r.refocus_rule.refocus_minutes = 5;
  r.refocus_rule.basis = RefocusBasis::zone;
  r.refocus_rule.summary = "Refocus every 0.8 degrees or 40 minutes.";
  r.verdict = Verdict::doubtful;
  r.reasons = {{"few_frames_with_size", "only 3 frames"}};
  r.notes = {{"filter_unknown", "1 frame has no filter"}};
  answer.skipped = {{"focus_run_1.fits", {codes::frame_of_focus_run, "part of a focus run"}}};
  return answer;
}

inline SessionAnswer quiet_night() {
  SessionAnswer answer;
  answer.frames = {light_frame(1, "L", 2.0)};
  answer.frames[0].measurement.exposure_s.reset();
  answer.judgement.frames = {NightFrameAnswer{}};
  answer.judgement.result.filters = {{std::nullopt, 1, 2.0, 2.0}};
  answer.judgement.result.refocus_rule.summary = "No rule: focus hardly moved.";
  answer.judgement.result.verdict = Verdict::trusted;
  return answer;
}

inline FocusPlan plan() {
  FocusPlan made;
  made.step_steps = 60;
  made.points = 9;
  made.half_range_steps = 240;
  made.frames_per_point = 2;
  made.exposure_s = 3;
  made.expected_sigma_steps = 3.125;
  made.spoiled_share = 0.05;
  made.critical_focus_zone_um = 55;
  made.critical_focus_zone_steps = 27.5;
  made.um_per_step = 2;
  made.edge_size_ratio = 3;
  made.probability_in_zone = 0.995;
  made.minutes = 4.25;
  made.seeing_zone_tolerance = 0.05;
  made.seeing_zone_um = 120;
  made.seeing_zone_steps = 60;
  made.core_width_steps = 85;
  made.smallest_size_px = 2;
  made.slope_px_per_step = 0.0235;
  made.measuring_error = 0.01;
  made.seeing_scatter = 0.03;
  made.seeing_memory_s = 20;
  made.centre_steps = 5000;
  made.positions_steps = {4760, 4820, 4880, 4940, 5000, 5060, 5120, 5180, 5240};
  made.alternatives = {{9, 60, 2, 3, 3.125, 0.995, 4.25, 3, true},
                       {7, 80, 1, 3, 4.0, 0.9, 2.5, 3, true},
                       {5, 110, 1, 3, 5.5, 0.75, 1.75, 2.75, false}};
  made.notes = {{"seeing_assumed", "the seeing is taken as 3 arc seconds"}};
  return made;
}

inline FocusPlan bare_plan() {
  FocusPlan made;
  made.step_steps = 37.5;
  made.points = 7;
  made.half_range_steps = 112.5;
  made.exposure_s = 10;
  made.expected_sigma_steps = 2;
  made.edge_size_ratio = 2.5;
  made.minutes = 12;
  made.seeing_zone_tolerance = 0.05;
  made.seeing_zone_steps = 40;
  made.measuring_error = 0.01;
  made.seeing_scatter = 0.03;
  made.seeing_memory_s = 20;
  return made;
}

// Focus is lost; the focuser's limits are known, where it stands is not.
inline FocusPlan lost_plan() {
  FocusPlan made = bare_plan();
  CoarseSearch coarse;
  coarse.relative = true;
  coarse.positions_steps = {0, 1074, -1381, 2389};
  coarse.first_step_steps = 1074;
  coarse.growth = 2;
  coarse.takeup_steps = 127;
  coarse.exposure_s = 10;
  coarse.look_for = {"look_for_rings", "stars far from focus are rings"};
  coarse.widest_ring_px = 198;
  coarse.ring_steps_per_px = 5.75;
  coarse.enclosing_ratio = 1.25;
  coarse.frames_expected = 6;
  coarse.frames_at_most = 9;
  made.coarse = coarse;
  made.notes = {{"keep_to_limits", "leave out positions below 0"}};
  return made;
}

// The same between known limits.
inline FocusPlan lost_plan_between_limits() {
  FocusPlan made = lost_plan();
  made.coarse->relative = false;
  made.coarse->positions_steps = {6000, 7074, 4619};
  made.coarse->move = Move{5873, 6000};
  made.notes.clear();
  return made;
}

inline BacklashResult backlash() {
  BacklashResult r;
  r.backlash_steps = 47.25;
  r.sigma_steps = 3.0;
  r.interval_95_steps = {41, 53.5};
  r.takeup_steps = 75;
  r.final_direction = Direction::inward;
  r.verdict = Verdict::doubtful;
  r.reasons = {{"drift_not_separable",
                "two sweeps cannot tell slack from a drift of best focus between them"}};
  r.sweeps = {{Direction::outward, 9, 5057, 2, 45}, {Direction::inward, 9, {}, {}, {}}};
  r.slack_found = true;
  r.drift_steps = 4.5;
  r.drift_sigma_steps = 1.25;
  r.drift_identified = true;
  r.rejected_points = 1;
  r.remaining_steps = 2;
  r.remaining_interval_95_steps = Interval{-1, 5};
  r.notes = {{"some_points_off", "1 point does not fit the others"}};
  return r;
}

inline BacklashResult no_backlash() {
  BacklashResult r;
  r.backlash_steps = 0.5;
  r.sigma_steps = 1.0;
  r.interval_95_steps = {-1.5, 2.5};
  r.takeup_steps = 1;
  r.final_direction = Direction::outward;
  r.verdict = Verdict::trusted;
  return r;
}

inline RunAnswer field() {
  RunAnswer made = fit();
  FieldFocus focus;
  focus.tilt_x_steps = 14.25;
  focus.tilt_y_steps = -3;
  focus.curvature_steps = 22;
  focus.tilt_x_sigma_steps = 1.125;
  focus.tilt_y_sigma_steps = 1;
  focus.curvature_sigma_steps = 2;
  focus.centre_focus_steps = 5031;
  focus.compromise_focus_steps = 5040.25;
  focus.flat_steps = {5028.5, 5051};
  focus.edge_growth = 0.125;
  focus.stars = 140;
  focus.frames = 9;
  focus.zones = {{0, 0, 5021, 4, 14}, {1, 1, 5031.5, 1.5, 40}, {2, 2, 5049, 4, 12}};
  made.field_focus = focus;
  Collimation seen;
  seen.shadow_offset = 0.0625;
  seen.sigma = 0.0125;
  seen.angle_deg = 40;
  seen.stars = 31;
  seen.outer_radius_px = 12.5;
  seen.inner_over_outer = 0.375;
  seen.file = "far.fits";
  seen.position_steps = 5400;
  seen.both_sides = true;
  seen.coma_offset = 0.0375;
  seen.coma_sigma = 0.0075;
  seen.coma_angle_deg = 70;
  seen.displaced_offset = 0.03125;
  seen.displaced_sigma = 0.0095;
  seen.displaced_angle_deg = 5;
  made.collimation = seen;
  made.field_remarks = {{"few_stars_show_field", "only 19 stars show the field's shape"}};
  return made;
}

inline RunAnswer no_field() {
  RunAnswer made;
  made.fit.verdict = Verdict::unusable;
  made.fit.reasons = {{"minimum_not_bounded", "the sizes show no minimum"}};
  made.field_remarks = {{"field_not_known", "no star is in three frames"}};
  return made;
}

inline WatchAnswer watch() {
  WatchAnswer answer;
  answer.file = "frame_04.fits";
  answer.position_steps = 5000;
  answer.size_px = 2.125;
  answer.frames = 5;
  answer.best_focus_steps = 5003.25;
  answer.best_focus_sigma_steps = 6.5;
  answer.interval_95_steps = {4988.5, 5018};
  answer.verdict = Verdict::doubtful;
  answer.approach = Direction::outward;
  answer.move = Move{5040, 5080};
  answer.via_steps = 5040;
  answer.next_position_steps = 5080;
  answer.advice = {"enclose_best_focus",
                   "Best focus is enclosed; one frame farther out makes it sure."};
  return answer;
}

inline WatchAnswer first_watch() {
  WatchAnswer answer;
  answer.file = "frame_00.fits";
  answer.position_steps = 4840;
  answer.frames = 1;
  answer.advice = {"next_not_yet_known", "Take more frames."};
  return answer;
}

inline NightWatchAnswer night_watch() {
  NightWatchAnswer answer;
  answer.file = "light_02.fits";
  answer.frames = 2;
  answer.time_utc = "2027-02-03T20:12:00";
  answer.filter = "L";
  answer.temperature_c = 7.5;
  answer.size_px = 2.5;
  answer.best_size_px = 2;
  answer.loss_percent = 25;
  answer.focus_loss_percent = 22.5;
  answer.light_percent = 98;
  answer.cause = "thermal_drift";
  answer.refocus = true;
  answer.advice = {"refocus_now", "Refocus now: the tube cooled by 1 degree."};
  return answer;
}

inline NightWatchAnswer first_night_watch() {
  NightWatchAnswer answer;
  answer.file = "light_01.fits";
  answer.frames = 1;
  answer.advice = {"few_frames_yet", "Too few frames to judge by."};
  return answer;
}

}  // namespace starwaist::samples
