#include <algorithm>
#include <cmath>
#include <functional>
#include <map>
#include <set>

#include "curve/known_slope.h"
#include "curve/noise.h"
#include "curve/outliers.h"
#include "curve/parabola.h"
#include "curve/priors.h"
#include "curve/profile.h"
#include "curve/shape_fit.h"
#include "curve/verdict.h"
#include "starwaist/curve.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace curve {
namespace {

// Residuals smaller than this part of the size are arithmetic, not noise.
constexpr double kRoundingRelative = 1e-9;
// A parabola is not a focus curve; it gets this share beside a hyperbola that fits equally well.
constexpr double kParabolaPrior = 0.1;
// Below this number of points the parabola serves only where nothing else has a minimum.
constexpr int kFewestForParabola = 7;
constexpr int kModelParameters = 3;
constexpr double kFullProfileWeight = 0.05;  // lighter parts get a straight root

struct ModelAnswer {
  ModelFit fit;
  std::vector<Component> parts;  // of this model; weights sum to 1
  double log_evidence = 0;       // of the model, see describe_aicc
  double share = 0;              // of a shape among the shapes
  bool fitted = false;
};

struct Run {
  Samples samples;
  std::vector<std::size_t> point_of_sample;
};

Result<Run> collect(std::span<const CurvePoint> points) {
  Run run;
  double low = 0;
  double high = 0;
  std::vector<double> sizes;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const CurvePoint& p = points[i];
    const std::string name = p.file.empty() ? "point " + std::to_string(i + 1) : p.file;
    if (!std::isfinite(p.position_steps)) {
      return fail(ErrorCode::invalid_argument, name + ": the position is not a number",
                  "Leave the point out or give its position");
    }
    if (!p.size_px) continue;
    if (!std::isfinite(*p.size_px) || *p.size_px <= 0) {
      return fail(ErrorCode::invalid_argument,
                  name + ": the size " + format_fixed(*p.size_px, 3) + " is not above 0",
                  "Leave the size out where the star could not be measured");
    }
    if (!p.used) continue;
    if (run.point_of_sample.empty()) low = high = p.position_steps;
    low = std::min(low, p.position_steps);
    high = std::max(high, p.position_steps);
    run.point_of_sample.push_back(i);
    sizes.push_back(*p.size_px);
  }
  Samples& s = run.samples;
  if (sizes.empty()) return run;
  s.centre_steps = low + 0.5 * (high - low);
  s.half_range_steps = high > low ? 0.5 * (high - low) : 1.0;
  s.size_unit_px = median(sizes);
  for (const std::size_t i : run.point_of_sample) {
    s.t.push_back(s.scaled_position(points[i].position_steps));
    s.y.push_back(*points[i].size_px / s.size_unit_px);
    const double sigma = points[i].sigma_px.value_or(0.0);
    const bool good = std::isfinite(sigma) && sigma > 0;
    s.own_sigma.push_back(good ? sigma / s.size_unit_px : 0.0);
  }
  s.weight.assign(s.t.size(), 1.0);
  return run;
}

int distinct_positions(const Samples& s, const std::vector<bool>& used) {
  std::set<double> positions;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (used[i]) positions.insert(s.t[i]);
  }
  return static_cast<int>(positions.size());
}

// Variance of one weighted residual.
double residual_variance(const Samples& s, double sum_of_squares, int degrees, bool own_sigmas) {
  double rounding = 0;
  double lucky = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!(s.weight[i] > 0)) continue;
    rounding = std::max(rounding, kRoundingRelative * s.y[i] * s.weight[i]);
    lucky = std::max(lucky, s.own_sigma[i] * s.weight[i]);
  }
  const double floor =
      std::max(rounding * rounding, own_sigmas ? kLuckiestVariance * lucky * lucky : 0.0);
  return std::max(sum_of_squares / degrees, floor);
}

// Unweighted share of the variance explained, and misfit against the points' own sigmas.
template <class Curve>
void describe_quality(const Samples& s, const std::vector<double>& weight, const Curve& curve,
                      ModelFit& fit) {
  double mean = 0;
  int n = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!(weight[i] > 0)) continue;
    mean += s.y[i];
    ++n;
  }
  mean /= n;
  double total = 0;
  double left = 0;
  double chi_squared = 0;
  int with_sigma = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!(weight[i] > 0)) continue;
    const double deviation = s.y[i] - curve(s.t[i]);
    total += (s.y[i] - mean) * (s.y[i] - mean);
    left += deviation * deviation;
    if (s.own_sigma[i] > 0) {
      chi_squared += deviation * deviation / (s.own_sigma[i] * s.own_sigma[i]);
      ++with_sigma;
    }
  }
  if (total > 0) fit.r_squared = 1 - left / total;
  if (with_sigma > kModelParameters) {
    fit.reduced_chi_squared = chi_squared / (with_sigma - kModelParameters);
  }
}

// AICc where n allows it, and what weighs the models: every one has three parameters, so AICc's
// penalties cancel, and at five points its likelihood at the noise's best value would take luck for
// proof. So the likelihood is integrated over parameters and noise, the noise expected beforehand
// counting as kPriorDegrees degrees of freedom (the weights are in its unit).
void describe_aicc(const Samples& s, double sum_of_squares, double variance_floor,
                   ModelAnswer& answer) {
  const int n = s.used();
  double log_weights = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (s.weight[i] > 0) log_weights += std::log(s.weight[i]);
  }
  const double squares = std::max(sum_of_squares, variance_floor);
  const double minus_two_log_likelihood =
      n * std::log(2 * M_PI * squares / n) + n - 2 * log_weights;
  const int k = kModelParameters + 1;
  answer.log_evidence =
      -0.5 * (n - kModelParameters + kPriorDegrees) * std::log(squares + kPriorDegrees);
  if (n - k - 1 > 0) {
    answer.fit.aicc = minus_two_log_likelihood + 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1);
  }
}

Interval to_steps(const Samples& s, const Interval& scaled) {
  Interval steps;
  if (scaled.low) steps.low = s.steps(*scaled.low);
  if (scaled.high) steps.high = s.steps(*scaled.high);
  return steps;
}

// A lopsided curve's say in where best focus is put, beside an even one of the same weight. It is
// freer by one parameter: on curves by wave optics with 0, 1/2 and 1 wave of spherical aberration
// the error of the answer falls by 7, 6 and 4 % at n = 15 (6, 4 and 2 % at n = 9) when it must
// convince the more. The intervals take it at its full weight.
constexpr double kLopsidedSay = 0.25;

// The mean over the parts, which is nearest on average where two of them lie apart (the median
// jumps from one to the other); a part outside the 95 % interval counts as at its limit, so that a
// wild one of little weight cannot pull. On an open side the 68 % interval's end is the limit.
double middle_of(const std::vector<Component>& parts, const Samples& s, const ModelFit& fit) {
  const auto end = [](const std::optional<double>& at_95, const std::optional<double>& at_68) {
    return at_95 ? *at_95 : *at_68;
  };
  const double low = s.scaled_position(end(fit.interval_95_steps.low, fit.interval_68_steps.low));
  const double high =
      s.scaled_position(end(fit.interval_95_steps.high, fit.interval_68_steps.high));
  double sum = 0;
  double total = 0;
  for (const Component& part : parts) {
    sum += part.weight * part.say * std::clamp(part.centre, low, high);
    total += part.weight * part.say;
  }
  return sum / total;
}

// An end that far out, in half ranges, is none: nothing there was looked at.
constexpr double kFarthestEnd = 20;

Interval without_far_ends(Interval interval) {
  if (interval.low && *interval.low < -kFarthestEnd) interval.low.reset();
  if (interval.high && *interval.high > kFarthestEnd) interval.high.reset();
  return interval;
}

// What must be bounded for best focus to be located: the 95 % interval; or, for an answer that will
// be called doubtful, the 68 % interval inside the range that was sampled.
enum class Located { surely, by_one_sigma };

void locate(const Samples& s, const std::vector<Component>& parts, ModelFit& fit,
            Located located = Located::surely) {
  if (parts.empty()) return;
  const Interval inner = without_far_ends(mixture_interval(parts, kTail68));
  fit.interval_68_steps = to_steps(s, inner);
  fit.interval_95_steps = to_steps(s, without_far_ends(mixture_interval(parts, kTail95)));
  const bool inside = inner.bounded() && *inner.low >= -1 && *inner.high <= 1;
  if (!fit.interval_95_steps.bounded() && !(located == Located::by_one_sigma && inside)) return;
  fit.best_focus_steps = s.steps(middle_of(parts, s, fit));
  // One sigma as half of the 68 % interval, so that it means the same at five points and at fifty.
  if (fit.interval_68_steps.bounded()) {
    fit.best_focus_sigma_steps = 0.5 * (*fit.interval_68_steps.high - *fit.interval_68_steps.low);
  }
}

// Best focus outside the sampled range with an interval longer than it: a direction, not a place.
bool points_nowhere(const Samples& s, const ModelFit& fit) {
  if (!fit.best_focus_steps || !fit.interval_95_steps.bounded()) return false;
  const double range = 2 * s.half_range_steps;
  return std::abs(*fit.best_focus_steps - s.centre_steps) > s.half_range_steps &&
         *fit.interval_95_steps.high - *fit.interval_95_steps.low > range;
}

// Scales the parts' weights to a sum of 1; false where there is no weight.
bool normalise(std::vector<Component>& parts) {
  double total = 0;
  for (const Component& part : parts) total += part.weight;
  if (!(total > 0)) return false;
  for (Component& part : parts) part.weight /= total;
  return true;
}

// The part of best focus' variance that comes from the lopsidedness' prior is not estimated from
// the residuals.
double degrees_of_best_focus(const ShapeFit& fit, int degrees) {
  const Eigen::Matrix3d even = fit.unscaled_covariance.inverse().topLeftCorner<3, 3>().inverse();
  const double ratio = fit.unscaled_covariance(0, 0) / even(0, 0);
  return std::isfinite(ratio) ? degrees_of_sum(degrees, ratio) : degrees;
}

// The shape number `shape` of the hypotheses; where they have none of it (too improbable), the
// others' points fitted by it, with no share in the answer.
ModelAnswer answer_shape(CurveModel model, ShapeFitters& fitters, std::size_t shape, const Run& run,
                         const std::vector<Hypothesis>& hypotheses) {
  ModelAnswer answer;
  answer.fit.model = model;
  const Samples& all = run.samples;
  Samples s = all;
  double share = 0;
  for (const Hypothesis& h : hypotheses) share += h.shape == shape ? h.weight : 0.0;
  answer.share = share;
  for (const Hypothesis& h : hypotheses) {
    if (share > 0 && h.shape != shape) continue;
    s.weight = h.weights;
    ShapeFitter& fitter = fitters.of(h.lopsided);
    const ShapeFit fit = share > 0 ? h.fit : fitter.refit(s, h.fit);
    const int degrees = s.used() - kModelParameters;
    if (!fit.usable || degrees < 1) continue;
    const double variance = residual_variance(s, fit.sum_of_squares, degrees, all.has_own_sigmas());
    std::optional<ShapeFitter> own_prior;
    ShapeFit at = fit;
    if (h.lopsided) {
      // The spread of a is its own, whatever the noise: where all is scaled by the variance of the
      // residuals it must not be.
      const double moderate = (degrees * variance + kPriorDegrees) / (degrees + kPriorDegrees);
      own_prior.emplace(fitter.shape(), fitter.sigma_a() / std::sqrt(moderate));
      at = own_prior->refit(s, fit);
      if (!at.usable) continue;
    }
    const double student = degrees_of_best_focus(at, degrees);
    Component part =
        h.weight >= kFullProfileWeight
            ? shape_component(own_prior ? *own_prior : fitter, s, at, variance, student)
            : straight_component(at.parameters[0],
                                 std::sqrt(variance * at.unscaled_covariance(0, 0)), student);
    part.weight = h.weight;
    if (h.lopsided) part.say = kLopsidedSay;
    if (part.sound()) answer.parts.push_back(std::move(part));
    if (answer.fitted) continue;  // the heaviest hypothesis describes the model
    answer.fitted = true;
    const double h0 = bounded_exp(fit.parameters[1]) * all.size_unit_px;
    const double slope = bounded_exp(fit.parameters[2]) * all.size_unit_px / all.half_range_steps;
    answer.fit.min_size_px = h0;
    answer.fit.slope_px_per_step = slope;
    answer.fit.parameters = FocusCurve{.centre_steps = all.steps(fit.parameters[0]),
                                       .min_size_px = h0,
                                       .slope_px_per_step = slope,
                                       .lopsidedness = fit.parameters[3],
                                       .blur = {}};
    describe_quality(
        all, s.weight, [&](double t) { return shape_size(fitter.shape(), fit.parameters, t); },
        answer.fit);
    describe_aicc(s, fit.sum_of_squares, degrees * residual_variance(s, 0, degrees, false), answer);
  }
  normalise(answer.parts);
  locate(all, answer.parts, answer.fit);
  return answer;
}

ModelAnswer answer_parabola(const Run& run, const std::vector<Hypothesis>& hypotheses) {
  ModelAnswer answer;
  answer.fit.model = CurveModel::parabola;
  const Samples& all = run.samples;
  bool opens_upwards = true;
  Samples s = all;
  for (const Hypothesis& h : hypotheses) {
    s.weight = h.weights;
    const ParabolaFit fit = fit_polynomial<3>(s);
    const int degrees = s.used() - kModelParameters;
    if (!fit.usable || degrees < 1) continue;
    const double variance = residual_variance(s, fit.sum_of_squares, degrees, all.has_own_sigmas());
    const auto& c = fit.parameters;
    if (c[2] > 0) {
      Component part = parabola_component(fit, variance, degrees);
      part.weight = h.weight;
      if (part.sound()) answer.parts.push_back(std::move(part));
    } else if (!answer.fitted) {
      opens_upwards = false;
    }
    if (answer.fitted) continue;
    answer.fitted = true;
    const double unit = all.size_unit_px;
    answer.fit.parameters = ParabolaCurve{
        .reference_steps = all.centre_steps,
        .constant_px = c[0] * unit,
        .linear_px_per_step = c[1] * unit / all.half_range_steps,
        .quadratic_px_per_step2 = c[2] * unit / (all.half_range_steps * all.half_range_steps)};
    if (c[2] > 0) answer.fit.min_size_px = unit * (c[0] - c[1] * c[1] / (4 * c[2]));
    describe_quality(
        all, s.weight, [&](double t) { return c[0] + t * (c[1] + t * c[2]); }, answer.fit);
    describe_aicc(s, fit.sum_of_squares, degrees * residual_variance(s, 0, degrees, false), answer);
  }
  if (!opens_upwards) answer.parts.clear();  // it has no minimum
  normalise(answer.parts);
  locate(all, answer.parts, answer.fit);
  return answer;
}

// Shares of the models in the answer.
void weigh_models(std::vector<ModelAnswer>& answers, int points,
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
  double best = -std::numeric_limits<double>::infinity();
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
    best = std::max(best, log_weight[i]);
  }
  double total = 0;
  for (const double w : log_weight) total += std::isfinite(w) ? std::exp(w - best) : 0.0;
  for (std::size_t i = 0; i < answers.size(); ++i) {
    if (!answers[i].fitted) continue;
    answers[i].fit.weight =
        std::isfinite(log_weight[i]) && total > 0 ? std::exp(log_weight[i] - best) / total : 0.0;
  }
}

std::optional<Direction> approach_of(std::span<const CurvePoint> points) {
  bool rises = false;
  bool falls = false;
  for (std::size_t i = 1; i < points.size(); ++i) {
    rises = rises || points[i].position_steps > points[i - 1].position_steps;
    falls = falls || points[i].position_steps < points[i - 1].position_steps;
  }
  if (rises == falls) return std::nullopt;
  return rises ? Direction::outward : Direction::inward;
}

std::string rejection(const CurvePoint& point, double curve_px, double sigma_px,
                      double probability) {
  // Less of their scatter is no deviation: the others follow no curve themselves.
  constexpr double kNotable = 2;
  const double deviation = *point.size_px - curve_px;
  const std::string size = "size " + format_fixed(*point.size_px, 2) + " px ";
  const std::string scatter = format_fixed(sigma_px, 3) + " px";
  const std::string bad =
      "; probability of a bad point " + format_fixed(100 * probability, 0) + " %";
  if (std::abs(deviation) < kNotable * sigma_px) {
    return size + "lies on no curve with the other points, which scatter by " + scatter +
           " about theirs" + bad;
  }
  return size + "is " + format_fixed(std::abs(deviation), 2) + " px " +
         (deviation > 0 ? "above" : "below") + " the curve through the other points (" +
         format_fixed(std::abs(deviation) / sigma_px, 1) + " times their scatter of " + scatter +
         ")" + bad;
}

void name_unused(std::vector<CurvePoint>& points) {
  for (CurvePoint& p : points) {
    if (!p.size_px) {
      p.used = false;
      if (!p.reason) p.reason = "no size was measured";
    } else if (!p.used && !p.reason) {
      p.reason = "left out by the caller";
    }
  }
}

// A parabola that explains the sizes, is open downwards and has its top in the middle half of the
// range (a one-sided arm bends a little too).
bool has_peak(const ModelFit& fit, double low_steps, double high_steps) {
  if (!std::holds_alternative<ParabolaCurve>(fit.parameters)) return false;
  constexpr double kExplained = 0.8;
  const double quarter = 0.25 * (high_steps - low_steps);
  const double middle = 0.5 * (low_steps + high_steps);
  const double top = *curve_size_px(fit, middle);
  return fit.r_squared.value_or(0) > kExplained && top > *curve_size_px(fit, middle - quarter) &&
         top > *curve_size_px(fit, middle + quarter) && top > *curve_size_px(fit, low_steps) &&
         top > *curve_size_px(fit, high_steps);
}

VerdictFacts facts_of(const Run& run, const std::vector<bool>& used, const FitResult& result,
                      const Rig& rig) {
  const Samples& s = run.samples;
  VerdictFacts facts;
  facts.used_positions = distinct_positions(s, used);
  bool first = true;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!used[i]) {
      ++facts.rejected_points;
      continue;
    }
    ++facts.used_points;
    const double position = result.points[run.point_of_sample[i]].position_steps;
    const double size = *result.points[run.point_of_sample[i]].size_px;
    if (first) {
      facts.lowest_position_steps = facts.highest_position_steps = position;
      facts.smallest_seen_px = facts.largest_seen_px = size;
    }
    first = false;
    facts.smallest_seen_px = std::min(facts.smallest_seen_px, size);
    facts.largest_seen_px = std::max(facts.largest_seen_px, size);
    facts.lowest_position_steps = std::min(facts.lowest_position_steps, position);
    facts.highest_position_steps = std::max(facts.highest_position_steps, position);
  }
  facts.best_focus_steps = result.best_focus_steps;
  facts.sigma_steps = result.best_focus_sigma_steps;
  facts.interval_95_steps = result.interval_95_steps;
  facts.zone_steps = result.critical_focus_zone_steps;
  if (result.best_focus_steps) {
    for (std::size_t i = 0; i < s.count(); ++i) {
      if (!used[i]) continue;
      const double position = result.points[run.point_of_sample[i]].position_steps;
      facts.points_below += position < *result.best_focus_steps ? 1 : 0;
      facts.points_above += position > *result.best_focus_steps ? 1 : 0;
    }
  }
  facts.peaks_inside =
      std::any_of(result.models.begin(), result.models.end(), [&facts](const ModelFit& fit) {
        return has_peak(fit, facts.lowest_position_steps, facts.highest_position_steps);
      });
  const ModelFit* shown = chosen_model(result);
  if (shown == nullptr || std::holds_alternative<std::monostate>(shown->parameters)) return facts;
  facts.smallest_size_px = shown->min_size_px.value_or(s.size_unit_px);
  facts.size_at_lowest_px = *curve_size_px(*shown, facts.lowest_position_steps);
  facts.size_at_highest_px = *curve_size_px(*shown, facts.highest_position_steps);
  double squares = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!used[i]) continue;
    const CurvePoint& p = result.points[run.point_of_sample[i]];
    squares += std::pow(*p.size_px - *curve_size_px(*shown, p.position_steps), 2);
  }
  facts.noise_px = std::sqrt(squares / std::max(1, facts.used_points - kModelParameters));
  if (shown->slope_px_per_step) {
    facts.core_width_steps = facts.smallest_size_px / *shown->slope_px_per_step;
    facts.slope_px_per_step = shown->slope_px_per_step;
  }
  if (result.size_measure == SizeMeasure::hfr)
    facts.expected_slope_px_per_step = arm_slope_px_per_step(rig);
  facts.parabola_answers = shown->model == CurveModel::parabola;
  return facts;
}

// A hyperbola beside the blur curve, which half-flux radii have: it serves sizes that were measured
// in another way, as those of a table without sigmas may have been. Where it fits worse its misfit
// would count as noise and widen the interval. Widths (FWHM) may follow either: of 3357 real sweeps
// of widths 96 % are nearer to the blur curve.
double hyperbola_odds(SizeMeasure measure, bool own_sigmas) {
  if (measure == SizeMeasure::fwhm) return 1;
  return own_sigmas ? 0.25 : 0.5;
}

struct NamedShape {
  CurveModel model = CurveModel::hyperbola;
  Shape shape;
  double odds = 1;                       // against the others, beforehand
  std::optional<FocusCurve::Blur> blur;  // of the blur curve
};

std::vector<NamedShape> shapes_for(const Rig& rig, SizeMeasure measure, bool own_sigmas) {
  std::vector<NamedShape> shapes{
      {CurveModel::hyperbola, Shape::hyperbola(), hyperbola_odds(measure, own_sigmas), {}}};
  const double obstruction = rig.obstruction.value_or(kUsualObstruction);
  for (const SeeingProfile profile : {SeeingProfile::kolmogorov, SeeingProfile::gaussian}) {
    shapes.push_back({CurveModel::blur, Shape::blur(profile, obstruction), 1,
                      FocusCurve::Blur{obstruction, profile}});
  }
  return shapes;
}

struct FittedShape {
  NamedShape named;
  ShapeFitters fitters;
  ShapeFit fit;  // of the even curve
};

// Hyperbola, and the blur curve with the seeing's profile that fits better. Symmetric shapes differ
// in the wings, not in where the minimum is, so that this choice does not bend the interval.
std::vector<FittedShape> fit_shapes(const std::vector<NamedShape>& shapes, const Samples& s) {
  std::vector<FittedShape> fitted;
  for (const NamedShape& named : shapes) {
    FittedShape next{named, ShapeFitters(named.shape, named.odds), {}};
    next.fit = fitted.empty() || !fitted.front().fit.usable
                   ? next.fitters.even.fit(s)
                   : next.fitters.even.refit(s, fitted.front().fit);
    if (!fitted.empty() && fitted.back().named.model == named.model) {
      if (next.fit.usable && next.fit.sum_of_squares < fitted.back().fit.sum_of_squares) {
        fitted.back() = std::move(next);
      }
    } else {
      fitted.push_back(std::move(next));
    }
  }
  return fitted;
}

FittedShape* best_of(std::vector<FittedShape>& shapes) {
  return &*std::min_element(
      shapes.begin(), shapes.end(), [](const FittedShape& a, const FittedShape& b) {
        return a.fit.usable && (!b.fit.usable || a.fit.sum_of_squares < b.fit.sum_of_squares);
      });
}

bool all_equal(const std::vector<double>& values) {
  return std::adjacent_find(values.begin(), values.end(), std::not_equal_to<>()) == values.end();
}

// Fits everything; false where the points cannot carry a curve.
bool fit_models(Run& run, const Rig& rig, SizeMeasure measure, std::vector<ModelAnswer>& answers,
                std::vector<double>& bad) {
  Samples& s = run.samples;
  const std::vector<bool> all_used(s.count(), true);
  if (s.count() < static_cast<std::size_t>(VerdictRules::kFewestPoints) ||
      distinct_positions(s, all_used) < 3 || all_equal(s.y)) {
    return false;
  }
  weigh_relative(s);
  std::vector<FittedShape> shapes = fit_shapes(shapes_for(rig, measure, s.has_own_sigmas()), s);
  FittedShape* base = best_of(shapes);
  bad.assign(s.count(), 0.0);
  const auto number_of = [&](const FittedShape* shape) {
    return static_cast<std::size_t>(shape - shapes.data());
  };
  std::vector<Hypothesis> hypotheses{{number_of(base), {}, false, 1.0, s.weight, base->fit}};
  if (base->fit.usable) {
    const NoiseModel noise = estimate_noise(base->fitters.lopsided, s, base->fit);
    apply_noise(noise, s);
    const ShapeFit clean = base->fitters.even.refit(s, base->fit);
    std::vector<ShapeFitters*> fitters;
    for (FittedShape& shape : shapes) fitters.push_back(&shape.fitters);
    if (clean.usable) {
      hypotheses = weigh_hypotheses(fitters, number_of(base), s, noise, clean);
    }
    bad = probability_bad(hypotheses, s.count());
  }
  answers.clear();
  for (FittedShape& shape : shapes) {
    answers.push_back(
        answer_shape(shape.named.model, shape.fitters, number_of(&shape), run, hypotheses));
    if (auto* curve = std::get_if<FocusCurve>(&answers.back().fit.parameters)) {
      curve->blur = shape.named.blur;
    }
  }
  answers.insert(answers.begin() + 1, answer_parabola(run, hypotheses));
  return true;
}

// See FitOptions::shared_sigma_steps.
void add_shared_error(const Run& run, double sigma_steps, std::vector<ModelAnswer>& answers) {
  for (ModelAnswer& answer : answers) {
    for (Component& part : answer.parts) {
      part = widened(std::move(part), sigma_steps / run.samples.half_range_steps);
    }
    locate(run.samples, answer.parts, answer.fit);
  }
}

void combine(const Run& run, std::vector<ModelAnswer>& answers, const Rig& rig, FitResult& result) {
  std::vector<Component> parts;
  double heaviest = 0;
  for (const ModelAnswer& a : answers) {
    const double weight = a.fit.weight.value_or(0.0);
    if (weight > heaviest) {
      heaviest = weight;
      result.chosen = a.fit.model;
    }
    for (Component part : a.parts) {
      part.weight *= weight;
      if (part.weight > 0) parts.push_back(std::move(part));
    }
  }
  if (!normalise(parts)) return;
  ModelFit whole;
  locate(run.samples, parts, whole, Located::by_one_sigma);
  if (points_nowhere(run.samples, whole)) {
    whole.best_focus_steps.reset();
    whole.best_focus_sigma_steps.reset();
  }
  if (whole.best_focus_steps && !whole.interval_95_steps.bounded()) {
    for (ModelAnswer& a : answers) locate(run.samples, a.parts, a.fit, Located::by_one_sigma);
  }
  result.best_focus_steps = whole.best_focus_steps;
  result.best_focus_sigma_steps = whole.best_focus_sigma_steps;
  result.interval_68_steps = whole.interval_68_steps;
  result.interval_95_steps = whole.interval_95_steps;
  if (rig.known() && whole.best_focus_steps && result.critical_focus_zone_steps) {
    const double half_zone = 0.5 * *result.critical_focus_zone_steps;
    result.probability_in_zone =
        mixture_within(parts, run.samples.scaled_position(*whole.best_focus_steps),
                       half_zone / run.samples.half_range_steps);
  }
}

void reject_points(const Run& run, const std::vector<double>& bad, FitResult& result,
                   std::vector<bool>& used) {
  const ModelFit* shown = chosen_model(result);
  if (shown == nullptr || bad.empty()) return;
  double squares = 0;
  int good = 0;
  for (std::size_t i = 0; i < bad.size(); ++i) {
    if (bad[i] > 0.5) continue;
    const CurvePoint& p = result.points[run.point_of_sample[i]];
    squares +=
        std::pow(*p.size_px - curve_size_px(*shown, p.position_steps).value_or(*p.size_px), 2);
    ++good;
  }
  const double scatter = std::sqrt(squares / std::max(1, good - kModelParameters));
  for (std::size_t i = 0; i < bad.size(); ++i) {
    CurvePoint& p = result.points[run.point_of_sample[i]];
    const auto size = curve_size_px(*shown, p.position_steps);
    if (bad[i] > 0.5 && size) {
      used[i] = false;
      p.used = false;
      p.reason = rejection(p, *size, scatter, bad[i]);
    } else if (bad[i] > 0.1) {
      result.notes.push_back(p.file + " at " + format_like_sigma(p.position_steps, std::nullopt) +
                             " steps is a bad point with probability " +
                             format_fixed(100 * bad[i], 0) + " %; the answer allows for both");
    }
  }
}

// The interval goes by the scatter seen and not by the sigmas given: where they differ, say so.
void note_sigmas(FitResult& result) {
  constexpr double kFactor = 3;  // either way
  // Deviations a third of their sigmas are luck in less than one of a hundred runs from here on
  // (chi-squared of 6 degrees of freedom).
  constexpr int kEnoughToSeeLuck = 9;
  const ModelFit* shown = chosen_model(result);
  if (shown == nullptr || !shown->reduced_chi_squared) return;
  const double ratio = std::sqrt(*shown->reduced_chi_squared);
  const auto used = std::count_if(result.points.begin(), result.points.end(),
                                  [](const CurvePoint& p) { return p.used && p.sigma_px; });
  if (ratio > kFactor) {
    result.notes.push_back(
        "the sizes scatter about the curve by " + format_like_sigma(ratio, 0.1 * ratio) +
        " times the sigmas given with them: the seeing changed from frame to frame, or the sigmas "
        "are too small; the interval goes by the scatter, not by the sigmas");
  } else if (ratio < 1 / kFactor && used >= kEnoughToSeeLuck) {
    result.notes.push_back(
        "the sizes scatter about the curve by only " + format_like_sigma(ratio, 0.1 * ratio) +
        " times the sigmas given with them: the sigmas are too large, and the interval may be "
        "wider than it need be");
  }
}

std::vector<CurvePoint> usable_points(const Run& run, std::span<const CurvePoint> points) {
  std::vector<CurvePoint> usable;
  for (const std::size_t i : run.point_of_sample) {
    usable.push_back(points[i]);
    std::optional<double>& sigma = usable.back().sigma_px;
    if (sigma && !(std::isfinite(*sigma) && *sigma > 0)) sigma.reset();
  }
  return usable;
}

// Puts the answer by a known slope in place of the points' own.
void take_answer(KnownSlopeAnswer answer, FitResult& result) {
  result.verdict = Verdict::doubtful;
  result.reasons = {std::move(answer.reason)};
  result.best_focus_steps = answer.best_focus_steps;
  result.best_focus_sigma_steps = answer.sigma_steps;
  result.interval_68_steps = answer.interval_68_steps;
  result.interval_95_steps = answer.interval_95_steps;
  result.probability_in_zone = answer.probability_in_zone;
  result.chosen = answer.model.model;
  for (ModelFit& other : result.models) {
    if (other.weight) other.weight = 0;
  }
  const auto same =
      std::find_if(result.models.begin(), result.models.end(),
                   [&answer](const ModelFit& m) { return m.model == answer.model.model; });
  if (same == result.models.end()) {
    result.models.push_back(std::move(answer.model));
  } else {
    *same = std::move(answer.model);
  }
}

// One to three points and a known rig; true where that was the case.
bool answer_few_points(const Run& run, const Rig& rig, FitResult& result) {
  if (run.samples.count() >= static_cast<std::size_t>(VerdictRules::kFewestPoints) ||
      result.size_measure != SizeMeasure::hfr) {
    return false;
  }
  auto answer = locate_by_rig(usable_points(run, result.points), rig);
  if (!answer) return false;
  if (answer->best_focus_steps) {
    take_answer(std::move(*answer), result);
  } else {
    result.verdict = Verdict::unusable;
    result.reasons = {std::move(answer->reason)};
  }
  return true;
}

// What is unusable by itself, by what other runs tell. `result` stays as it is where they tell
// nothing, but for a reason more where they say why. `points`: the caller's.
void answer_by_arms(const Run& run, std::span<const CurvePoint> points, const KnownArms& arms,
                    const Rig& rig, FitResult& result) {
  auto answer = locate_by_arms(usable_points(run, points), arms, rig);
  if (!answer) return;
  if (!answer->best_focus_steps) {
    if (!answer->reason.empty()) result.reasons.push_back(std::move(answer->reason));
    return;
  }
  const std::vector<double> bad = answer->bad;
  if (run.samples.count() >= static_cast<std::size_t>(VerdictRules::kFewestPoints)) {
    for (const std::string& reason : result.reasons) answer->reason += " (" + reason + ")";
  }
  // What the points' own fit said of them goes with it.
  result.points.assign(points.begin(), points.end());
  name_unused(result.points);
  result.notes.clear();
  take_answer(std::move(*answer), result);
  std::vector<bool> used(run.samples.count(), true);
  reject_points(run, bad, result, used);
}

void note_parabola(const std::vector<ModelAnswer>& answers, const FitOptions& options,
                   FitResult& result) {
  if (options.model != CurveModel::parabola) return;
  std::string note =
      "a parabola in the size is pulled towards the side where more was sampled: by about a tenth "
      "of the curve's width for a mildly lopsided sweep, by most of it for a strongly lopsided one";
  for (const ModelAnswer& a : answers) {
    if (a.fit.model == CurveModel::hyperbola && a.fit.best_focus_steps) {
      note += "; the hyperbola gives " +
              format_like_sigma(*a.fit.best_focus_steps, a.fit.best_focus_sigma_steps);
    }
  }
  result.notes.push_back(note);
}

FitResult fit_alone(Run& run, std::span<const CurvePoint> points, const Rig& rig,
                    const FitOptions& options) {
  FitResult result;
  result.points.assign(points.begin(), points.end());
  name_unused(result.points);
  result.size_measure = options.size;
  result.approach = approach_of(points);
  result.critical_focus_zone_steps = rig.known() ? critical_focus_zone_steps(rig) : std::nullopt;

  std::vector<ModelAnswer> answers(2);
  answers[0].fit.model = CurveModel::hyperbola;
  answers[1].fit.model = CurveModel::parabola;
  std::vector<double> bad;
  std::vector<bool> used(run.samples.count(), true);
  if (fit_models(run, rig, options.size, answers, bad)) {
    if (options.shared_sigma_steps) add_shared_error(run, *options.shared_sigma_steps, answers);
    weigh_models(answers, static_cast<int>(run.samples.count()), options.model);
    combine(run, answers, rig, result);
  }
  for (const auto& answer : answers) result.models.push_back(answer.fit);
  if (answer_few_points(run, rig, result)) return result;
  reject_points(run, bad, result, used);
  note_sigmas(result);
  note_parabola(answers, options, result);
  const Judgement judgement = judge(facts_of(run, used, result, rig));
  result.verdict = judgement.verdict;
  result.reasons = judgement.reasons;
  return result;
}

}  // namespace
}  // namespace curve

Result<FitResult> fit_curve(std::span<const CurvePoint> points, const Rig& rig,
                            const FitOptions& options) {
  auto run = curve::collect(points);
  if (!run) return tl::unexpected<Error>(run.error());
  FitResult result = curve::fit_alone(*run, points, rig, options);
  const auto& arms = options.known_arms;
  if (!arms || arms->size != options.size) return result;
  if (options.model && *options.model != curve::kModelOfArms) return result;
  if (result.verdict == Verdict::unusable) {
    curve::answer_by_arms(*run, points, *arms, rig, result);
  }
  return result;
}

}  // namespace starwaist
