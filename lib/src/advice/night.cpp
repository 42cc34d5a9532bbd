#include "advice/night.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "advice/information.h"
#include "starwaist/numbers.h"
#include "starwaist/plan.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace advice {
namespace {

// "1 to 6 %" of seeing scatter from frame to frame (see physics of curve/noise.h).
constexpr double kUsualSeeingScatter = 0.03;
constexpr double kUsualMeasuringError = 0.015;
constexpr double kUsualFactor = 2;  // one standard deviation of their logarithms
constexpr double kUsualSeeingArcsec = 3;
constexpr double kUsualExposure = 3;
constexpr double kUsualSizePx = 2;   // in focus, where the focal length is unknown
constexpr double kUsualPixelUm = 4;  // where nobody said it

double log_prior(double value, double usual) {
  const double z = std::log(value / usual) / std::log(kUsualFactor);
  return -0.5 * z * z;
}

}  // namespace

NoiseFacts noise_of(const std::vector<Deviation>& deviations, double degrees) {
  std::vector<double> own;
  for (const Deviation& d : deviations) {
    if (d.own_sigma) own.push_back(*d.own_sigma);
  }
  const double usual = own.empty() ? kUsualMeasuringError : median(own);
  // A size's own standard error is nearly what it says; without one it is open.
  std::vector<double> factors{1.0};
  if (own.empty()) factors = {0.25, 0.5, 1.0, 2.0};
  constexpr std::array kScatters{0.004, 0.0075, 0.015, 0.03, 0.06, 0.12};
  const double n = std::max<double>(1, static_cast<double>(deviations.size()));
  const double share_of_degrees = std::max(0.0, degrees) / n;
  double log_measuring = 0;
  double log_seeing = 0;
  double total = 0;
  double best = -1e300;
  std::vector<std::array<double, 3>> trials;  // log weight, measuring, seeing
  for (const double factor : factors) {
    for (const double scatter : kScatters) {
      double log_weight = log_prior(scatter, kUsualSeeingScatter);
      if (own.empty()) log_weight += log_prior(factor, 1);
      for (const Deviation& d : deviations) {
        const double measuring = d.own_sigma.value_or(usual * factor);
        const double seeing = scatter * d.seeing_share;
        const double variance = measuring * measuring + seeing * seeing;
        log_weight -=
            0.5 * (share_of_degrees * std::log(variance) + d.relative * d.relative / variance);
      }
      trials.push_back({log_weight, usual * factor, scatter});
      best = std::max(best, log_weight);
    }
  }
  for (const auto& trial : trials) {
    const double weight = std::exp(trial[0] - best);
    total += weight;
    log_measuring += weight * std::log(trial[1]);
    log_seeing += weight * std::log(trial[2]);
  }
  // In the middle of what the run allows: a mean of variances would be the widest noise's.
  return {std::exp(log_measuring / total), std::exp(log_seeing / total)};
}

namespace {

// Half-flux radius of the diffraction pattern of a clear circular pupil, in lambda N (root of the
// enclosed flux 1 - J0^2 - J1^2 = 1/2), and of one pixel's square, in pixels.
constexpr double kAiryHalfFlux = 0.534832;
constexpr double kPixelHalfFlux = 0.398942;

// Half-flux radius over full width at half maximum: 0.5685 for Kolmogorov's seeing (exp of a
// 5/3 power in the transfer function), 0.5 for a Gaussian, which seeing_half_flux_radius_px takes.
constexpr double kKolmogorovOverGaussian = 0.5685 / 0.5;

// What part of the size in focus is the seeing's: d ln H / d ln s for a sum of squares.
double seeing_part(double smallest_px, double focal_ratio, double wavelength_um, double pixel_um) {
  const double rest = std::pow(kAiryHalfFlux * wavelength_um * focal_ratio / pixel_um, 2) +
                      kPixelHalfFlux * kPixelHalfFlux;
  return std::clamp(1 - rest / (smallest_px * smallest_px), 0.1, 1.0);
}

std::vector<Deviation> deviations_of(const FitResult& run, const ModelFit& model,
                                     const curve::Shape& shape) {
  std::vector<Deviation> deviations;
  const double core = *model.min_size_px / *model.slope_px_per_step;
  for (const CurvePoint& p : run.points) {
    const auto size = curve_size_px(model, p.position_steps);
    if (!p.used || !p.size_px || !size) continue;
    Deviation d;
    d.relative = *p.size_px / *size - 1;
    if (p.sigma_px && *p.sigma_px > 0) d.own_sigma = *p.sigma_px / *size;
    const double u = (p.position_steps - *run.best_focus_steps) / core;
    d.seeing_share = curve::seeing_share(shape.at(u), u);
    deviations.push_back(d);
  }
  return deviations;
}

}  // namespace
}  // namespace advice

double focused_half_flux_radius_px(double seeing_px, double focal_ratio, double wavelength_um,
                                   double pixel_um) {
  const double diffraction = advice::kAiryHalfFlux * wavelength_um * focal_ratio / pixel_um;
  return std::sqrt(seeing_px * seeing_px + diffraction * diffraction +
                   advice::kPixelHalfFlux * advice::kPixelHalfFlux);
}

Result<NightFacts> night_from_optics(const Rig& given, std::optional<double> slope_px_per_step) {
  const auto valid = checked(given);
  if (!valid) return tl::unexpected<Error>(valid.error());
  Rig rig = *valid;
  const auto ratio = rig.focal_ratio();
  if (!ratio) {
    return fail(ErrorCode::invalid_argument, "the f-number is unknown",
                "Give --f-number, or --focal-length-mm and --aperture-mm, or a rough run");
  }
  if (slope_px_per_step && !(std::isfinite(*slope_px_per_step) && *slope_px_per_step > 0)) {
    return fail(ErrorCode::invalid_argument, "the slope is not above 0",
                "Give the slope of the arms in px of half-flux radius per step");
  }
  NightFacts night;
  if (!rig.pixel_um) {
    rig.pixel_um = advice::kUsualPixelUm;
    night.notes.push_back("the pixel is not known: " + format_fixed(*rig.pixel_um, 0) +
                          " um is assumed (--pixel-um)");
  }
  const double obstruction = rig.obstruction.value_or(0.0);
  const double per_um = arm_slope_px_per_um(*ratio, obstruction, *rig.pixel_um);
  if (slope_px_per_step) {
    night.slope_px_per_step = *slope_px_per_step;
  } else if (rig.um_per_step) {
    night.slope_px_per_step = per_um * *rig.um_per_step;
  } else {
    return fail(ErrorCode::invalid_argument, "the focuser's travel for one step is unknown",
                "Give --um-per-step, --slope-px-per-step, or a rough run");
  }
  if (!rig.focal_length_mm && rig.aperture_mm) rig.focal_length_mm = *ratio * *rig.aperture_mm;
  if (!rig.seeing_arcsec) {
    rig.seeing_arcsec = advice::kUsualSeeingArcsec;
    if (rig.focal_length_mm) {
      night.notes.push_back(
          "the seeing is not known: " + format_fixed(advice::kUsualSeeingArcsec, 0) +
          " arcsec is assumed (--seeing-arcsec)");
    }
  }
  if (const auto seeing = seeing_half_flux_radius_px(rig)) {
    night.smallest_px = focused_half_flux_radius_px(advice::kKolmogorovOverGaussian * *seeing,
                                                    *ratio, rig.wavelength_um, *rig.pixel_um);
  } else {
    night.smallest_px = advice::kUsualSizePx;
    night.notes.push_back(
        "the focal length is not known: a half-flux radius of " +
        format_fixed(advice::kUsualSizePx, 0) +
        " px in focus is assumed (--focal-length-mm with --seeing-arcsec, or a rough run)");
  }
  night.seeing_share =
      advice::seeing_part(night.smallest_px, *ratio, rig.wavelength_um, *rig.pixel_um);
  night.notes.push_back("no run shows the noise: a measuring error of " +
                        format_fixed(100 * night.measuring_error, 0) +
                        " % and a seeing scatter of " +
                        format_fixed(100 * night.seeing_scatter, 0) +
                        " % from frame to frame are assumed; give a rough run for tonight's");
  return night;
}

Result<NightFacts> night_from_runs(std::span<const FitResult> runs, const Rig& rig,
                                   std::optional<double> exposure_s) {
  std::vector<double> sizes;
  std::vector<double> slopes;
  std::vector<advice::Deviation> deviations;
  double degrees = 0;
  NightFacts night;
  std::string why;
  for (const FitResult& run : runs) {
    const ModelFit* model = chosen_model(run);
    if (model != nullptr && !model->slope_px_per_step) {
      // The parabola has no arms; the hyperbola of the same points has.
      const auto other = std::find_if(run.models.begin(), run.models.end(), [](const ModelFit& m) {
        return m.best_focus_steps && m.slope_px_per_step;
      });
      model = other == run.models.end() ? nullptr : &*other;
    }
    if (model == nullptr || !run.best_focus_steps || !model->min_size_px) {
      if (why.empty() && !run.reasons.empty()) why = run.reasons.front();
      continue;
    }
    night.size = run.size_measure;
    sizes.push_back(*model->min_size_px);
    slopes.push_back(*model->slope_px_per_step);
    // The latest run knows best where focus is now.
    night.best_focus_steps = run.best_focus_steps;
    night.best_focus_sigma_steps = run.best_focus_sigma_steps;
    const auto more = advice::deviations_of(run, *model, advice::shape_of(night, rig));
    deviations.insert(deviations.end(), more.begin(), more.end());
    degrees += std::max(0.0, static_cast<double>(more.size()) - 3);
  }
  if (sizes.empty()) {
    return fail(ErrorCode::no_data,
                "no run shows a curve to plan by" + (why.empty() ? "" : " (" + why + ")"),
                "Leave the run out and give the rig's options alone, or take a wider run");
  }
  night.smallest_px = median(sizes);
  night.slope_px_per_step = median(slopes);
  const auto ratio = rig.focal_ratio();
  if (ratio && rig.pixel_um && night.size == SizeMeasure::hfr) {
    night.seeing_share =
        advice::seeing_part(night.smallest_px, *ratio, rig.wavelength_um, *rig.pixel_um);
  }
  for (advice::Deviation& d : deviations) d.seeing_share *= night.seeing_share;
  const advice::NoiseFacts noise = advice::noise_of(deviations, degrees);
  night.measuring_error = noise.measuring;
  night.seeing_scatter = noise.seeing;
  night.exposure_s = exposure_s.value_or(advice::kUsualExposure);
  night.noise_measured = true;
  if (!exposure_s) {
    night.notes.push_back("the run's exposure is not known: its noise is taken as that of " +
                          format_fixed(night.exposure_s, 0) + " s (--exposure-s)");
  }
  return night;
}

Rig rig_with_measured_step(const Rig& given, const NightFacts& night) {
  Rig rig = given;
  const auto ratio = rig.focal_ratio();
  if (rig.um_per_step || !ratio || !rig.pixel_um || night.size != SizeMeasure::hfr) return rig;
  rig.um_per_step = night.slope_px_per_step /
                    arm_slope_px_per_um(*ratio, rig.obstruction.value_or(0.0), *rig.pixel_um);
  return rig;
}

}  // namespace starwaist
