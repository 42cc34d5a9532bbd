// A session's sub-exposures judged: where frames are worse than they could be, since when and why,
// what it cost, and when a refocus would have paid.
//
// Module: night.
//
// Model: ln size = level of the frame's group + air mass + seeing + focus.
// Air mass is a power law whose exponent is fitted, where altitudes are known or the light shows
// them.
// Seeing wanders and comes back (an Ornstein-Uhlenbeck process of minutes to hours, its strength
// and memory fitted), and a part of it is new in every frame.
// Focus grows as (1/2) ln(1 + x^2), x in proportion to the change of temperature or to the time
// since focus was met, as a rule at the last refocus: the variances of blur and seeing add.
// Focus also steps at single frames and stays so until the next refocus; where positions are not
// known, until any frame.
// A step or a drift is believed where it explains the sizes better than wandering seeing by stated
// odds, so that slow seeing is not taken for lost focus.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/statement.h"
#include "starwaist/terms.h"

namespace starwaist {

// What is known of one sub-exposure.
struct NightFrame {
  std::string file;
  std::optional<double> time_s;  // start of the exposure, seconds since 1970 UTC
  std::optional<double> exposure_s;
  std::optional<std::string> filter;
  // Frames of one group share filter and stars: their sizes and their light compare.
  int group = 0;
  std::optional<double> position_steps;
  std::optional<double> temperature_c;
  std::optional<double> altitude_deg;
  std::optional<double> size_px;  // half-flux radius of the same stars
  std::optional<double> size_sigma_px;
  std::optional<double> fwhm_px;
  std::optional<double> eccentricity;
  std::optional<double> elongation_angle_deg;
  std::optional<double> elongation_coherence;
  // Light of the same stars in the same exposure time, in magnitudes: larger is fainter. Its zero
  // is the group's own.
  std::optional<double> dimming_mag;
  std::optional<double> dimming_sigma_mag;
  std::optional<double> sky_noise_adu;  // standard deviation of the sky's pixels
};

struct NightOptions {
  // Time that a refocus costs: moving, the focus run, settling. A choice, no source.
  double refocus_minutes = 5;
  // Half the critical focus zone and the slope of the focus curve's arms; absent: rig not known.
  std::optional<double> half_zone_steps;
  std::optional<double> arm_slope_px_per_step;
};

// Every choice that is no physics. They were set on simulated nights and are judged by
// bench/night_bench on fresh ones.
struct NightRules {
  static constexpr int kFewestFrames = 3;    // with a size; fewer are refused
  static constexpr int kTrustedFrames = 10;  // fewer are doubtful
  static constexpr double kLost = 0.05;      // focus counts as lost from this growth of size on
  static constexpr double kDriftOdds = 7;    // ln likelihood a drift must gain on seeing alone
  static constexpr double kStepOdds = 7;     // the same for a step, ln of possible places added
  static constexpr double kTie = 3;          // accounts closer than this are both named
  static constexpr double kSureOdds = 4;     // above the odds needed: seeing is no rival any more
  static constexpr double kCloudMag = 0.15;  // light that a cloud takes at least
  static constexpr double kFogMag = 0.3;     // light that fog takes at least by the end
  static constexpr double kBadSeeing = 0.3;  // ln of size over the night's typical size
  static constexpr double kSkyFactor = 2;    // brighter sky (noise squared) that is reported
};

// What became of one frame.
struct NightFrameAnswer {
  std::optional<double> loss_percent;        // size over the best reachable one
  std::optional<double> focus_loss_percent;  // part of it that lost focus accounts for
  std::optional<double> light_percent;       // light of the stars against a clear sky
  // Share of the exposure that a frame of best size in a clear sky would have needed.
  std::optional<double> worth_percent;
  std::optional<std::string> cause;  // of the period that costs this frame most
};

template <>
struct Fields<NightFrameAnswer> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(NightFrameAnswer, loss_percent, "", "size above the best reachable one"),
      STARWAIST_FIELD(NightFrameAnswer, focus_loss_percent, "",
                      "part of it that lost focus accounts for"),
      STARWAIST_FIELD(NightFrameAnswer, light_percent, "",
                      "light of the stars against a clear sky"),
      STARWAIST_FIELD(NightFrameAnswer, worth_percent, "",
                      "share of the exposure that a frame of best size in a clear sky would "
                      "have needed for the same faint stars"),
      STARWAIST_FIELD(NightFrameAnswer, cause, "", "what costs it most"));
};
static_assert(describes_every_field<NightFrameAnswer>());

// A stretch of frames worse than they could be. Stretches of different causes may overlap.
//
// `cause` is a cause of `diagnose` where one fits: passing_cloud, fogging, image_motion,
//   bad_seeing, thermal_drift, focus_jump, background_change.
// Else it is focus_drift: focus wandered off with time and no temperature accounts for it.
// Or missed_focus: frames are larger from a refocus on, which did not reach focus.
struct NightPeriod {
  std::optional<std::string> from_utc;  // start of its first exposure
  std::optional<std::string> to_utc;    // end of its last one
  std::string from_file;
  std::string to_file;
  int frames = 0;  // that show it
  std::string cause;
  std::vector<std::string> also_possible;  // accounts that explain it nearly as well
  bool focus_lost = false;                 // a refocus would have helped
  double loss_percent = 0;                 // mean size above the best reachable one
  double exposure_lost_s = 0;              // what this cause took of the exposure time
  std::string summary;                     // in plain words
};

template <>
struct Fields<NightPeriod> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(NightPeriod, from_utc, "", "start of its first exposure"),
      STARWAIST_FIELD(NightPeriod, to_utc, "", "end of its last exposure"),
      STARWAIST_FIELD(NightPeriod, from_file, "", "first frame"),
      STARWAIST_FIELD(NightPeriod, to_file, "", "last frame"),
      STARWAIST_FIELD(NightPeriod, frames, "", "frames that show it"),
      STARWAIST_FIELD(NightPeriod, cause, "", "what happened"),
      STARWAIST_FIELD(NightPeriod, also_possible, "", "causes that explain it nearly as well"),
      STARWAIST_FIELD(NightPeriod, focus_lost, "", "whether a refocus would have helped"),
      STARWAIST_FIELD(NightPeriod, loss_percent, "", "mean size above the best reachable one"),
      STARWAIST_FIELD(NightPeriod, exposure_lost_s, "s", "what this took of the exposure time"),
      STARWAIST_FIELD(NightPeriod, summary, "", "in plain words"));
};
static_assert(describes_every_field<NightPeriod>());

// What limits the time between refocuses: half the critical focus zone, or the time lost.
enum class RefocusBasis { zone, time };
std::string enum_name(RefocusBasis basis);

// When to refocus, each part absent where the night does not show it.
struct RefocusRule {
  std::optional<double> every_c;  // change of temperature
  std::optional<double> every_minutes;
  std::optional<double> when_size_px;        // half-flux radius, in the filter with the most frames
  std::optional<double> pays_after_minutes;  // a refocus costs less than the drift from then on
  double refocus_minutes = 0;                // taken as the cost of a refocus
  std::optional<RefocusBasis> basis;         // absent without a rule
  std::string summary;                       // in plain words
};

template <>
struct Fields<RefocusRule> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(RefocusRule, every_c, "c", "change of temperature"),
      STARWAIST_FIELD(RefocusRule, every_minutes, "minutes", "time since the last refocus"),
      STARWAIST_FIELD(RefocusRule, when_size_px, "px",
                      "half-flux radius in the filter with the most frames"),
      STARWAIST_FIELD(RefocusRule, pays_after_minutes, "minutes",
                      "a refocus costs less than the drift from then on"),
      STARWAIST_FIELD(RefocusRule, refocus_minutes, "minutes", "taken as the cost of a refocus"),
      STARWAIST_FIELD(
          RefocusRule, basis, "",
          "zone: half the critical focus zone; time: where the time lost by drift and by "
          "refocusing is least"),
      STARWAIST_FIELD(RefocusRule, summary, "", "in plain words"));
};
static_assert(describes_every_field<RefocusRule>());

// One filter's sizes. The best reachable size is that in focus in this night's good seeing: the
// level of the filter in focus times the middle of the best quarter of the seeing of all frames.
struct NightFilter {
  std::optional<std::string> filter;
  int frames = 0;
  std::optional<double> best_size_px;
  std::optional<double> median_size_px;
};

template <>
struct Fields<NightFilter> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(NightFilter, filter, "", "name"),
                      STARWAIST_FIELD(NightFilter, frames, "", "frames with a size"),
                      STARWAIST_FIELD(NightFilter, best_size_px, "px",
                                      "half-flux radius in focus in the night's good seeing"),
                      STARWAIST_FIELD(NightFilter, median_size_px, "px", "typical one"));
};
static_assert(describes_every_field<NightFilter>());

struct NightResult {
  std::vector<NightFilter> filters;              // most frames first
  double exposure_s = 0;                         // of all frames whose exposure is known
  double exposure_lost_s = 0;                    // of it, against best size and a clear sky
  double focus_lost_s = 0;                       // part of it that lost focus accounts for
  std::optional<double> seeing_scatter_percent;  // of the sizes, once focus is taken out
  int refocuses = 0;                 // by the focuser's position, or by sizes that drop at once
  std::vector<NightPeriod> periods;  // by their beginning
  RefocusRule refocus_rule;
  Verdict verdict =
      Verdict::unusable;  // trusted or doubtful; where nothing can be said judge_night fails
  std::vector<Statement> reasons;
  std::vector<Statement> notes;
};

template <>
struct Fields<NightResult> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(NightResult, filters, "", "sizes by filter"),
      STARWAIST_FIELD(NightResult, exposure_s, "s", "exposure time of the night"),
      STARWAIST_FIELD(NightResult, exposure_lost_s, "s",
                      "of it, against best size and a clear sky"),
      STARWAIST_FIELD(NightResult, focus_lost_s, "s", "part that lost focus accounts for"),
      STARWAIST_FIELD(NightResult, seeing_scatter_percent, "",
                      "scatter of the sizes with focus taken out"),
      STARWAIST_FIELD(NightResult, refocuses, "",
                      "refocuses, by the position or by sizes that drop at once"),
      STARWAIST_FIELD(NightResult, periods, "", "stretches worse than they could be"),
      STARWAIST_FIELD(NightResult, refocus_rule, "", "when to refocus"),
      STARWAIST_FIELD(NightResult, verdict, "", "trusted or doubtful"),
      STARWAIST_FIELD(NightResult, reasons, "", "why it is not trusted"),
      STARWAIST_FIELD(NightResult, notes, "", "remarks"));
};
static_assert(describes_every_field<NightResult>());

struct NightJudgement {
  NightResult result;
  std::vector<NightFrameAnswer> frames;  // one for each given, in their order
};

// Judges the frames. Their order is that of the times where all have one, else as given.
//
// What a growth of size costs: the noise of a faint star is that of the sky under it. Its
// signal-to-noise goes as light / size for one exposure time, the time for the same signal-to-noise
// as (size / light)^2 (physics; King 1983 PASP 95, 163, from memory, for the equivalent area).
// When a refocus pays: where the time lost by drift since the last one, averaged over the cycle,
// begins to exceed what a refocus takes. For a slow drift x = c t that is the cycle
// (3 R / (2 c^2))^(1/3) (closed form of min over P of (R + c^2 P^3 / 3) / P).
// Errors: no_data with fewer than three frames that have a size.
// Errors: invalid_argument for a number that is not finite.
Result<NightJudgement> judge_night(std::span<const NightFrame> frames,
                                   const NightOptions& options = {});

// Air mass at an altitude, 1 / sin(h + 244 / (165 + 47 h^1.1)) (Pickering 2002, from memory).
double air_mass(double altitude_deg);

// The cycle (in units of 1 / c) at which focus that drifts as x = c t costs least when a refocus
// takes `refocus` of the same unit: the minimum of (refocus + integral of x^2 / (1 + x^2)) over the
// cycle and the refocus together.
double best_refocus_cycle(double refocus);

}  // namespace starwaist
