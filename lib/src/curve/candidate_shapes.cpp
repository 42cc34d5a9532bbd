#include "curve/candidate_shapes.h"

#include <algorithm>

#include "curve/priors.h"

namespace starwaist::curve {
namespace {

// A hyperbola beside the blur curve, which half-flux radii have: it serves sizes that were measured
// in another way, as those of a table without sigmas may have been. Where it fits worse its misfit
// would count as noise and widen the interval. Widths (FWHM) may follow either: of 3357 real sweeps
// of widths 96 % are nearer to the blur curve.
double hyperbola_odds(SizeMeasure measure, bool own_sigmas) {
  if (measure == SizeMeasure::fwhm) return 1;
  return own_sigmas ? 0.25 : 0.5;
}
}  // namespace

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

FittedShape& best_of(std::vector<FittedShape>& shapes) {
  return *std::min_element(
      shapes.begin(), shapes.end(), [](const FittedShape& a, const FittedShape& b) {
        return a.fit.usable && (!b.fit.usable || a.fit.sum_of_squares < b.fit.sum_of_squares);
      });
}

}  // namespace starwaist::curve
