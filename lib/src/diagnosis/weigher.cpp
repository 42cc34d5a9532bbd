#include "diagnosis/weigher.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/cause.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

using curve::kSeeingScattersOfRivals;

constexpr curve::EvenBadPointPrior kBad = curve::kBadPointOfRivals;
constexpr std::size_t kMiddleScatter = 1;

// Of t0, ln H0 and ln k beforehand.
Eigen::Vector3d precision() {
  constexpr curve::CurveSpread kSpread = curve::kCurveSpread;
  return {1 / (kSpread.centre * kSpread.centre), 1 / (kSpread.log_size * kSpread.log_size),
          1 / (kSpread.log_slope * kSpread.log_slope)};
}

}  // namespace

double log_all_good(std::size_t n) { return static_cast<double>(n) * std::log(1 - kBad.share); }

Weigher::Weigher(const RunView& run)
    : which_(run.sized_points()),
      samples_(samples_of(run, which_)),
      commanded_(samples_.t),
      fitter_(shape_of(run.record()), curve::kLopsided),
      prior_degrees_(samples_.has_own_sigmas() ? curve::kPriorDegreesOfRivals
                                               : curve::kPriorDegreesOfRivalsWithoutSigmas) {
  std::vector<double> relative;
  for (std::size_t i = 0; i < samples_.count(); ++i) {
    if (samples_.own_sigma[i] > 0) relative.push_back(samples_.own_sigma[i] / samples_.y[i]);
  }
  if (const auto slope = optics_slope_px_per_step(run.record())) {
    log_rig_slope_ =
        std::log(*slope * samples_.half_range_steps / samples_.size_unit_px) + curve::kRigSlopeBias;
    rig_slope_sigma_ = run.record().rig.obstruction ? 0.0 : curve::kUnknownObstructionSlopeError;
  }
  const double usual = relative.empty() ? curve::kUsualMeasuringError : median(relative);
  for (std::size_t i = 0; i < samples_.count(); ++i) {
    const double own = samples_.own_sigma[i] > 0 ? samples_.own_sigma[i] / samples_.y[i] : usual;
    measuring_.push_back(std::hypot(own, curve::kShapeErrorOfRivals));
  }
}

Weighed Weigher::weigh(const std::vector<double>& places, const std::vector<std::size_t>& bad,
                       const ShapeFit* near) {
  samples_.t = places;
  curve_weights(bad, nullptr, kSeeingScattersOfRivals[kMiddleScatter]);
  Weighed answer;
  ShapeFit fit;
  if (near != nullptr && near->usable) fit = fitter_.refit(samples_, *near);
  if (!fit.usable) fit = fitter_.fit(samples_);
  if (!fit.usable) return answer;
  double highest = kNone;
  for (std::size_t k = 0; k < kSeeingScattersOfRivals.size(); ++k) {
    curve_weights(bad, &fit, kSeeingScattersOfRivals[k]);
    const ShapeFit next = fitter_.refit(samples_, fit);
    const auto evidence = log_evidence_of(next, bad);
    if (!evidence) continue;
    const double value = *evidence - std::log(static_cast<double>(kSeeingScattersOfRivals.size()));
    if (value > answer.log_evidence || k == kMiddleScatter) {
      answer.best_t = next.parameters[0];
      answer.squares = next.sum_of_squares;
    }
    if (value > highest) {
      highest = value;
      answer.scatter = k;
    }
    answer.log_evidence = log_sum(answer.log_evidence, value);
  }
  answer.fit = fit;
  return answer;
}

Weighed Weigher::weigh_roughly(const std::vector<double>& places, const ShapeFit& near,
                               const std::vector<std::size_t>& bad, std::size_t scatter) {
  samples_.t = places;
  Weighed answer;
  answer.scatter = scatter;
  curve_weights(bad, near.usable ? &near : nullptr, kSeeingScattersOfRivals[scatter]);
  const ShapeFit fit = near.usable ? fitter_.refit(samples_, near) : fitter_.fit(samples_);
  const auto evidence = log_evidence_of(fit, bad);
  if (!evidence) return answer;
  answer.log_evidence = *evidence;
  answer.best_t = fit.parameters[0];
  answer.squares = fit.sum_of_squares;
  answer.fit = fit;
  return answer;
}

std::optional<double> Weigher::log_evidence_of(const ShapeFit& fit,
                                               const std::vector<std::size_t>& bad) const {
  if (!fit.usable) return std::nullopt;
  double log_weights = 0;
  std::size_t good = 0;
  for (std::size_t i = 0; i < count(); ++i) {
    if (!(samples_.weight[i] > 0)) continue;
    log_weights += std::log(samples_.weight[i]);
    ++good;
  }
  double bad_points = 0;
  for (const std::size_t i : bad) {
    const double size = curve::shape_size(fitter_.shape(), fit.parameters, samples_.t[i]);
    bad_points += std::log((samples_.y[i] > size ? kBad.density_larger : kBad.density_smaller) /
                           size * kBad.share);
  }
  const double degrees = static_cast<double>(good) - curve::kFreeShapeParameters;
  if (degrees < 1) return std::nullopt;
  Eigen::Matrix4d information = fit.unscaled_covariance.inverse();
  information.diagonal().head<3>() += precision();
  const double determinant = information.determinant();
  if (!(determinant > 0)) return std::nullopt;
  const double t0 = fit.parameters[0];
  return log_weights + bad_points + of_rig(fit) - 0.5 * std::log(determinant) - 0.5 * t0 * t0 +
         std::lgamma(0.5 * (prior_degrees_ + degrees)) - 0.5 * degrees * std::log(M_PI) -
         0.5 * (prior_degrees_ + degrees) * std::log(prior_degrees_ + fit.sum_of_squares);
}

Weighed Weigher::weigh_flat(double* size, double* scatter) {
  Weighed answer;
  const double n = static_cast<double>(count());
  for (const double seeing : kSeeingScattersOfRivals) {
    double sum = 0;
    double sum_w = 0;
    double log_weights = 0;
    for (std::size_t i = 0; i < count(); ++i) {
      const double sigma = samples_.y[i] * std::hypot(measuring_[i], seeing);
      sum += samples_.y[i] / (sigma * sigma);
      sum_w += 1 / (sigma * sigma);
      log_weights -= std::log(sigma);
    }
    const double mean = sum / sum_w;
    double squares = 0;
    double relative = 0;
    for (std::size_t i = 0; i < count(); ++i) {
      const double sigma = samples_.y[i] * std::hypot(measuring_[i], seeing);
      squares += std::pow((samples_.y[i] - mean) / sigma, 2);
      relative += std::pow(samples_.y[i] / mean - 1, 2);
    }
    *size = mean * samples_.size_unit_px;
    *scatter = std::sqrt(relative / std::max(1.0, n - 1));
    // The curve's evidence lacks the constants of its priors; here ln H0's alone is used up.
    const double degrees = n - 1;
    const double value = log_weights - 0.5 * std::log(sum_w * mean * mean + 1) +
                         std::lgamma(0.5 * (prior_degrees_ + degrees)) -
                         0.5 * degrees * std::log(M_PI) -
                         0.5 * (prior_degrees_ + degrees) * std::log(prior_degrees_ + squares) -
                         std::log(static_cast<double>(kSeeingScattersOfRivals.size()));
    answer.log_evidence = log_sum(answer.log_evidence, value);
  }
  return answer;
}

std::pair<double, double> Weigher::outside(double low, double high, const ShapeFit& healthy) {
  if (!healthy.usable) return {0, 0};
  samples_.t = commanded_;
  curve_weights({}, &healthy, kSeeingScattersOfRivals[kMiddleScatter]);
  const ShapeFit fit = fitter_.refit(samples_, healthy);
  if (!fit.usable) return {0, 0};
  constexpr int kPlaces = 81;
  constexpr double kReach = 4;
  const double degrees = static_cast<double>(count()) - curve::kFreeShapeParameters;
  const double power = 0.5 * (prior_degrees_ + degrees);
  // Of the squares; it moves the density by at most half a per cent.
  const double close_enough = 0.005 / power * (prior_degrees_ + fit.sum_of_squares);
  const auto place = [](int i) { return kReach * (2.0 * i / (kPlaces - 1) - 1); };
  std::vector<double> logs(kPlaces, kNone);
  const auto go = [&](int from, int to, int step) {
    curve::HeldParameters start = fit.parameters.tail<3>();
    for (int i = from; i != to; i += step) {
      const double t = place(i);
      const double squares = fitter_.profile_at(samples_, t, start, close_enough).squares;
      if (!std::isfinite(squares)) continue;
      logs[static_cast<std::size_t>(i)] =
          -power * std::log(prior_degrees_ + squares) - 0.5 * t * t / 2.25;
    }
  };
  const int nearest = std::clamp(
      static_cast<int>(std::lround((fit.parameters[0] / kReach + 1) * 0.5 * (kPlaces - 1))), 0,
      kPlaces - 1);
  go(nearest, kPlaces, 1);
  go(nearest - 1, -1, -1);
  const double top = *std::max_element(logs.begin(), logs.end());
  double below = 0;
  double above = 0;
  double total = 0;
  for (int i = 0; i < kPlaces; ++i) {
    const double mass = std::exp(logs[static_cast<std::size_t>(i)] - top);
    total += mass;
    if (place(i) < low) below += mass;
    if (place(i) > high) above += mass;
  }
  return {below / total, above / total};
}

double Weigher::of_rig(const ShapeFit& fit) const {
  if (!log_rig_slope_) return 0;
  const double off = fit.parameters[2] - *log_rig_slope_;
  const double own2 =
      std::max(fit.unscaled_covariance(2, 2), 0.0) + rig_slope_sigma_ * rig_slope_sigma_;
  double density = 0;
  double of_nothing = 0;
  for (const curve::RigSlopeError& component : curve::kRigSlopeErrorsOfRivals) {
    const double variance = component.sigma * component.sigma + own2;
    of_nothing = std::exp(-0.5 * off * off / variance) / std::sqrt(variance);
    density += component.share * of_nothing;
  }
  return of_nothing > 0 ? std::log(density / of_nothing)
                        : std::log(curve::kRigSlopeErrorsOfRivals.back().share);
}

void Weigher::curve_weights(const std::vector<std::size_t>& bad, const ShapeFit* fit,
                            double seeing_scatter) {
  for (std::size_t i = 0; i < count(); ++i) {
    double size = samples_.y[i];
    double share = 0.5;
    if (fit != nullptr) {
      const auto value = curve::curve_at(fitter_.shape(), fit->parameters, samples_.t[i]);
      size = curve::bounded_exp(fit->parameters[1]) * value.h;
      share = curve::seeing_share(value, value.u);
    }
    samples_.weight[i] = 1 / (size * std::hypot(measuring_[i], seeing_scatter * share));
  }
  for (const std::size_t i : bad) samples_.weight[i] = 0;
}

}  // namespace starwaist::diagnosis
