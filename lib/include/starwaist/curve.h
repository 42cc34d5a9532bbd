// From points (position, size) to best focus, its uncertainty and a verdict.
//
// Module: curve. Needs no pixels.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/interval.h"
#include "starwaist/rig.h"
#include "starwaist/seeing.h"
#include "starwaist/statement.h"
#include "starwaist/terms.h"

namespace starwaist {

// One point of a run. Given in the order taken; equal positions are repeats. `used` false on input
// means that the caller already rejects it and says why in `reason`; the fit may reject more.
struct CurvePoint {
  std::string file;  // frame's name, or "row 7" of a table
  double position_steps = 0;
  std::optional<double> size_px;   // absent: could not be measured; never used
  std::optional<double> sigma_px;  // standard error of the size; absent: unknown
  std::optional<int> stars;
  std::optional<double> temperature_c;
  bool used = true;
  std::optional<Statement> reason;  // why it is not used
};

template <>
struct Fields<CurvePoint> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(CurvePoint, file, "", "frame or table row"),
                      STARWAIST_FIELD(CurvePoint, position_steps, "steps", "focuser position"),
                      STARWAIST_FIELD(CurvePoint, size_px, "px", "star size"),
                      STARWAIST_FIELD(CurvePoint, sigma_px, "px", "its standard error"),
                      STARWAIST_FIELD(CurvePoint, stars, "", "stars it rests on"),
                      STARWAIST_FIELD(CurvePoint, temperature_c, "c", "temperature"),
                      STARWAIST_FIELD(CurvePoint, used, "", "whether the fit uses it"),
                      STARWAIST_FIELD(CurvePoint, reason, "", "why it is not used"));
};

// Decimals that show the steps between the positions of the points: 0 for whole steps, else as many
// as they carry, at most 4. A focuser that counts in millimetres has some.
int position_decimals(const std::vector<CurvePoint>& points);
static_assert(describes_every_field<CurvePoint>());

// hyperbola: H^2 = H0^2 + k^2 (x - x0)^2, variances add. parabola: a polynomial in the size, the
// fallback. blur: the half-flux radius of the pupil's blur convolved with the seeing (Gaussian or
// Kolmogorov), which is what a defocused star has; widths follow either. Hyperbola and blur are
// fitted with and without a lopsidedness (spherical aberration moves the arms against the core),
// each with its weight; `parameters` shows that of the heavier.
enum class CurveModel { hyperbola, parabola, blur };
std::string enum_name(CurveModel model);

// The rules of the verdict.
//
// unusable: fewer than kFewestPoints usable points, or at fewer than three positions; no minimum
//   located (the 95 % interval is open, or ends more than ten ranges away, and so is the 68 %
//   interval or it is not wholly inside the sampled range); best focus outside the range by more
//   than a quarter of it, or with a 95 % interval longer than it; or two sigmas either way that
//   span half of the range and more than the curve's own width.
//   One to three half-flux radii with a known rig are answered from the rig's slope: doubtful, or
//   unusable where two places are open (one ring does not show its side). With FitOptions::
//   known_arms what would be unusable is answered by what other runs of the telescope show, where
//   that bounds best focus: doubtful. So is a place outside the sampled range then.
// doubtful: any other rule below is broken. trusted: none is.
// The half width of the 95 % interval is held against half of the critical focus zone where the rig
// is known, and against the curve's own width B = smallest size / slope of the arms: within 0.3 B
// of best focus a star is at most 3 to 4 % larger than at best. B counts as at most half the range:
// what is nearly flat has no width to judge by.
struct VerdictRules {
  static constexpr int kFewestPoints = 4;            // a curve has three parameters
  static constexpr int kTrustedPoints = 5;           // two degrees of freedom to judge the noise by
  static constexpr int kTrustedPositions = 5;        // different ones, to judge the shape by
  static constexpr int kPointsPerSide = 2;           // of best focus
  static constexpr double kRiseOverNoise = 4;        // of the curve at both ends, over the scatter
  static constexpr double kRiseOverSmallest = 0.1;   // and over its smallest size
  static constexpr double kHalfWidthOverCore = 0.3;  // of the 95 % interval, over B
  static constexpr double kHalfWidthOverRange = 0.25;  // of two sigmas: nothing learnt
  static constexpr double kSlopeFactor = 1.5;  // measured arm slope against the rig's, either way
};

// The numbers of a fitted hyperbola or blur curve.
struct FocusCurve {
  // What the blur curve's shape rests on.
  struct Blur {
    double obstruction = 0;
    SeeingProfile seeing = SeeingProfile::kolmogorov;
  };
  double centre_steps = 0;
  double min_size_px = 0;
  double slope_px_per_step = 0;
  std::optional<double> lopsidedness;  // absent: even
  std::optional<Blur> blur;            // absent: a hyperbola
};

// The numbers of a fitted parabola in x = position - reference.
struct ParabolaCurve {
  double reference_steps = 0;
  double constant_px = 0;
  double linear_px_per_step = 0;
  double quadratic_px_per_step2 = 0;
};

// Neither: the model was not fitted.
using CurveParameters = std::variant<std::monostate, FocusCurve, ParabolaCurve>;

// As the encoder writes them: named with their units.
std::vector<std::pair<std::string, double>> named_values(const CurveParameters& parameters);

// One model's fit. best_focus and its interval are absent where the data locate no minimum; an end
// of the 95 % interval may be absent where one sigma alone is bounded (then never trusted).
struct ModelFit {
  CurveModel model = CurveModel::hyperbola;
  std::optional<double> best_focus_steps;
  std::optional<double> best_focus_sigma_steps;
  Interval interval_68_steps;
  Interval interval_95_steps;
  std::optional<double> min_size_px;
  std::optional<double> slope_px_per_step;  // of the arms far out; parabola: absent
  std::optional<double> r_squared;
  std::optional<double> reduced_chi_squared;  // absent where no point has a sigma
  std::optional<double> aicc;                 // absent where n is too small for it
  std::optional<double> weight;  // share of the model in the weighted answer, sums to 1
  CurveParameters parameters;
};

template <>
struct Fields<ModelFit> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(ModelFit, model, "", "hyperbola, parabola or blur"),
      STARWAIST_FIELD(ModelFit, best_focus_steps, "steps", "position of the minimum"),
      STARWAIST_FIELD(ModelFit, best_focus_sigma_steps, "steps", "half of the 68 % interval"),
      STARWAIST_FIELD(ModelFit, interval_68_steps, "steps", "68 % interval"),
      STARWAIST_FIELD(ModelFit, interval_95_steps, "steps", "95 % interval"),
      STARWAIST_FIELD(ModelFit, min_size_px, "px", "size at the minimum"),
      STARWAIST_FIELD(ModelFit, slope_px_per_step, "px/step", "slope of the arms"),
      STARWAIST_FIELD(ModelFit, r_squared, "", "share of the variance explained"),
      STARWAIST_FIELD(ModelFit, reduced_chi_squared, "", "misfit against the points' own sigmas"),
      STARWAIST_FIELD(ModelFit, aicc, "", "corrected Akaike criterion"),
      STARWAIST_FIELD(ModelFit, weight, "", "weight in the answer"),
      STARWAIST_FIELD(ModelFit, parameters, "", "the model's own parameters"));
};
static_assert(describes_every_field<ModelFit>());

// What several runs of one telescope say of the next one: the slope of the arms, c(e) / (2 N p)
// px per step, belongs to the telescope and not to the night (on four small telescopes it is
// constant to 4 to 6 %), the size in focus to the site's seeing (14 to 19 %).
struct KnownArms {
  SizeMeasure size = SizeMeasure::hfr;
  double slope_px_per_step = 0;
  double slope_relative_sigma = 0;  // of one run more; at least 3 %
  double min_size_px = 0;
  double min_size_relative_spread = 0;  // between runs; at least 10 %
  // Of the sizes about their curve in a usual run, over the curve: far out, and what the seeing
  // adds in focus (it fades with distance, see lib/src/curve/curve_shape.h).
  double scatter_far_out = 0;
  double scatter_of_seeing = 0;
  int runs = 0;  // that this rests on
};

// What one run says for it.
struct ArmsOfRun {
  SizeMeasure size = SizeMeasure::hfr;
  double slope_px_per_step = 0;
  double min_size_px = 0;
  struct Deviation {
    double share_of_seeing;  // of the point: 1 in focus, 0 far out
    double relative;         // of the size from the curve; as many as the points are, so that a
                             // standard deviation of them is that of the noise
  };
  std::vector<Deviation> deviations;
};

struct FitOptions {
  std::optional<CurveModel> model;  // only this one is used for the answer; all are still listed
  SizeMeasure size = SizeMeasure::hfr;
  // Standard error of best focus that all points share, so that their scatter does not show it
  // (which of the field's stars were measured, focus_error_of_stars). Intervals are widened by it.
  std::optional<double> shared_sigma_steps{};
  // Used only where the run by itself is unusable, and where they are of `size`.
  std::optional<KnownArms> known_arms{};
};

// The answer of `fit` without its schema and skipped files.
struct FitResult {
  std::vector<CurvePoint> points;
  SizeMeasure size_measure = SizeMeasure::hfr;
  std::vector<ModelFit> models;
  std::optional<CurveModel> chosen;
  std::optional<double> best_focus_steps;
  std::optional<double> best_focus_sigma_steps;
  Interval interval_68_steps;
  Interval interval_95_steps;
  std::optional<double> critical_focus_zone_steps;
  std::optional<double> probability_in_zone;
  std::optional<Direction> approach;  // absent where positions go both ways
  Verdict verdict = Verdict::unusable;
  std::vector<Statement> reasons;  // why it is not trusted, in plain words with numbers
  std::vector<Statement> notes;    // what is worth knowing all the same
};

template <>
struct Fields<FitResult> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(FitResult, points, "", "the points, in the order taken"),
      STARWAIST_FIELD(FitResult, size_measure, "", "hfr or fwhm"),
      STARWAIST_FIELD(FitResult, models, "", "each model's fit"),
      STARWAIST_FIELD(FitResult, chosen, "", "heaviest model"),
      STARWAIST_FIELD(FitResult, best_focus_steps, "steps", "best focus"),
      STARWAIST_FIELD(FitResult, best_focus_sigma_steps, "steps", "half of the 68 % interval"),
      STARWAIST_FIELD(FitResult, interval_68_steps, "steps", "68 % interval"),
      STARWAIST_FIELD(FitResult, interval_95_steps, "steps", "95 % interval"),
      STARWAIST_FIELD(FitResult, critical_focus_zone_steps, "steps",
                      "full width of the quarter-wave zone"),
      STARWAIST_FIELD(FitResult, probability_in_zone, "",
                      "that true best focus lies within half the zone of the answer"),
      STARWAIST_FIELD(FitResult, approach, "", "direction of the sweep"),
      STARWAIST_FIELD(FitResult, verdict, "", "trusted, doubtful or unusable"),
      STARWAIST_FIELD(FitResult, reasons, "", "why it is not trusted"),
      STARWAIST_FIELD(FitResult, notes, "", "remarks"));
};
static_assert(describes_every_field<FitResult>());

// Fits all models and gives the weighted answer. Never fails for lack of data: the verdict says it
// (`unusable` with the reason). Errors: invalid_argument for a position or size that is not finite
// or a size that is not positive.
Result<FitResult> fit_curve(std::span<const CurvePoint> points, const Rig& rig,
                            const FitOptions& options = {});

// Of a trusted run, by the blur curve; absent for others, and where that model was not fitted.
std::optional<ArmsOfRun> arms_of(const FitResult& fit);

// By medians. Absent for fewer than eight runs, for runs of different measures, and where the
// slopes are not those of one telescope: their robust spread is above 0.15 in ln slope, or more
// than a tenth of them lie farther than twice that from their median.
std::optional<KnownArms> learn_arms(std::span<const ArmsOfRun> runs);

// The model that the answer names, or null.
const ModelFit* chosen_model(const FitResult& result);

// The fitted size at a position; absent where the model was not fitted.
std::optional<double> curve_size_px(const ModelFit& fit, double position_steps);

}  // namespace starwaist
