// How the points' errors are spread over the curve.
//
// Two sources: what the size was measured with (the point's own sigma) and the seeing, which
// changes from frame to frame. The seeing moves a point by d ln H = share * d ln s with share = d
// ln H / d ln s (1 in focus, 1 / (1 + u^2) on a hyperbola): strong near focus, weak in the rings.
// So sigma_i^2 = m_i^2 + (j H_i share_i)^2, j the relative scatter of the seeing. j is not known; a
// few values are weighed by their restricted likelihood and the variances averaged. Their common
// factor stays free in every fit, so that the intervals do not rest on these numbers.
#pragma once

#include <span>
#include <vector>

#include "curve/samples.h"
#include "curve/shape_fit.h"

namespace starwaist::curve {

struct NoiseModel {
  std::vector<double> sigma;  // of each point, scaled units
  double factor = 1;          // by which the residuals exceed what the candidates assume
};

// The ways in which the errors may be spread that are tried: measuring errors beside a relative
// scatter of the seeing.
struct NoiseCandidates {
  std::size_t points = 0;
  std::vector<double> log_prior;  // of each
  std::vector<double> variance;   // of each point, bad ones included, candidate after candidate

  [[nodiscard]] std::size_t count() const { return log_prior.size(); }
  // Of one candidate, scaled units.
  [[nodiscard]] std::span<const double> variances(std::size_t candidate) const {
    return {variance.data() + candidate * points, points};
  }
};

// `sizes`: of the curve at each point; `by_seeing`: their change for a relative change of the
// seeing.
NoiseCandidates noise_candidates(const Samples& samples, std::span<const double> sizes,
                                 std::span<const double> by_seeing);

// `curve` is a first fit. Points of weight 0 have no say (they are bad) and get a sigma like the
// others; the other weights are not used.
NoiseModel estimate_noise(ShapeFitter& fitter, const Samples& samples, const ShapeFit& curve);

// Equal relative errors, for the first fit.
void weigh_relative(Samples& samples);
void apply_noise(const NoiseModel& noise, Samples& samples);

}  // namespace starwaist::curve
