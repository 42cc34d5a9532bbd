// The evidence of one account of a run: a curve through its points at the places where the account
// puts them, integrated over curve, noise and seeing.
//
// Private header of module diagnosis.
#pragma once

#include <cmath>
#include <cstddef>
#include <optional>
#include <utility>
#include <vector>

#include "curve/priors.h"
#include "curve/shape_fit.h"
#include "diagnosis/focus_samples.h"
#include "diagnosis/run_view.h"

namespace starwaist::diagnosis {

using curve::Samples;
using curve::ShapeFit;

inline constexpr double kNone = -1e300;  // ln of no evidence

// ln of the chance that none of n points is bad.
double log_all_good(std::size_t n);

// One account's evidence and its fit.
struct Weighed {
  double log_evidence = kNone;
  double best_t = 0;
  double squares = 0;       // over the noise as assumed, middle seeing scatter
  std::size_t scatter = 1;  // of curve::kSeeingScattersOfRivals: the likeliest one
  ShapeFit fit;             // not usable: the account has no curve
};

class Weigher {
 public:
  explicit Weigher(const RunView& run);

  [[nodiscard]] std::size_t count() const { return samples_.count(); }
  [[nodiscard]] const std::vector<std::size_t>& which() const { return which_; }
  [[nodiscard]] const std::vector<double>& commanded() const { return commanded_; }
  [[nodiscard]] const Samples& samples() const { return samples_; }

  // Places in scaled units, by sample; `bad`: points that are none of the curve's. `near`: a fit of
  // nearly the same places, where the search starts.
  Weighed weigh(const std::vector<double>& places, const std::vector<std::size_t>& bad = {},
                const ShapeFit* near = nullptr);
  // The same with one scatter of the seeing, which is then taken as certain; the weights are those
  // that `near` gives. For a look at many places, and for their order.
  Weighed weigh_roughly(const std::vector<double>& places, const ShapeFit& near,
                        const std::vector<std::size_t>& bad = {}, std::size_t scatter = 1);
  // One size for all points: every place the same.
  Weighed weigh_flat(double* size, double* scatter);
  // Probabilities of best focus below t = low and above t = high, from the profile. `healthy`: the
  // fit of the places as commanded.
  std::pair<double, double> outside(double low, double high, const ShapeFit& healthy);

 private:
  // ln of the density that the rig gives the fitted slope, over that of a rig of which nothing is
  // known; the slope's own error widens both.
  [[nodiscard]] double of_rig(const ShapeFit& fit) const;
  void curve_weights(const std::vector<std::size_t>& bad, const ShapeFit* fit,
                     double seeing_scatter);
  // With the weights and places of the samples; absent where the points carry no curve.
  std::optional<double> log_evidence_of(const ShapeFit& fit,
                                        const std::vector<std::size_t>& bad) const;

  std::vector<std::size_t> which_;
  Samples samples_;
  std::vector<double> commanded_;
  std::vector<double> measuring_;  // relative
  curve::ShapeFitter fitter_;
  double prior_degrees_;
  std::optional<double> log_rig_slope_;  // in scaled units
  double rig_slope_sigma_ = 0;           // beside what kRigSlopeErrorsOfRivals allow
};

}  // namespace starwaist::diagnosis
