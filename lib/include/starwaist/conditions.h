// Tonight's focus curve and noise: what plans and the next sample rest on.
//
// Module: advice.
//
// Everything rests on one prediction: the standard deviation of best focus from points at given
// positions. It is that of the information in the points (Fisher) on the curve that a defocused
// star has, best focus, size in focus and slope all free. A point's relative variance is
//   m^2 + (j f d ln H / d ln s)^2
// with m the error of measuring, j the scatter of the seeing s from frame to frame, f the share of
// the smallest size that is the seeing's, and d ln H / d ln s = 1 / (1 + u^2) for a sum of
// variances, u = (x - x0) / B, B = smallest size / slope of the arms: seeing is felt near focus and
// fades in the rings. What a run errs by is more than that bound:
// - one frame hands its seeing on to the next (exp(-t / memory)), which the fit's weights do not
//   know, so that in a sweep a change of the seeing looks like a shift of focus;
// - fit_curve weighs other accounts too: 1.15 + 0.0095 n times the error of these weights at n
//   points, measured on curves by wave optics (bench/plan_bench);
// - real curves are a little lopsided (see curve/priors.h), which adds to the variance.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/error.h"
#include "starwaist/rig.h"
#include "starwaist/statement.h"

namespace starwaist {

// The focus curve and the noise.
struct ObservingConditions {
  SizeMeasure size = SizeMeasure::hfr;
  double smallest_px = 0;        // size in best focus; from optics by a sum of squares of half-flux
                                 // radii (approximate)
  double slope_px_per_step = 0;  // of the arms
  double measuring_error = 0.01;  // of a size, relative, one frame of `exposure_s`
  double seeing_scatter = 0.03;   // of the seeing's width from frame to frame, relative
  double seeing_memory_s = 20;    // time in which the seeing of a frame is forgotten to 1 / e
  double seeing_share = 1;        // d ln size / d ln seeing in focus: below 1 where pixel and
                                  // diffraction make part of the size
  double exposure_s = 3;          // to which measuring_error belongs
  bool noise_measured = false;    // by a run; else usual values
  std::optional<double> best_focus_steps;        // where a run showed it
  std::optional<double> best_focus_sigma_steps;  // of that
  std::vector<Statement> notes;                  // what was assumed, in plain words

  // B: the curve's own width in steps.
  [[nodiscard]] double core_steps() const { return smallest_px / slope_px_per_step; }
};

// From the rig alone. `slope_px_per_step`: a measured slope of the arms, which then gives the um
// per step. A seeing or focal length that nobody said is assumed, and said so.
// Errors: invalid_argument where the f-ratio, or both of um per step and slope, are unknown.
Result<ObservingConditions> conditions_from_optics(
    const Rig& rig, std::optional<double> slope_px_per_step = std::nullopt);

// From one or more runs taken tonight: curve and scatter as the runs show them, the scatter and how
// long the seeing stays weighed with what is usual (3 % of seeing, a factor of two either way) as
// far as the points leave it open. `exposure_s` of the frames where known.
// Errors: no_data where no run gives a curve with a minimum and arms.
Result<ObservingConditions> conditions_from_runs(std::span<const FitResult> runs, const Rig& rig,
                                                 std::optional<double> exposure_s = std::nullopt);

// The rig with the um per step that the measured slope implies, where it was not known and f-ratio
// and pixel are (slope = c / (2 N p) times um per step).
Rig rig_with_measured_step(const Rig& rig, const ObservingConditions& conditions);

// Predicted standard deviation of best focus (steps) for one frame at each position, in this order
// with the usual time between them, best focus at `best_focus_steps`; absent where the positions
// determine no curve. `fit_cost` false: the bound alone.
std::optional<double> predicted_sigma_steps(const ObservingConditions& conditions, const Rig& rig,
                                            std::span<const double> positions_steps,
                                            double best_focus_steps, bool fit_cost = true);

}  // namespace starwaist
