#include "advice/slack_noise.h"

#include <algorithm>
#include <cmath>

#include "advice/observed_noise.h"
#include "curve/priors.h"
#include "numerics/robust.h"

namespace starwaist::advice {
namespace {

std::vector<JointValue> values_of(const JointSamples& samples, const SlackModel& model,
                                  const GridPoint& fit) {
  const Places places = places_of(samples, model, fit);
  std::vector<JointValue> values;
  for (std::size_t i = 0; i < samples.count(); ++i) {
    values.push_back(joint_value(samples, places, model.shape, fit.fit.parameters, i));
  }
  return values;
}

// How far each point lies from a fit, in units of its noise as it is assumed so far.
std::vector<double> distances(const JointSamples& samples, const std::vector<JointValue>& values) {
  std::vector<double> absolute;
  for (std::size_t i = 0; i < samples.count(); ++i) {
    absolute.push_back(std::abs(samples.y[i] - values[i].size) * samples.weight[i]);
  }
  return absolute;
}

}  // namespace

std::vector<double> first_weights(const JointSamples& samples) {
  std::vector<double> weights;
  for (const double y : samples.y) weights.push_back(1 / (curve::kFirstRelativeError * y));
  return weights;
}

std::vector<double> learnt_weights(const SweepData& data, const SlackModel& model,
                                   const GridPoint& best) {
  constexpr double kLeastScale = 1e-6;  // of the robust spread: noise-free points are all good
  const JointSamples& s = data.samples;
  const auto values = values_of(s, model, best);
  const std::vector<double> absolute = distances(s, values);
  const double scale = std::max(numerics::sigma_of_distances(absolute), kLeastScale);
  std::vector<Deviation> good;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!(absolute[i] < curve::kOutlierOfSlack * scale)) continue;
    good.push_back({s.y[i] / values[i].size - 1, data.own_sigma[i], values[i].seeing_share});
  }
  const ObservedNoise noise =
      observed_noise(good, static_cast<double>(good.size()) - kFittedOfSlack);
  std::vector<double> weights;
  for (std::size_t i = 0; i < s.count(); ++i) {
    const double measuring = data.own_sigma[i].value_or(noise.measuring);
    weights.push_back(
        1 / (values[i].size * std::hypot(measuring, noise.seeing * values[i].seeing_share)));
  }
  return weights;
}

Rejection reject_bad_points(const JointSamples& samples, const SlackModel& model,
                            const GridPoint& best) {
  constexpr double kLeastScale = 0.3;  // of the noise assumed: a luckier sweep rejects nobody
  const std::vector<double> absolute = distances(samples, values_of(samples, model, best));
  const double n = static_cast<double>(absolute.size());
  // The fit has taken some of the scatter out.
  const double scale = std::max(
      numerics::sigma_of_distances(absolute) * std::sqrt(n / std::max(1.0, n - kFittedOfSlack)),
      kLeastScale);
  Rejection result{samples.weight, 0};
  for (std::size_t i = 0; i < absolute.size(); ++i) {
    if (absolute[i] <= curve::kOutlierOfSlack * scale) continue;
    result.weights[i] = 0;
    ++result.rejected;
  }
  return result;
}

}  // namespace starwaist::advice
