#include "curve/fit_models.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>

#include "curve/candidate_shapes.h"
#include "curve/focus_mixture.h"
#include "curve/located.h"
#include "curve/noise.h"
#include "curve/outliers.h"

namespace starwaist::curve {
namespace {

// A parabola is not a focus curve; it gets this share beside a hyperbola that fits equally well.
constexpr double kParabolaPrior = 0.1;
// Below this number of points the parabola serves only where nothing else has a minimum.
constexpr int kFewestForParabola = 7;

// ln of each model's weight, up to a constant; minus infinity where it has none.
std::vector<double> log_weights(const std::vector<ModelAnswer>& answers, int points,
                                const std::optional<CurveModel>& only) {
  std::vector<double> log_weight(answers.size(), -std::numeric_limits<double>::infinity());
  const bool physics_located =
      std::any_of(answers.begin(), answers.end(), [](const ModelAnswer& a) {
        return a.fit.best_focus_steps && a.fit.model != CurveModel::parabola;
      });
  // Beside the parabola the shapes count by the heaviest one.
  double of_shapes = 0;
  double largest_share = 0;
  for (const ModelAnswer& a : answers) {
    if (a.share <= largest_share) continue;
    largest_share = a.share;
    of_shapes = a.log_evidence - std::log(a.share);
  }
  for (std::size_t i = 0; i < answers.size(); ++i) {
    const ModelAnswer& a = answers[i];
    const bool parabola = a.fit.model == CurveModel::parabola;
    if (!a.fitted) continue;
    if (only) {
      if (a.fit.model == *only) log_weight[i] = 0;
    } else if (parabola && points < kFewestForParabola) {
      if (!physics_located && a.fit.best_focus_steps) log_weight[i] = 0;  // the fallback
    } else if (parabola && !a.fit.best_focus_steps) {
      continue;
    } else if (parabola) {
      log_weight[i] = a.log_evidence + std::log(kParabolaPrior);
    } else if (a.share > 0) {
      log_weight[i] = of_shapes + std::log(a.share);
    }
  }
  return log_weight;
}

// Sets the models' shares in the answer.
void weigh_models(int points, const std::optional<CurveModel>& only,
                  std::vector<ModelAnswer>& answers) {
  const std::vector<double> log_weight = log_weights(answers, points, only);
  const double best = *std::max_element(log_weight.begin(), log_weight.end());
  double total = 0;
  for (const double w : log_weight) total += std::isfinite(w) ? std::exp(w - best) : 0.0;
  for (std::size_t i = 0; i < answers.size(); ++i) {
    if (!answers[i].fitted) continue;
    answers[i].fit.weight =
        std::isfinite(log_weight[i]) && total > 0 ? std::exp(log_weight[i] - best) / total : 0.0;
  }
}

bool all_equal(const std::vector<double>& values) {
  return std::adjacent_find(values.begin(), values.end(), std::not_equal_to<>()) == values.end();
}

// Those with a notable weight, heaviest first. Sets the weights of `samples` on the way.
std::vector<Hypothesis> hypotheses_of(std::vector<FittedShape>& shapes, Samples& samples) {
  FittedShape& base = best_of(shapes);
  const auto number = static_cast<std::size_t>(&base - shapes.data());
  std::vector<Hypothesis> hypotheses{{number, {}, false, 1.0, samples.weight, base.fit}};
  if (!base.fit.usable) return hypotheses;
  const NoiseModel noise = estimate_noise(base.fitters.lopsided, samples, base.fit);
  apply_noise(noise, samples);
  const ShapeFit clean = base.fitters.even.refit(samples, base.fit);
  if (!clean.usable) return hypotheses;
  std::vector<ShapeFitters*> fitters;
  for (FittedShape& shape : shapes) fitters.push_back(&shape.fitters);
  return weigh_hypotheses(fitters, number, samples, noise, clean);
}

std::vector<ModelAnswer> answers_of(std::vector<FittedShape>& shapes, const Samples& samples,
                                    const std::vector<Hypothesis>& hypotheses) {
  std::vector<ModelAnswer> answers;
  for (std::size_t k = 0; k < shapes.size(); ++k) {
    const NamedShape& named = shapes[k].named;
    answers.push_back(answer_shape(named.model, shapes[k].fitters, k, samples, hypotheses));
    if (auto* curve = std::get_if<FocusCurve>(&answers.back().fit.parameters)) {
      curve->blur = named.blur;
    }
  }
  answers.insert(answers.begin() + 1, answer_parabola(samples, hypotheses));
  return answers;
}

// See FitOptions::shared_sigma_steps.
void add_shared_error(const Samples& samples, double sigma_steps,
                      std::vector<ModelAnswer>& answers) {
  for (ModelAnswer& answer : answers) {
    for (Component& part : answer.parts) {
      part = widened(std::move(part), sigma_steps / samples.half_range_steps);
    }
    answer.fit = located(samples, answer.parts, answer.fit);
  }
}

}  // namespace

FittedModels fit_models(const RunPoints& run, const Rig& rig, const FitOptions& options) {
  FittedModels fitted;
  Samples s = run.samples;
  if (run.too_few() || distinct_positions(s, std::vector<bool>(s.count(), true)) < 3 ||
      all_equal(s.y)) {
    fitted.answers.resize(2);
    fitted.answers[0].fit.model = CurveModel::hyperbola;
    fitted.answers[1].fit.model = CurveModel::parabola;
    return fitted;
  }
  weigh_relative(s);
  std::vector<FittedShape> shapes =
      fit_shapes(shapes_for(rig, options.size, s.has_own_sigmas()), s);
  const std::vector<Hypothesis> hypotheses = hypotheses_of(shapes, s);
  fitted.bad = probability_bad(hypotheses, s.count());
  fitted.answers = answers_of(shapes, s, hypotheses);
  if (options.shared_sigma_steps) {
    add_shared_error(s, *options.shared_sigma_steps, fitted.answers);
  }
  weigh_models(static_cast<int>(s.count()), options.model, fitted.answers);
  return fitted;
}

CombinedAnswer combine(const Samples& samples, const std::vector<ModelAnswer>& answers,
                       const std::optional<double>& zone_steps) {
  CombinedAnswer combined;
  std::vector<Component> parts;
  double heaviest = 0;
  for (const ModelAnswer& a : answers) {
    const double weight = a.fit.weight.value_or(0.0);
    if (weight > heaviest) {
      heaviest = weight;
      combined.chosen = a.fit.model;
    }
    for (Component part : a.parts) {
      part.weight *= weight;
      if (part.weight > 0) parts.push_back(std::move(part));
    }
  }
  if (!normalise(parts)) return combined;
  combined.focus = focus_of_parts(samples, parts, zone_steps);
  return combined;
}

}  // namespace starwaist::curve
