#include "starwaist/conditions.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "advice/check_conditions.h"
#include "advice/information.h"
#include "advice/run_noise.h"
#include "advice/sweep_error.h"
#include "curve/priors.h"
#include "optics/kolmogorov.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace advice {
namespace {

constexpr double kUsualExposure = 3;
constexpr double kUsualSizePx = 2;   // in focus, where the focal length is unknown
constexpr double kUsualPixelUm = 4;  // where nobody said it

// Half-flux radius of the diffraction pattern of a clear circular pupil, in lambda N (root of the
// enclosed flux 1 - J0^2 - J1^2 = 1/2), and of one pixel's square, in pixels.
constexpr double kAiryHalfFlux = 0.534832;
constexpr double kPixelHalfFlux = 0.398942;

// Half-flux radius over full width at half maximum is 0.5 for a Gaussian, which
// seeing_half_flux_radius_px takes.
constexpr double kKolmogorovOverGaussian = optics::kKolmogorovHfrOverFwhm / 0.5;

struct Optics {
  double focal_ratio;
  double wavelength_um;
  double pixel_um;

  [[nodiscard]] double diffraction_px() const {
    return kAiryHalfFlux * wavelength_um * focal_ratio / pixel_um;
  }
};

// Size in focus from seeing, diffraction and pixel, by a sum of squares of half-flux radii
// (approximate). `seeing_px`: half-flux radius of the seeing alone.
double focused_size_px(double seeing_px, const Optics& optics) {
  const double diffraction = optics.diffraction_px();
  return std::sqrt(seeing_px * seeing_px + diffraction * diffraction +
                   kPixelHalfFlux * kPixelHalfFlux);
}

// What part of the size in focus is the seeing's: d ln H / d ln s for a sum of squares.
double seeing_part(double smallest_px, const Optics& optics) {
  const double rest = std::pow(optics.diffraction_px(), 2) + kPixelHalfFlux * kPixelHalfFlux;
  return std::clamp(1 - rest / (smallest_px * smallest_px), 0.1, 1.0);
}

// Seeing and size in focus by a rig whose f-ratio and pixel are known.
void add_focused_size(Rig rig, const Optics& optics, ObservingConditions& conditions) {
  if (!rig.focal_length_mm && rig.aperture_mm) {
    rig.focal_length_mm = optics.focal_ratio * *rig.aperture_mm;
  }
  if (!rig.seeing_arcsec) {
    rig.seeing_arcsec = curve::kUsualSeeingArcsec;
    if (rig.focal_length_mm) {
      conditions.notes.push_back(
          {codes::seeing_assumed,
           "the seeing is not known: " + format_fixed(curve::kUsualSeeingArcsec, 0) +
               " arcsec is assumed (--seeing-arcsec)"});
    }
  }
  if (const auto seeing = seeing_half_flux_radius_px(rig)) {
    conditions.smallest_px = focused_size_px(kKolmogorovOverGaussian * *seeing, optics);
  } else {
    conditions.smallest_px = kUsualSizePx;
    conditions.notes.push_back(
        {codes::size_in_focus_assumed,
         "the focal length is not known: a half-flux radius of " + format_fixed(kUsualSizePx, 0) +
             " px in focus is assumed (--focal-length-mm with --seeing-arcsec, or a rough run)"});
  }
  conditions.seeing_share = seeing_part(conditions.smallest_px, optics);
}

// A run's model that has a smallest size and arms; null where none has.
const ModelFit* model_with_arms(const FitResult& run) {
  const ModelFit* model = chosen_model(run);
  if (model != nullptr && !model->slope_px_per_step) {
    // The parabola has no arms; the hyperbola of the same points has.
    const auto other = std::find_if(run.models.begin(), run.models.end(), [](const ModelFit& m) {
      return m.best_focus_steps && m.slope_px_per_step;
    });
    model = other == run.models.end() ? nullptr : &*other;
  }
  return model != nullptr && run.best_focus_steps && model->min_size_px ? model : nullptr;
}

// Seconds from one frame of a run to the next beside its exposure: download, move, settling.
constexpr double kUsualPause = 5;

std::vector<RunResidual> residuals_of(const FitResult& run, const ModelFit& model,
                                      const curve::Shape& shape, double exposure_s) {
  std::vector<RunResidual> residuals;
  const double core = *model.min_size_px / *model.slope_px_per_step;
  double time_s = 0;
  for (const CurvePoint& p : run.points) {
    time_s += exposure_s + kUsualPause;
    const auto size = curve_size_px(model, p.position_steps);
    if (!p.used || !p.size_px || !size) continue;
    RunResidual r;
    r.relative = *p.size_px / *size - 1;
    r.time_s = time_s;
    if (p.sigma_px && *p.sigma_px > 0) r.own_sigma = *p.sigma_px / *size;
    r.row = size_row(shape, (p.position_steps - *run.best_focus_steps) / core);
    residuals.push_back(r);
  }
  return residuals;
}

// Relative error of the um per step that the runs' slope gives: by the noise of their points, and
// by what no run shows, how constant a rig's slope is and the obstruction where nobody said it.
double step_error(std::span<const FitResult> runs, const Rig& rig,
                  const ObservingConditions& conditions) {
  const curve::Shape shape = shape_of(conditions.size, rig);
  const PointNoise noise = noise_of_frame(conditions);
  double weight = 0;
  for (const FitResult& run : runs) {
    if (model_with_arms(run) == nullptr) continue;
    Information information;
    for (const CurvePoint& p : run.points) {
      if (!p.used) continue;
      information.add(shape, (p.position_steps - *run.best_focus_steps) / conditions.core_steps(),
                      noise);
    }
    if (const auto sigma = information.log_slope_sigma()) weight += 1 / (*sigma * *sigma);
  }
  // Points that do not determine the slope leave it as free as it is at first.
  const double by_points = weight > 0 ? 1 / std::sqrt(weight) : curve::kCurveSpread.log_slope;
  const double unsaid = rig.obstruction ? 0 : curve::kUnknownObstructionSlopeError;
  return std::hypot(by_points, curve::kLeastSlopeSpread, unsaid);
}

// Where the slope gives the um per step that nobody said.
std::optional<Statement> learnt_step(std::span<const FitResult> runs, const Rig& rig,
                                     const ObservingConditions& conditions) {
  const Rig complete = rig_with_measured_step(rig, conditions);
  if (rig.um_per_step || !complete.um_per_step) return std::nullopt;
  const double step = *complete.um_per_step;
  const double error = step * step_error(runs, rig, conditions);
  return Statement{codes::um_per_step_learnt,
                   "one step moves the focus by " + format_like_sigma(step, error) + " ± " +
                       format_like_sigma(error, error) +
                       " um, by the slope of the run's arms (--um-per-step)"};
}

bool positive(double value) { return std::isfinite(value) && value > 0; }

}  // namespace

Result<void> check_conditions(const ObservingConditions& conditions) {
  if (positive(conditions.smallest_px) && positive(conditions.slope_px_per_step) &&
      positive(conditions.measuring_error) && positive(conditions.exposure_s) &&
      std::isfinite(conditions.seeing_scatter) && conditions.seeing_scatter >= 0 &&
      std::isfinite(conditions.seeing_memory_s) && conditions.seeing_memory_s >= 0 &&
      conditions.seeing_share > 0 && conditions.seeing_share <= 1 &&
      positive(conditions.core_steps())) {
    return {};
  }
  return fail(ErrorCode::invalid_argument,
              "the conditions need a size, a slope, noise and an exposure above 0",
              "Take them from conditions_from_optics or conditions_from_runs");
}

}  // namespace advice

Result<ObservingConditions> conditions_from_optics(const Rig& given,
                                                   std::optional<double> slope_px_per_step) {
  const auto valid = checked(given);
  if (!valid) return tl::unexpected<Error>(valid.error());
  Rig rig = *valid;
  const auto ratio = rig.focal_ratio();
  if (!ratio) {
    return fail(ErrorCode::invalid_argument, "the f-number is unknown",
                "Give --f-number, or --focal-length-mm and --aperture-mm, or a rough run");
  }
  if (slope_px_per_step && !advice::positive(*slope_px_per_step)) {
    return fail(ErrorCode::invalid_argument, "the slope is not above 0",
                "Give the slope of the arms in px of half-flux radius per step");
  }
  ObservingConditions conditions;
  if (!rig.pixel_um) {
    rig.pixel_um = advice::kUsualPixelUm;
    conditions.notes.push_back(
        {codes::pixel_assumed, "the pixel is not known: " + format_fixed(*rig.pixel_um, 0) +
                                   " um is assumed (--pixel-um)"});
  }
  if (!slope_px_per_step && !rig.um_per_step) {
    return fail(ErrorCode::invalid_argument, "the focuser's travel for one step is unknown",
                "Give --um-per-step, --slope-px-per-step, or a rough run");
  }
  conditions.slope_px_per_step =
      slope_px_per_step
          ? *slope_px_per_step
          : arm_slope_px_per_um(*ratio, rig.obstruction.value_or(curve::kObstructionOfRigSlope),
                                *rig.pixel_um) *
                *rig.um_per_step;
  advice::add_focused_size(rig, {*ratio, rig.wavelength_um, *rig.pixel_um}, conditions);
  conditions.measuring_error = curve::kUsualMeasuringErrorOfFrame;
  conditions.seeing_scatter = curve::kUsualSeeingScatter;
  conditions.seeing_memory_s = curve::kUsualSeeingMemory;
  conditions.notes.push_back(
      {codes::noise_assumed,
       "no run shows the noise: a measuring error of " +
           format_fixed(100 * conditions.measuring_error, 0) + " % and a seeing scatter of " +
           format_fixed(100 * conditions.seeing_scatter, 0) +
           " % from frame to frame are assumed; give a rough run for tonight's"});
  return conditions;
}

Result<ObservingConditions> conditions_from_runs(std::span<const FitResult> runs, const Rig& rig,
                                                 std::optional<double> exposure_s) {
  std::vector<double> sizes;
  std::vector<double> slopes;
  std::vector<std::vector<advice::RunResidual>> residuals;
  ObservingConditions conditions;
  conditions.exposure_s = exposure_s.value_or(advice::kUsualExposure);
  std::string why;
  for (const FitResult& run : runs) {
    const ModelFit* model = advice::model_with_arms(run);
    if (model == nullptr) {
      if (why.empty() && !run.reasons.empty()) why = run.reasons.front().text;
      continue;
    }
    conditions.size = run.size_measure;
    sizes.push_back(*model->min_size_px);
    slopes.push_back(*model->slope_px_per_step);
    // The latest run knows best where focus is now.
    conditions.best_focus_steps = run.best_focus_steps;
    conditions.best_focus_sigma_steps = run.best_focus_sigma_steps;
    residuals.push_back(advice::residuals_of(run, *model, advice::shape_of(conditions.size, rig),
                                             conditions.exposure_s));
  }
  if (sizes.empty()) {
    return fail(ErrorCode::no_data,
                "no run shows a curve to plan by" + (why.empty() ? "" : " (" + why + ")"),
                "Leave the run out and give the rig's options alone, or take a wider run");
  }
  conditions.smallest_px = median(sizes);
  conditions.slope_px_per_step = median(slopes);
  const auto ratio = rig.focal_ratio();
  if (ratio && rig.pixel_um && conditions.size == SizeMeasure::hfr) {
    conditions.seeing_share =
        advice::seeing_part(conditions.smallest_px, {*ratio, rig.wavelength_um, *rig.pixel_um});
  }
  const advice::RunNoise noise = advice::run_noise(residuals, conditions.seeing_share);
  conditions.measuring_error = noise.measuring;
  conditions.seeing_scatter = noise.seeing;
  conditions.seeing_memory_s = noise.memory_s;
  conditions.noise_measured = true;
  if (!exposure_s) {
    conditions.notes.push_back({codes::exposure_assumed,
                                "the run's exposure is not known: its noise is taken as that of " +
                                    format_fixed(conditions.exposure_s, 0) + " s (--exposure-s)"});
  }
  if (auto learnt = advice::learnt_step(runs, rig, conditions)) {
    conditions.notes.push_back(*std::move(learnt));
  }
  return conditions;
}

Rig rig_with_measured_step(const Rig& given, const ObservingConditions& conditions) {
  Rig rig = given;
  const auto ratio = rig.focal_ratio();
  if (rig.um_per_step || !ratio || !rig.pixel_um || conditions.size != SizeMeasure::hfr) return rig;
  rig.um_per_step =
      conditions.slope_px_per_step /
      arm_slope_px_per_um(*ratio, rig.obstruction.value_or(curve::kObstructionOfRigSlope),
                          *rig.pixel_um);
  return rig;
}

std::optional<double> predicted_sigma_steps(const ObservingConditions& conditions, const Rig& rig,
                                            std::span<const double> positions_steps,
                                            double best_focus_steps, bool fit_cost) {
  if (!advice::check_conditions(conditions)) return std::nullopt;
  const curve::Shape shape = advice::shape_of(conditions.size, rig);
  const advice::PointNoise noise = advice::noise_of_frame(conditions);
  const double core = conditions.core_steps();
  advice::Information information;
  std::vector<advice::TimedFrame> frames;
  for (const double position : positions_steps) {
    const double u = (position - best_focus_steps) / core;
    information.add(shape, u, noise);
    const auto taken = static_cast<double>(frames.size());
    frames.push_back({u, taken * (conditions.exposure_s + advice::kUsualPause)});
  }
  const auto bound = information.sigma();
  if (!bound) return std::nullopt;
  if (!fit_cost) return *bound * core;
  const auto variance = advice::sweep_variance(shape, frames, {noise, conditions.seeing_memory_s});
  return variance ? std::optional(std::sqrt(*variance) * core) : std::nullopt;
}

}  // namespace starwaist
