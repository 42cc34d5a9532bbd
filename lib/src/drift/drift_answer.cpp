#include "drift/drift_answer.h"

#include <cmath>

#include "drift/drift_words.h"
#include "drift/prediction.h"
#include "drift/tube_temperature.h"
#include "starwaist/codes.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;

constexpr double kWholeInterval = 0.95;
constexpr double kSecondsPerHour = 3600;

double residual_rms(const DriftModel& model) {
  double sum = 0;
  for (const std::size_t i : model.used()) {
    const auto row = static_cast<Index>(i);
    const double expected = model.design.x.row(row).dot(model.posterior->coefficients());
    sum += std::pow(model.runs.position[row] - expected, 2);
  }
  return std::sqrt(sum / static_cast<double>(model.used().size()));
}

void add_coefficients(const DriftModel& model, DriftResult& r) {
  const LinePosterior& posterior = *model.posterior;
  const Contrast slope = coefficient(model, 1);
  r.slope_steps_per_c = posterior.mean(slope);
  r.slope_sigma = posterior.sigma(slope);
  r.slope_interval_95 = posterior.interval(slope, kWholeInterval);
  r.reference_temperature_c = model.terms().reference_temperature_c;
  r.position_at_reference_steps = posterior.mean(coefficient(model, 0));
  r.run_scatter_steps = posterior.tau();
  r.lag_minutes = model.lag.minutes;
  r.lag_interval_95_minutes = model.lag.interval_95_minutes;
  if (model.design.altitude) {
    const Contrast altitude = coefficient(model, *model.design.altitude);
    r.altitude_steps_per_deg = posterior.mean(altitude);
    r.altitude_sigma = posterior.sigma(altitude);
    r.reference_altitude_deg = model.terms().reference_altitude_deg;
  }
  r.residual_rms_steps = residual_rms(model);
}

std::vector<DriftFilter> filter_offsets(const DriftModel& model) {
  std::vector<DriftFilter> filters;
  const auto& in_use = model.terms().filters;
  // A table that names no filter at all has no offsets.
  if (in_use.size() == 1 && !model.runs.filters[static_cast<std::size_t>(in_use.front())]) {
    return filters;
  }
  for (const int f : in_use) {
    const auto place = static_cast<std::size_t>(f);
    DriftFilter filter;
    filter.filter = model.runs.filters[place];
    filter.runs = model.lag.kept.filter_counts[place];
    const Index column = model.design.filter_columns[place];
    if (column >= 0) {
      const Contrast offset = coefficient(model, column);
      filter.offset_steps = model.posterior->mean(offset);
      filter.sigma_steps = model.posterior->sigma(offset);
      filter.interval_95_steps = model.posterior->interval(offset, kWholeInterval);
    }
    filters.push_back(filter);
  }
  return filters;
}

// Degrees per second in the last night; absent where it is too short.
std::optional<double> last_night_rate(const RunColumns& runs) {
  if (!runs.timed()) return std::nullopt;
  const std::size_t begin = runs.night_starts.back();
  const std::size_t count = runs.run.size() - begin;
  constexpr std::size_t kFewest = 3;
  constexpr double kShortest = 1200;  // seconds
  const double* seconds = runs.seconds.data() + begin;
  if (count < kFewest || !(seconds[count - 1] - seconds[0] >= kShortest)) return std::nullopt;
  return slope_of({seconds, count}, {runs.temperature.data() + begin, count});
}

void add_rates(const DriftModel& model, const DriftOptions& options, DriftResult& r) {
  if (options.half_zone_steps && *r.slope_steps_per_c != 0) {
    r.refocus_every_c = *options.half_zone_steps / std::abs(*r.slope_steps_per_c);
  }
  const auto rate = last_night_rate(model.runs);
  if (!rate) return;
  r.night_rate_c_per_hour = kSecondsPerHour * *rate;
  if (r.refocus_every_c && *rate != 0) {
    r.refocus_every_minutes = *r.refocus_every_c / std::abs(*rate) / kSecondsPerMinute;
  }
}

int row_of(const AnswerInput& in, std::size_t sample) {
  return in.runs[in.model.runs.run[sample]].row;
}

std::vector<DriftRejection> rejected_runs(const AnswerInput& in) {
  const Rejection& rejection = in.model.lag.kept.rejection;
  std::map<std::size_t, Statement> reasons = in.left_out;
  for (const auto& off : rejection.off_line) {
    reasons[in.model.runs.run[off.row]] = {
        codes::run_off_line, steps_words(std::abs(off.steps)) + " " + above_or_below(off.steps) +
                                 " what the other runs say, where " + steps_words(off.usual) +
                                 " are usual"};
  }
  std::vector<DriftRejection> rejected;
  for (const auto& [index, reason] : reasons) rejected.push_back({in.runs[index].row, reason});
  return rejected;
}

std::vector<DriftPoint> points_of_figure(const AnswerInput& in) {
  const DriftModel& model = in.model;
  const auto& keep = model.lag.kept.rejection.keep;
  std::vector<DriftPoint> points;
  for (std::size_t i = 0; i < model.runs.run.size(); ++i) {
    const auto row = static_cast<Index>(i);
    DriftPoint point;
    point.row = row_of(in, i);
    point.temperature_c = model.lag.temperature[row];
    point.position_steps = model.runs.position[row];
    point.level_steps = point.position_steps;
    point.sigma_steps = in.runs[model.runs.run[i]].sigma_steps;
    point.filter = model.runs.filters[static_cast<std::size_t>(model.runs.filter[i])];
    point.used = i < keep.size() && keep[i];
    if (model.posterior) {
      const auto& beta = model.posterior->coefficients();
      for (Index c = 2; c < model.design.x.cols(); ++c) {
        point.level_steps -= model.design.x(row, c) * beta[c];
      }
    }
    points.push_back(point);
  }
  return points;
}

}  // namespace

DriftFit make_answer(const AnswerInput& in) {
  DriftFit answer;
  DriftResult& r = answer.result;
  r.runs = static_cast<int>(in.runs.size());
  r.used = static_cast<int>(in.model.used().size());
  for (const std::size_t i : in.model.used()) {
    r.doubtful += in.runs[in.model.runs.run[i]].doubtful ? 1 : 0;
  }
  if (in.model.posterior) {
    add_coefficients(in.model, r);
    r.filters = filter_offsets(in.model);
    add_rates(in.model, in.options, r);
    r.predictions = predictions_asked(in.model, in.options);
    r.next_in_zone_probability = next_in_zone(in.model, in.options);
    answer.band = prediction_band(in.model, in.options);
  }
  r.rejected = rejected_runs(in);
  answer.points = points_of_figure(in);
  return answer;
}

}  // namespace starwaist::drift
