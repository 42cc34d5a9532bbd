// The evidence of one account of a run: a curve through its points at the places where the account
// puts them, integrated over curve, noise and seeing.
//
// Private header of module diagnosis.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <optional>
#include <utility>
#include <vector>

#include "curve/priors.h"
#include "curve/shape_fit.h"
#include "diagnosis/cause.h"
#include "diagnosis/focus_samples.h"
#include "diagnosis/run_view.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {

using curve::kSeeingScattersOfRivals;
using curve::Samples;
using curve::ShapeFit;

inline constexpr double kNone = -1e300;  // ln of no evidence

inline constexpr curve::EvenBadPointPrior kBad = curve::kBadPointOfRivals;
// ln of the chance that none of n points is bad.
inline double log_all_good(std::size_t n) {
  return static_cast<double>(n) * std::log(1 - kBad.share);
}

// Of t0, ln H0 and ln k beforehand.
inline Eigen::Vector3d precision() {
  constexpr curve::CurveSpread kSpread = curve::kCurveSpread;
  return {1 / (kSpread.centre * kSpread.centre), 1 / (kSpread.log_size * kSpread.log_size),
          1 / (kSpread.log_slope * kSpread.log_slope)};
}

// One account's evidence and its fit.
struct Weighed {
  double log_evidence = kNone;
  double best_t = 0;
  double squares = 0;  // over the noise as assumed, middle seeing scatter
};

class Weigher {
 public:
  Weigher(const RunView& run)
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
      log_rig_slope_ = std::log(*slope * samples_.half_range_steps / samples_.size_unit_px) +
                       curve::kRigSlopeBias;
      rig_slope_sigma_ = run.record().rig.obstruction ? 0.0 : curve::kUnknownObstructionSlopeError;
    }
    const double usual = relative.empty() ? curve::kUsualMeasuringError : median(relative);
    for (std::size_t i = 0; i < samples_.count(); ++i) {
      const double own = samples_.own_sigma[i] > 0 ? samples_.own_sigma[i] / samples_.y[i] : usual;
      measuring_.push_back(std::hypot(own, curve::kShapeErrorOfRivals));
    }
  }

  [[nodiscard]] std::size_t count() const { return samples_.count(); }
  [[nodiscard]] const std::vector<std::size_t>& which() const { return which_; }
  [[nodiscard]] const std::vector<double>& commanded() const { return commanded_; }
  [[nodiscard]] const Samples& samples() const { return samples_; }

  // Places in scaled units, by sample; `bad`: points that are none of the curve's. `roughly`: with
  // the middle scatter of the seeing alone.
  Weighed weigh(const std::vector<double>& places, const std::vector<std::size_t>& bad = {},
                bool roughly = false) {
    samples_.t = places;
    curve_weights(bad, nullptr);
    Weighed answer;
    ShapeFit fit = start_ ? fitter_.refit(samples_, *start_) : fitter_.fit(samples_);
    if (!fit.usable || !start_) fit = fitter_.fit(samples_);
    if (!fit.usable) {
      samples_.t = commanded_;
      return answer;
    }
    for (std::size_t k = 0; k < kSeeingScattersOfRivals.size(); ++k) {
      if (roughly && k != 1) continue;
      curve_weights(bad, &fit, kSeeingScattersOfRivals[k]);
      const ShapeFit next = fitter_.refit(samples_, fit);
      if (!next.usable) continue;
      double log_weights = 0;
      double bad_points = 0;
      std::size_t good = 0;
      for (std::size_t i = 0; i < count(); ++i) {
        if (samples_.weight[i] > 0) {
          log_weights += std::log(samples_.weight[i]);
          ++good;
        }
      }
      for (const std::size_t i : bad) {
        const double size = curve::shape_size(fitter_.shape(), next.parameters, samples_.t[i]);
        bad_points += std::log((samples_.y[i] > size ? kBad.density_larger : kBad.density_smaller) /
                               size * kBad.share);
      }
      const double degrees = static_cast<double>(good) - curve::kFreeShapeParameters;
      if (degrees < 1) continue;
      Eigen::Matrix4d information = next.unscaled_covariance.inverse();
      information.diagonal().head<3>() += precision();
      const double determinant = information.determinant();
      if (!(determinant > 0)) continue;
      const double t0 = next.parameters[0];
      const double value =
          log_weights + bad_points + of_rig(next) - 0.5 * std::log(determinant) - 0.5 * t0 * t0 +
          std::lgamma(0.5 * (prior_degrees_ + degrees)) - 0.5 * degrees * std::log(M_PI) -
          0.5 * (prior_degrees_ + degrees) * std::log(prior_degrees_ + next.sum_of_squares) -
          (roughly ? 0.0 : std::log(static_cast<double>(kSeeingScattersOfRivals.size())));
      if (value > answer.log_evidence || k == 1) {
        answer.best_t = t0;
        answer.squares = next.sum_of_squares;
      }
      answer.log_evidence = log_sum(answer.log_evidence, value);
    }
    if (bad.empty() && !start_) start_ = fit;
    samples_.t = commanded_;
    return answer;
  }

  // One size for all points: every place the same.
  Weighed weigh_flat(double* size, double* scatter) {
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

  // Probabilities of best focus below t = -edge and above t = edge, from the profile.
  std::pair<double, double> outside(double low, double high) {
    samples_.t = commanded_;
    curve_weights({}, nullptr);
    ShapeFit fit = fitter_.fit(samples_);
    if (!fit.usable) return {0, 0};
    curve_weights({}, &fit, kSeeingScattersOfRivals[1]);
    fit = fitter_.refit(samples_, fit);
    if (!fit.usable) return {0, 0};
    constexpr int kPlaces = 81;
    constexpr double kReach = 4;
    std::vector<double> logs;
    const double degrees = static_cast<double>(count()) - curve::kFreeShapeParameters;
    for (int i = 0; i < kPlaces; ++i) {
      const double t = kReach * (2.0 * i / (kPlaces - 1) - 1);
      curve::HeldParameters start = fit.parameters.tail<3>();
      const double squares = fitter_.sum_of_squares_at(samples_, t, start);
      logs.push_back(std::isfinite(squares)
                         ? -0.5 * (prior_degrees_ + degrees) * std::log(prior_degrees_ + squares) -
                               0.5 * t * t / 2.25
                         : kNone);
    }
    const double top = *std::max_element(logs.begin(), logs.end());
    double below = 0;
    double above = 0;
    double total = 0;
    for (int i = 0; i < kPlaces; ++i) {
      const double t = kReach * (2.0 * i / (kPlaces - 1) - 1);
      const double mass = std::exp(logs[static_cast<std::size_t>(i)] - top);
      total += mass;
      if (t < low) below += mass;
      if (t > high) above += mass;
    }
    return {below / total, above / total};
  }

 private:
  // ln of the density that the rig gives the fitted slope, over that of a rig of which nothing is
  // known; the slope's own error widens both.
  [[nodiscard]] double of_rig(const ShapeFit& fit) const {
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

  void curve_weights(const std::vector<std::size_t>& bad, const ShapeFit* fit,
                     double seeing_scatter = kSeeingScattersOfRivals[1]) {
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

  std::vector<std::size_t> which_;
  Samples samples_;
  std::vector<double> commanded_;
  std::vector<double> measuring_;  // relative
  curve::ShapeFitter fitter_;
  double prior_degrees_;
  std::optional<double> log_rig_slope_;  // in scaled units
  double rig_slope_sigma_ = 0;           // beside what kRigSlopeErrorsOfRivals allow
  std::optional<ShapeFit> start_;
};

}  // namespace starwaist::diagnosis
