// Best focus against temperature over many runs: slope, filter offsets, altitude, thermal lag, runs
// that do not belong, predictions.
//
// Module: drift.
//
// Model, for run i: position = a + b (T - reference) + offset of its filter + c (altitude -
// reference) + e.
// The variance of e is the run's own sigma squared plus tau squared, a run-to-run scatter that is
// fitted.
// With a thermal lag L, T is the temperature Te of a tube that follows the air by
// dTe/dt = (T - Te) / L.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/interval.h"
#include "starwaist/statement.h"
#include "starwaist/terms.h"

namespace starwaist {

// The best focus of one run.
struct DriftRun {
  int row = 0;  // data row of the table, from 1
  double position_steps = 0;
  std::optional<double> temperature_c;  // absent: the run is rejected
  std::optional<double> sigma_steps;    // standard error of the position
  std::optional<std::string> filter;
  std::optional<std::string> time_utc;  // ISO 8601 without zone
  std::optional<double> altitude_deg;
  std::optional<Statement> unusable;  // why the caller leaves it out
  bool doubtful = false;              // by its own verdict: it weighs a quarter
};

struct DriftQuery {
  double temperature_c = 0;
  std::optional<std::string> filter;   // absent: the reference filter
  std::optional<double> altitude_deg;  // absent: the reference altitude
};

enum class TubeMaterial { aluminium, steel, carbon };
std::optional<TubeMaterial> tube_material_from_name(const std::string& name);

// Expansion of a plain tube, um per degree: aluminium 23.1e-6, carbon steel 11.7e-6 (CRC Handbook,
// from memory), carbon fibre along the tube 1e-6 (-0.5e-6 to 2e-6 by layup, from memory).
double tube_expansion_um_per_c(TubeMaterial material, double length_mm);

struct DriftOptions {
  std::optional<double> half_zone_steps;  // 2 lambda N^2 in steps; absent: rig not known
  std::optional<double> um_per_step;
  std::optional<TubeMaterial> tube;
  std::optional<double> tube_length_mm;  // absent with a tube: no comparison
  bool altitude = true;                  // whether a term may be fitted
  bool lag = true;
  std::vector<DriftQuery> predictions;
};

struct DriftFilter {
  std::optional<std::string> filter;  // absent: runs without a filter's name
  int runs = 0;                       // that count
  double offset_steps = 0;            // from the filter with the most runs
  std::optional<double> sigma_steps;  // half of the 68 % interval; the reference has none
  Interval interval_95_steps;
};

template <>
struct Fields<DriftFilter> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(DriftFilter, filter, "", "name"),
      STARWAIST_FIELD(DriftFilter, runs, "", "runs that count"),
      STARWAIST_FIELD(DriftFilter, offset_steps, "steps",
                      "best focus less that of the filter with the most runs"),
      STARWAIST_FIELD(DriftFilter, sigma_steps, "steps", "half of the 68 % interval"),
      STARWAIST_FIELD(DriftFilter, interval_95_steps, "steps", "95 % interval"));
};
static_assert(describes_every_field<DriftFilter>());

struct DriftRejection {
  int row = 0;
  Statement reason;
};

template <>
struct Fields<DriftRejection> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(DriftRejection, row, "", "data row, from 1"),
                      STARWAIST_FIELD(DriftRejection, reason, "", "why it does not count"));
};
static_assert(describes_every_field<DriftRejection>());

struct DriftPrediction {
  double temperature_c = 0;
  std::optional<std::string> filter;
  std::optional<double> position_steps;       // absent for a filter that no run has
  Interval interval_95_steps;                 // for the true best focus of one run
  std::optional<double> beyond_c;             // absent: within the temperatures that were seen
  std::optional<double> probability_in_zone;  // that it lies within half the zone of the position
};

template <>
struct Fields<DriftPrediction> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(DriftPrediction, temperature_c, "c", "temperature"),
      STARWAIST_FIELD(DriftPrediction, filter, "", "filter"),
      STARWAIST_FIELD(DriftPrediction, position_steps, "steps", "predicted best focus"),
      STARWAIST_FIELD(DriftPrediction, interval_95_steps, "steps",
                      "for the true best focus of one run, run-to-run scatter included"),
      STARWAIST_FIELD(DriftPrediction, beyond_c, "c",
                      "how far beyond the temperatures that were seen"),
      STARWAIST_FIELD(DriftPrediction, probability_in_zone, "",
                      "that best focus lies within half the zone of it"));
};
static_assert(describes_every_field<DriftPrediction>());

// The rules of the verdict. Spare runs are the used ones less the number of coefficients.
// Unusable, with no slope:
//   fewer spare runs than kFewestSpare;
//   all runs at one temperature, or each filter at one of its own.
// Doubtful:
//   fewer spare runs than kTrustedSpare;
//   temperatures over less than kTemperatureRange;
//   kRejectedShare of the runs or more rejected;
//   zone known: over half the range of temperatures the slope's 95 % interval moves best focus by
//     more than half the zone;
//   zone unknown: half of that interval exceeds half of the slope, and over half the range of
//     temperatures it moves best focus by more than the scatter of the runs.
// Else trusted.
struct DriftRules {
  static constexpr int kFewestSpare = 1;
  static constexpr int kTrustedSpare = 3;
  static constexpr double kTemperatureRange = 1.5;  // degrees
  static constexpr double kRejectedShare = 0.25;
  static constexpr double kCollinear = 0.9;  // correlation of time and temperature that is noted
};

struct DriftResult {
  int runs = 0;
  int used = 0;
  int doubtful = 0;
  std::optional<double> slope_steps_per_c;
  std::optional<double> slope_sigma;  // half of the 68 % interval
  Interval slope_interval_95;
  std::optional<double> reference_temperature_c;  // mean of the used runs, to a tenth
  std::optional<double> position_at_reference_steps;
  std::optional<double> lag_minutes;  // absent where the data do not demand one
  Interval lag_interval_95_minutes;
  std::optional<double> altitude_steps_per_deg;  // absent where it is not fitted
  std::optional<double> altitude_sigma;
  std::optional<double> reference_altitude_deg;
  std::optional<double> residual_rms_steps;
  std::optional<double> run_scatter_steps;  // beyond the runs' own sigmas
  std::vector<DriftFilter> filters;
  std::optional<double> refocus_every_c;  // moves best focus by half the zone
  std::optional<double> night_rate_c_per_hour;
  std::optional<double> refocus_every_minutes;     // at that rate
  std::optional<double> next_in_zone_probability;  // at the last run's temperature and filter
  std::vector<DriftRejection> rejected;
  std::vector<DriftPrediction> predictions;
  Verdict verdict = Verdict::unusable;
  std::vector<Statement> reasons;
  std::vector<Statement> notes;
};

template <>
struct Fields<DriftResult> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(DriftResult, runs, "", "runs given"),
      STARWAIST_FIELD(DriftResult, used, "", "runs that count"),
      STARWAIST_FIELD(DriftResult, doubtful, "",
                      "of these, runs that are doubtful by themselves and weigh a quarter"),
      STARWAIST_FIELD(DriftResult, slope_steps_per_c, "steps/c",
                      "movement of best focus for one degree"),
      STARWAIST_FIELD(DriftResult, slope_sigma, "steps/c", "half of the 68 % interval"),
      STARWAIST_FIELD(DriftResult, slope_interval_95, "steps/c", "95 % interval"),
      STARWAIST_FIELD(DriftResult, reference_temperature_c, "c",
                      "where position_at_reference_steps holds"),
      STARWAIST_FIELD(DriftResult, position_at_reference_steps, "steps",
                      "best focus there, in the filter with the most runs"),
      STARWAIST_FIELD(DriftResult, lag_minutes, "minutes",
                      "by which focus follows the thermometer"),
      STARWAIST_FIELD(DriftResult, lag_interval_95_minutes, "minutes", "95 % interval"),
      STARWAIST_FIELD(DriftResult, altitude_steps_per_deg, "steps/deg",
                      "movement of best focus for one degree of altitude"),
      STARWAIST_FIELD(DriftResult, altitude_sigma, "steps/deg", "half of the 68 % interval"),
      STARWAIST_FIELD(DriftResult, reference_altitude_deg, "deg",
                      "where position_at_reference_steps and predictions hold"),
      STARWAIST_FIELD(DriftResult, residual_rms_steps, "steps",
                      "root mean square of the used runs off the line"),
      STARWAIST_FIELD(DriftResult, run_scatter_steps, "steps",
                      "scatter of the runs beyond their own sigmas"),
      STARWAIST_FIELD(DriftResult, filters, "", "offsets between filters"),
      STARWAIST_FIELD(DriftResult, refocus_every_c, "c",
                      "change of temperature that moves best focus by 2 lambda N^2"),
      STARWAIST_FIELD(DriftResult, night_rate_c_per_hour, "c/hour",
                      "change of temperature in the last night"),
      STARWAIST_FIELD(DriftResult, refocus_every_minutes, "minutes",
                      "refocus_every_c at that rate"),
      STARWAIST_FIELD(DriftResult, next_in_zone_probability, "",
                      "that best focus of a next run lies within half the zone of its prediction"),
      STARWAIST_FIELD(DriftResult, rejected, "", "runs that do not count"),
      STARWAIST_FIELD(DriftResult, predictions, "", "what was asked for"),
      STARWAIST_FIELD(DriftResult, verdict, "", "trusted, doubtful or unusable"),
      STARWAIST_FIELD(DriftResult, reasons, "", "why it is not trusted"),
      STARWAIST_FIELD(DriftResult, notes, "", "remarks"));
};
static_assert(describes_every_field<DriftResult>());

// One run as a figure shows it.
struct DriftPoint {
  int row = 0;
  double temperature_c = 0;  // lag applied
  double position_steps = 0;
  double level_steps = 0;  // at the reference altitude, moved to the reference filter
  std::optional<double> sigma_steps;
  std::optional<std::string> filter;
  bool used = true;
};

struct DriftFit {
  DriftResult result;
  std::vector<DriftPoint> points;     // those with a temperature
  std::vector<DriftPrediction> band;  // reference filter, over the range of temperatures
};

// Fits the model.
//
// The order is that of the times where every run has one, else that of the rows.
// A run far off the line is rejected, with its reason.
// Where best focus shifted as a whole from one run on (a mirror that moved), the smaller part is
// rejected.
// Without sigmas, with no run in doubt and no lag, intervals are Student's. Else tau is integrated
// over, flat below the runs' usual sigma and with Jeffreys' prior above, and intervals are those of
// the mean over the likely lags and sets of bad runs, weighed.
// Too little data is no error: the verdict says so.
// Errors: invalid_argument for a number that is not finite or a sigma that is not positive.
Result<DriftFit> fit_drift(std::span<const DriftRun> runs, const DriftOptions& options = {});

}  // namespace starwaist
