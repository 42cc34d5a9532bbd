#include "drift/prediction.h"

#include <algorithm>
#include <cmath>

#include "starwaist/numbers.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;
using Eigen::VectorXd;

enum class Filter { reference, of_query };

// Position at an air temperature as the next run will have it. With a lag the tube is off the air
// by what it usually was, and as unsure of that. Absent for a filter that no run has.
std::optional<Contrast> contrast_at(const DriftModel& model, const DriftQuery& query,
                                    Filter filter) {
  const Terms& terms = model.terms();
  Contrast contrast{VectorXd::Zero(model.design.x.cols()), true};
  contrast.weights[0] = 1;
  contrast.weights[1] = query.temperature_c - terms.reference_temperature_c;
  if (model.design.altitude && query.altitude_deg) {
    contrast.weights[*model.design.altitude] = *query.altitude_deg - *terms.reference_altitude_deg;
  }
  if (filter == Filter::reference) return contrast;
  for (const int f : terms.filters) {
    const auto& name = model.runs.filters[static_cast<std::size_t>(f)];
    const bool same = name == query.filter ||
                      (name && query.filter && lower_case(*name) == lower_case(*query.filter));
    if (!same) continue;
    const Index column = model.design.filter_columns[static_cast<std::size_t>(f)];
    if (column >= 0) contrast.weights[column] = 1;
    return contrast;
  }
  return std::nullopt;
}

// Beyond the temperatures that were seen the slope may be another: as unsure as a quarter of it.
void widen_beyond(const DriftModel& model, const DriftOptions& options, DriftPrediction& p) {
  constexpr double kSlopeMayChange = 0.25;
  constexpr double kQuantile = 1.96;  // of the 95 % interval
  const auto& used = model.used();
  double low = model.runs.temperature[static_cast<Index>(used.front())];
  double high = low;
  for (const std::size_t i : used) {
    low = std::min(low, model.runs.temperature[static_cast<Index>(i)]);
    high = std::max(high, model.runs.temperature[static_cast<Index>(i)]);
  }
  const double beyond = std::max(low - p.temperature_c, p.temperature_c - high);
  if (!(beyond > 0)) return;
  p.beyond_c = beyond;
  const double slope = model.posterior->mean(coefficient(model, 1));
  const double more = kSlopeMayChange * std::abs(slope) * beyond;
  const double below = std::hypot(*p.position_steps - *p.interval_95_steps.low, kQuantile * more);
  const double above = std::hypot(*p.interval_95_steps.high - *p.position_steps, kQuantile * more);
  p.interval_95_steps = {*p.position_steps - below, *p.position_steps + above};
  if (!options.half_zone_steps) return;
  const double sigma = (below + above) / (2 * kQuantile);
  p.probability_in_zone = std::erf(*options.half_zone_steps / (sigma * std::sqrt(2.0)));
}

DriftPrediction predicted(const DriftModel& model, const DriftOptions& options,
                          const DriftQuery& query, Filter filter) {
  constexpr double kWholeInterval = 0.95;
  DriftPrediction prediction;
  prediction.temperature_c = query.temperature_c;
  prediction.filter = query.filter;
  const auto contrast = contrast_at(model, query, filter);
  if (!contrast) return prediction;
  prediction.position_steps = model.posterior->mean(*contrast);
  prediction.interval_95_steps = model.posterior->interval(*contrast, kWholeInterval);
  if (options.half_zone_steps) {
    prediction.probability_in_zone =
        model.posterior->probability_within(*contrast, *options.half_zone_steps);
  }
  return prediction;
}

}  // namespace

std::vector<DriftPrediction> predictions_asked(const DriftModel& model,
                                               const DriftOptions& options) {
  std::vector<DriftPrediction> predictions;
  if (!model.posterior) return predictions;
  for (const DriftQuery& query : options.predictions) {
    DriftPrediction prediction =
        predicted(model, options, query, query.filter ? Filter::of_query : Filter::reference);
    if (prediction.position_steps) widen_beyond(model, options, prediction);
    if (!query.filter) {
      prediction.filter =
          model.runs.filters[static_cast<std::size_t>(model.terms().filters.front())];
    }
    predictions.push_back(prediction);
  }
  return predictions;
}

std::optional<double> next_in_zone(const DriftModel& model, const DriftOptions& options) {
  if (!model.posterior) return std::nullopt;
  const std::size_t last = model.used().back();
  DriftQuery here{model.runs.temperature[static_cast<Index>(last)],
                  model.runs.filters[static_cast<std::size_t>(model.runs.filter[last])],
                  std::nullopt};
  if (model.terms().reference_altitude_deg) {
    here.altitude_deg = model.runs.altitude[static_cast<Index>(last)];
  }
  return predicted(model, options, here, Filter::of_query).probability_in_zone;
}

std::vector<DriftPrediction> prediction_band(const DriftModel& model, const DriftOptions& options) {
  std::vector<DriftPrediction> band;
  if (!model.posterior) return band;
  const double low = model.runs.temperature.minCoeff();
  const double high = model.runs.temperature.maxCoeff();
  constexpr int kBandPoints = 17;
  const double room = 0.04 * (high - low);
  for (int i = 0; i < kBandPoints; ++i) {
    const double temperature =
        low - room + (high - low + 2 * room) * i / static_cast<double>(kBandPoints - 1);
    band.push_back(
        predicted(model, options, {temperature, std::nullopt, std::nullopt}, Filter::reference));
  }
  return band;
}

}  // namespace starwaist::drift
