#include "drift/drift_notes.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "drift/drift_words.h"
#include "drift/tube_temperature.h"
#include "starwaist/codes.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;
using Notes = std::vector<Statement>;

// Whether the clock could stand in for the temperature: hours since nightfall against temperature,
// over all nights.
std::optional<Statement> collinearity(const DriftModel& model) {
  const RunColumns& runs = model.runs;
  constexpr std::size_t kFewest = 4;
  if (!runs.timed() || model.used().size() < kFewest) return std::nullopt;
  std::vector<double> hours;
  std::vector<double> temperature;
  std::size_t nights = 0;
  std::size_t last_night = runs.night_starts.size();
  for (const std::size_t i : model.used()) {
    const auto next = std::upper_bound(runs.night_starts.begin(), runs.night_starts.end(), i);
    const auto night = static_cast<std::size_t>(next - runs.night_starts.begin()) - 1;
    nights += night != last_night ? 1 : 0;
    last_night = night;
    const auto start = static_cast<Index>(runs.night_starts[night]);
    hours.push_back((runs.seconds[static_cast<Index>(i)] - runs.seconds[start]) / 3600);
    temperature.push_back(runs.temperature[static_cast<Index>(i)]);
  }
  const auto along = slope_of(hours, temperature);
  const auto back = slope_of(temperature, hours);
  if (!along || !back) return std::nullopt;
  const double correlation = std::copysign(std::sqrt(std::max(0.0, *along * *back)), *along);
  if (std::abs(correlation) < DriftRules::kCollinear) return std::nullopt;
  return Statement{
      codes::temperature_went_with_time,
      (nights == 1 ? std::string("these runs are of one night, in which ")
                   : "in all of these nights ") +
          "temperature went with the clock (correlation " + format_fixed(correlation, 2) +
          "): a focus that creeps with time for another reason would look the same. Runs of a "
          "night with other temperatures at the same hours would tell"};
}

// The slope beside what the tube's material gives.
std::optional<Statement> expansion(const DriftResult& r, const DriftOptions& options) {
  if (!options.um_per_step) return std::nullopt;
  const double um = std::abs(*r.slope_steps_per_c) * *options.um_per_step;
  // Ordinary tubes: 5 to 60 um for refractors and Newtonians, 50 to 400 for compound telescopes
  // (engineering judgement, no source).
  constexpr double kMostOfAnyTube = 400;
  const std::string measured =
      "focus moves " + format_like_sigma(um, std::nullopt) + " um per degree";
  if (um > kMostOfAnyTube)
    return Statement{codes::expansion_impossible,
                     measured + ", more than any usual tube: check um per step"};
  if (!options.tube || !options.tube_length_mm) return std::nullopt;
  const double plain = tube_expansion_um_per_c(*options.tube, *options.tube_length_mm);
  // A compound telescope multiplies the tube's change by m^2 + 1, at most some 26 with m = 5. A
  // refractor's glass may work against the tube, so neither a small slope nor a sign says anything.
  constexpr double kMostMagnified = 30;
  const double low_end =
      std::min(std::abs(*r.slope_interval_95.low), std::abs(*r.slope_interval_95.high));
  const std::string tube = ", the tube itself by some " + format_like_sigma(plain, std::nullopt);
  if (low_end * *options.um_per_step > kMostMagnified * plain) {
    return Statement{
        codes::expansion_too_much,
        measured + tube + ": too much for its material; check um per step and the thermometer"};
  }
  return Statement{codes::expansion_plausible, measured + tube + ": possible for this tube"};
}

void add_no_slope(const DriftResult& r, Notes& notes) {
  if (!(*r.slope_interval_95.low < 0 && *r.slope_interval_95.high > 0)) return;
  notes.push_back({codes::no_slope,
                   "no slope is seen: " + format_like_sigma(*r.slope_steps_per_c, r.slope_sigma) +
                       " ± " + format_like_sigma(*r.slope_sigma, r.slope_sigma) +
                       " steps per degree may as well be none. Do not move focus by temperature"});
}

void add_shifts(const NotesInput& in, Notes& notes) {
  for (const Shift& shift : in.model.lag.kept.rejection.shifts) {
    const auto row = [&in](std::size_t place) {
      return std::to_string(in.runs[in.model.runs.run[place]].row);
    };
    std::string text = "at row " + row(shift.begin()) + " best focus shifted as a whole by " +
                       steps_words(std::abs(shift.steps)) +
                       (shift.steps > 0 ? " outward" : " inward");
    text += shift.lasts ? "; predictions are for the runs from then on"
                        : ", up to row " + row(shift.level.last - 1) +
                              "; predictions are for the other runs";
    notes.push_back({codes::level_shifted,
                     text + ". All runs share one slope. A mirror or a tube that moved, or a "
                            "changed set-up"});
  }
}

void add_doubtful(const DriftResult& r, Notes& notes) {
  if (r.doubtful == 0) return;
  notes.push_back(
      {codes::doubtful_runs, std::to_string(r.doubtful) + " of the " + std::to_string(r.used) +
                                 " runs are doubtful by themselves: they weigh a quarter"});
}

void add_far_predictions(const DriftResult& r, Notes& notes) {
  for (const DriftPrediction& p : r.predictions) {
    if (!p.beyond_c) continue;
    notes.push_back({codes::beyond_temperatures,
                     "the prediction at " + format_fixed(p.temperature_c, 1) + " degrees lies " +
                         format_fixed(*p.beyond_c, 1) +
                         " degrees beyond the runs: the slope may be another there, and the "
                         "interval is widened by a quarter of it"});
  }
}

void add_missing_sigmas(const NotesInput& in, Notes& notes) {
  const bool any = std::any_of(in.model.used().begin(), in.model.used().end(), [&](std::size_t i) {
    return in.runs[in.model.runs.run[i]].sigma_steps.has_value();
  });
  if (!any) {
    notes.push_back(
        {codes::sigmas_unknown,
         "no run says how sure its own best focus is: that error is part of the scatter, and "
         "predictions are given wider than need be"});
  } else if (in.model.runs.unknown_sigmas > 0) {
    notes.push_back({codes::some_sigmas_unknown,
                     std::to_string(in.model.runs.unknown_sigmas) +
                         " runs do not say how sure they are: they count as the middle one of the "
                         "others"});
  }
}

void add_missing_altitudes(const NotesInput& in, Notes& notes) {
  if (!in.options.altitude || in.model.terms().reference_altitude_deg) return;
  const auto& run = in.model.runs.run;
  const auto with = std::count_if(
      run.begin(), run.end(), [&](std::size_t i) { return in.runs[i].altitude_deg.has_value(); });
  const auto without = static_cast<std::ptrdiff_t>(run.size()) - with;
  if (with > 0 && without > 0) {
    notes.push_back({codes::altitude_left_out,
                     "altitude is left out: " + std::to_string(without) + " runs do not have it"});
  }
}

}  // namespace

std::vector<Statement> make_notes(const NotesInput& in) {
  Notes notes;
  if (!in.model.posterior) return notes;
  add_no_slope(in.result, notes);
  if (auto note = collinearity(in.model)) notes.push_back(std::move(*note));
  add_shifts(in, notes);
  if (in.result.lag_minutes) {
    notes.push_back(
        {codes::focus_lags,
         "focus follows the thermometer " + format_fixed(*in.result.lag_minutes, 0) +
             " minutes late; predictions take the delay that these runs had on average"});
  }
  add_doubtful(in.result, notes);
  add_missing_sigmas(in, notes);
  add_far_predictions(in.result, notes);
  add_missing_altitudes(in, notes);
  if (auto note = expansion(in.result, in.options)) notes.push_back(std::move(*note));
  return notes;
}

}  // namespace starwaist::drift
