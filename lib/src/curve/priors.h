// What is usual, before a run is seen: the one home of these numbers for the fit, the diagnosis and
// the advice.
//
// Each constant has its unit, its reason and its source. Where one user needs another value, it
// stands beside the first one as an override, with the reason.
#pragma once

#include <array>
#include <cmath>

namespace starwaist::curve {

// A value that is tried, and ln of its probability before the run is seen, up to a constant.
struct TriedValue {
  double value;
  double log_prior;
};

// --- Measuring noise: the standard error of one size, over the size ---

// Of a size whose sigma nobody gave. In a fit only its ratio to the seeing's scatter matters.
// Common practice, no source.
inline constexpr double kUsualMeasuringError = 0.015;
// Of a size in one of the frames that the causes look at: those were measured here, and a sigma is
// absent only where the stars were plenty. Common practice, no source.
inline constexpr double kUsualMeasuringErrorOfFrame = 0.01;
// An error below this part of the size is a rounding, not an error of a measured star.
inline constexpr double kLeastMeasuringError = 1e-3;
// Everything together, before the noise of a run is known. It gives the parameters' priors about
// their right weight in the first fit. Common
// practice, no source.
inline constexpr double kFirstRelativeError = 0.04;

// --- What no shape is better than: the curve's own misfit, over the size ---

// Where rivals of a healthy run are weighed by their misfit. No source; held against
// bench/diagnosis_bench.
inline constexpr double kShapeErrorOfRivals = 0.006;
// Where a slope of other runs is held: their curve's misfit comes on top of this run's, so more.
// No source.
inline constexpr double kShapeErrorByArms = 0.01;
// Where a rig's slope is held: one to three points show neither seeing nor the rings' shape, so
// both are counted here. Common practice, no source.
inline constexpr double kErrorByRig = 0.03;

// --- Seeing: its scatter from frame to frame, over its width ---

// The seeing's width scatters by 1 to 6 % from frame to frame (common practice, no source;
// exposures of some seconds). This is the middle, in the logarithm, and a factor of two is one
// standard deviation.
inline constexpr double kUsualSeeingScatter = 0.03;
inline constexpr double kUsualNoiseFactor = 2;
// Those that the fit tries beside the points' own sigmas: 6 % is seldom.
inline constexpr std::array<TriedValue, 4> kSeeingScatters{
    {{0.0, 0}, {0.015, 0}, {0.03, 0}, {0.06, -2}}};
// Override where no point has a sigma: only the ratio to the unknown measuring error is tried, so
// every ratio is as likely, and larger ones occur.
inline constexpr std::array<TriedValue, 5> kSeeingScattersWithoutSigmas{
    {{0.0, 0}, {0.015, 0}, {0.03, 0}, {0.06, 0}, {0.12, 0}}};
// Override of the rivals, each as likely: hundreds of accounts are weighed with each, so only
// three, and none without seeing, beside which every account would fit badly.
inline constexpr std::array kSeeingScattersOfRivals{0.01, 0.025, 0.05};
// Override of plan and slack, which ask for the scatter itself and not for a weight of the points:
// finer and wider, weighed about kUsualSeeingScatter.
inline constexpr std::array kSeeingScattersOfAdvice{0.004, 0.0075, 0.015, 0.03, 0.06, 0.12};
// Override of the test for motion, which asks for one number at the upper end: what it calls motion
// must exceed the seeing.
inline constexpr double kSeeingScatterOfMotion = 0.04;

// Time in which the seeing of a frame is forgotten to 1 / e, in s: frames of a run, some 8 s apart,
// follow each other's seeing from hardly to over the whole of it. Each of these is as likely
// (common practice, no source), and the middle counts where no run shows it.
inline constexpr std::array kSeeingMemories{4.0, 12.0, 36.0, 100.0};
inline constexpr double kUsualSeeingMemory = 20;

// Scatter of this run over that of the telescope's other runs, and how likely: nothing but few
// points says what it is. No source.
struct ScatterLevel {
  double factor;
  double share;
};
inline constexpr std::array<ScatterLevel, 3> kScatterLevels{{{1, 0.6}, {2, 0.3}, {4, 0.1}}};

// --- Seeing: its width ---

// Full width at half maximum in arcseconds that a plan counts on where nobody gave one: the upper
// end of 2 to 3 at low sites, so that a sweep is not too short (common practice, no source).
inline constexpr double kUsualSeeingArcsec = 3;
// Override of the cause "bad seeing", which asks what a usual night is and not the worst of them.
inline constexpr double kTypicalSeeingArcsec = 2.6;
// Relative spread of the size in focus between runs of one telescope, and its heavy tails: now and
// then the seeing is twice the usual. Measured on four small telescopes (14 to 19 %); at least
// this.
inline constexpr double kLeastSizeSpread = 0.1;
inline constexpr double kSizeDegrees = 4;  // of Student's t in ln size
// Of the next run's size about the one that a plan knows, which may be of another night.
inline constexpr double kSizeSpreadOfAdvice = 0.25;

// --- How far the usual noise is believed, in degrees of freedom of a residual's variance ---

// In weighing scatters and models: a run of five points must not decide by two residuals alone.
inline constexpr double kPriorDegrees = 2;
// In weighing the rivals, whose points bring sigmas: large residuals are not taken for a noisy
// night where another account explains them. Without sigmas as above.
inline constexpr double kPriorDegreesOfRivals = 6;
inline constexpr double kPriorDegreesOfRivalsWithoutSigmas = 2;
// Residuals far below the points' own sigmas are luck: the variance is not taken below this part of
// theirs (with two degrees of freedom one run in ten is that lucky).
inline constexpr double kLuckiestVariance = 0.1;

// --- Bad points ---

// A bad point is larger than the curve by an exponential excess, or, seldom, smaller, evenly down
// to a part of it. The density must end somewhere: even for any excess it let a curve that is far
// too small call three points "larger" for nothing (two of eleven points 12 to 40 sigma off, either
// way, cost some 1.5 times the error of clean runs, and 1.3 to 1.4 with an end).
struct BadPointPrior {
  double share;          // probability of a point to be bad
  double larger;         // part of the bad points
  double mean_excess;    // of a larger one's size over the curve's, less 1
  double deepest_share;  // a smaller one is at most so much below the curve, over the curve

  // Of the size of a bad point where the curve has the size `curve`.
  [[nodiscard]] double density(double size, double curve) const {
    const double excess = size / curve - 1;
    if (excess < 0) return (1 - larger) / deepest_share / curve;
    return larger / mean_excess / curve * std::exp(-excess / mean_excess);
  }
  [[nodiscard]] double log_density(double size, double curve) const {
    const double excess = size / curve - 1;
    if (excess < 0) return std::log((1 - larger) / deepest_share / curve);
    return std::log(larger / mean_excess / curve) - excess / mean_excess;
  }
};
// Points with sigmas of their own: a trailed or clouded star. One in ten is bad; large residuals
// are not taken for a noisy night. Set by bench/coverage_bench and 3428 real sweeps
// (bench/real_sweeps.py).
inline constexpr BadPointPrior kBadPoint{
    .share = 0.1, .larger = 0.95, .mean_excess = 0.6, .deepest_share = 0.5};
// Override for points without sigmas. A table may hold sizes that follow no such curve (widths of
// rings): bad points are looked for with less zeal. What is bad there (a frame that nobody looked
// at) is so by more. Set by the same.
inline constexpr BadPointPrior kBadPointWithoutSigmas{
    .share = 0.015, .larger = 0.95, .mean_excess = 3, .deepest_share = 0.5};
// Override where the slope of other runs is held: a run that needs it is more often a spoiled one,
// and by more. No source.
inline constexpr BadPointPrior kBadPointByArms{
    .share = 0.1, .larger = 0.96, .mean_excess = 2, .deepest_share = 1};
// Override of the rivals: the accounts are weighed against each other on runs that failed, where
// bad points are only one cause of several (two or three runs in a hundred; bench/diagnosis_bench).
// Even densities over the curve's size, larger up to about twice, hardly any smaller.
struct EvenBadPointPrior {
  double share;
  double density_larger;  // times the curve's size
  double density_smaller;
};
inline constexpr EvenBadPointPrior kBadPointOfRivals{
    .share = 0.02, .density_larger = 0.75, .density_smaller = 0.15};
// Override of the slack search, which fits thousands of hypotheses and cannot weigh sets of points:
// a robust loss, and points that many robust standard deviations off are left out (common practice:
// Student's t of four degrees, 3.5 sigmas).
inline constexpr double kStudentDegreesOfSlack = 4;
inline constexpr double kOutlierOfSlack = 3.5;

// --- The usual noise as degrees of freedom, beside bad points ---

// So that three points that happen to lie on one curve do not make all the others bad.
inline constexpr double kNoiseDegrees = 20;
// Without sigmas the table's own scatter counts.
inline constexpr double kNoiseDegreesWithoutSigmas = 1;

// --- Lopsidedness: how far the arms lie beside the core, see shape_fit.h ---

// Its standard deviation where the curve has one. Curves by wave optics (f/2 to f/8, obstruction 0
// and 0.35, W040 of half a wave and a whole one, which is an eighth and a quarter of a wave peak to
// valley when balanced) have from 0.00 to 0.08, root mean square 0.033 (own computation; see
// bench/coverage_bench).
inline constexpr double kLopsided = 0.045;
// Its mean square over runs with a notable one and runs without is what a plan counts with.
// Share of the runs with a notable one. More widens the intervals of all runs, and a run hardly
// shows which it has: curves by wave optics with 0 and with 1 wave of W040 are covered by 98.5 and
// 89 % in the quietest runs (by 99 and 89 % without sigmas, whose noise reveals still less).
inline constexpr double kLopsidedShare = 0.35;
inline constexpr double kLopsidedShareWithoutSigmas = 0.23;
// Override where the slope of other runs is held: so few points show nothing of it.
inline constexpr double kLopsidedShareByArms = 0.45;

// --- The curve's parameters, before any point ---

// Best focus lies within about a half range of the sweep's centre, size and slope within a factor
// of a few of the median size (and of it over the half range). Standard deviations of t0, ln H0, ln
// k. Without this a hypothesis that throws away the points that fix best focus would gain from
// knowing nothing.
struct CurveSpread {
  double centre;
  double log_size;
  double log_slope;
};
inline constexpr CurveSpread kCurveSpread{.centre = 1.0, .log_size = 1.0, .log_slope = 1.5};

// --- The slope of the arms by the optics, relative ---

// A step's length and the obstruction are seldom known better. Common practice, no source.
inline constexpr double kRigSlopeError = 0.1;
// Override of the next sample, whose slope is mostly one that was measured before.
inline constexpr double kRigSlopeErrorOfAdvice = 0.08;
// Override of the rivals, which ask whether the slope itself is wrong: what is typed in is mostly
// right to some per cent, sometimes to a tenth, and sometimes wrong altogether (binning, somebody
// else's um per step). Slopes of real curves come out 1 to 3 % below the geometric one.
struct RigSlopeError {
  double share;
  double sigma;  // of the logarithm
};
inline constexpr std::array<RigSlopeError, 3> kRigSlopeErrorsOfRivals{
    {{0.5, 0.025}, {0.3, 0.1}, {0.2, 0.7}}};
inline constexpr double kRigSlopeBias = -0.015;
// No two nights have the same slope to less (temperature, zenith distance, the curve's shape).
// Measured on four small telescopes: constant to 4 to 6 %.
inline constexpr double kLeastSlopeSpread = 0.03;

// --- Obstruction of the pupil: its diameter over the aperture's ---

// Of a rig of which nobody said it: between a refractor's and a compound's (common practice, no
// source).
inline constexpr double kUsualObstruction = 0.3;
// What not knowing it adds to ln of the slope: 0 to 0.45 changes that by -9 to 8 %, the curve's
// shape (which is then that of the usual one) counted in.
inline constexpr double kUnknownObstructionSlopeError = 0.07;
// Override for a ring with a shadow: a telescope that shows one is a compound (common practice, no
// source).
inline constexpr double kUsualObstructionOfShadow = 0.33;
// Override where the slope is the rig's: the optics count an unsaid obstruction as none, and the
// shape must go with its slope.
inline constexpr double kObstructionOfRigSlope = 0;

}  // namespace starwaist::curve
