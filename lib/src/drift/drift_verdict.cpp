#include "drift/drift_verdict.h"

#include <algorithm>
#include <cmath>

#include "drift/drift_words.h"
#include "starwaist/codes.h"

namespace starwaist::drift {

namespace {

// Coefficients of the model, counted before a posterior is there.
int coefficients(const Terms& terms) {
  return static_cast<int>(1 + std::max<std::size_t>(1, terms.filters.size()) +
                          (terms.reference_altitude_deg ? 1U : 0U) + terms.levels.size());
}

Statement why_no_slope(const Terms& terms, int used) {
  const int needed = coefficients(terms) + DriftRules::kFewestSpare;
  if (used < needed) {
    return {
        codes::few_runs_for_slope,
        std::to_string(used) + " usable runs" +
            (terms.filters.size() > 1 ? " with " + std::to_string(terms.filters.size()) + " filters"
                                      : "") +
            ": a slope needs at least " + std::to_string(needed) + ", at different temperatures"};
  }
  return {codes::one_temperature,
          "the runs are all at one temperature, or each filter at one of its own: no slope can be "
          "told. Add runs at other temperatures"};
}

// What an uncertain slope leaves open over half the range of temperatures; nothing where it is
// known well enough.
std::optional<Statement> slope_uncertain(const DriftResult& r, double range,
                                         std::optional<double> half_zone_steps) {
  const double half_width = (*r.slope_interval_95.high - *r.slope_interval_95.low) / 2;
  const double reach = half_width * range / 2;
  const std::string known = "the slope is known to " + format_like_sigma(half_width, half_width) +
                            " steps per degree only";
  if (half_zone_steps) {
    if (!(reach > *half_zone_steps)) return std::nullopt;
    return Statement{codes::slope_against_zone,
                     known + ": over half the range of temperatures that moves best focus by " +
                         steps_words(reach) + ", more than half the focus zone (" +
                         steps_words(*half_zone_steps) + ")"};
  }
  if (half_width > 0.5 * std::abs(*r.slope_steps_per_c) && reach > *r.residual_rms_steps) {
    return Statement{codes::slope_uncertain, known + ". Add runs at other temperatures"};
  }
  return std::nullopt;
}

}  // namespace

DriftVerdict judge_drift(const DriftModel& model, const DriftResult& r,
                         const DriftOptions& options) {
  if (!model.posterior) return {Verdict::unusable, {why_no_slope(model.terms(), r.used)}};
  std::vector<Statement> reasons;
  const int columns = coefficients(model.terms());
  if (r.used - columns < DriftRules::kTrustedSpare) {
    reasons.push_back({codes::few_runs_to_check,
                       "only " + std::to_string(r.used) +
                           " runs count: " + std::to_string(columns + DriftRules::kTrustedSpare) +
                           " are needed to judge their scatter"});
  }
  const double range = temperature_range(model.lag.temperature, model.used());
  if (range < DriftRules::kTemperatureRange) {
    reasons.push_back({codes::temperatures_too_alike,
                       "the temperatures span only " + format_fixed(range, 1) +
                           " degrees: at least " + format_fixed(DriftRules::kTemperatureRange, 1) +
                           " are needed"});
  }
  if (const auto uncertain = slope_uncertain(r, range, options.half_zone_steps)) {
    reasons.push_back(*uncertain);
  }
  const auto& keep = model.lag.kept.rejection.keep;
  const auto off = static_cast<int>(std::count(keep.begin(), keep.end(), false));
  if (off > 0 && off >= DriftRules::kRejectedShare * static_cast<double>(keep.size())) {
    reasons.push_back({codes::runs_off_line, std::to_string(off) + " of " +
                                                 std::to_string(keep.size()) +
                                                 " runs do not lie on one line"});
  }
  return {reasons.empty() ? Verdict::trusted : Verdict::doubtful, reasons};
}

}  // namespace starwaist::drift
