// What the runs say of the line's coefficients and of the run-to-run scatter tau.
#pragma once

#include <Eigen/Dense>
#include <vector>

#include "numerics/linear_fit.h"
#include "starwaist/interval.h"

namespace starwaist::drift {

// A quantity linear in the coefficients.
struct Contrast {
  Eigen::VectorXd weights;
  bool of_one_run = false;  // tau^2 is added, and what is not known of the tube's temperature
};

class LinePosterior {
 public:
  // One scatter tau; given that, the coefficients are normal.
  struct Component {
    double weight;
    double tau_squared;
    double temperature_variance;
    Eigen::VectorXd coefficients;
    Eigen::MatrixXd covariance;
  };

  // The prior is flat in the coefficients. That of tau is 1 / sqrt(tau^2 + s^2), s a run's usual
  // own sigma: flat below s, Jeffreys' above.
  // Without sigmas every interval is Student's with n - p degrees of freedom.
  // Beyond 300 degrees of freedom tau is one value and the posterior normal.
  // `temperature_variance`: of a future run's tube temperature; column 1 is the temperature.
  // Coarse is good to some 1 %: for weights, and for a small part of a mixture.
  // Precondition: more rows than columns. Not usable where the columns lack rank.
  enum class Fineness { fine, coarse };
  LinePosterior(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                const Eigen::VectorXd& sigma_squared, double temperature_variance,
                Fineness fineness = Fineness::fine);

  // A mixture of posteriors of the same coefficients. Precondition: one of them is usable.
  LinePosterior(std::vector<LinePosterior> parts, const std::vector<double>& weights);

  [[nodiscard]] bool usable() const { return !components_.empty(); }
  [[nodiscard]] const std::vector<Component>& components() const { return components_; }
  // Logarithm of the likelihood with coefficients and tau integrated out, up to a constant that
  // sets of rows with the same columns share; only where tau is integrated (up to 300 degrees of
  // freedom).
  [[nodiscard]] double log_evidence() const { return log_evidence_; }
  [[nodiscard]] const Eigen::VectorXd& coefficients() const { return mean_; }
  [[nodiscard]] double tau() const { return tau_; }  // median
  [[nodiscard]] double mean(const Contrast& contrast) const;
  [[nodiscard]] double quantile(const Contrast& contrast, double probability) const;
  [[nodiscard]] Interval interval(const Contrast& contrast, double probability) const;
  // Half of the 68.27 % interval.
  [[nodiscard]] double sigma(const Contrast& contrast) const;
  // That the quantity lies within `half_width` of its mean.
  [[nodiscard]] double probability_within(const Contrast& contrast, double half_width) const;

 private:
  struct Normal {
    double weight;
    double mean;
    double sigma;
  };
  void add(double tau_squared, double weight, double temperature_variance,
           const numerics::LinearFit& fit);
  void summarise();
  [[nodiscard]] std::vector<Normal> mixture(const Contrast& contrast) const;

  std::vector<Component> components_;
  Eigen::VectorXd mean_;
  double tau_ = 0;
  double log_evidence_ = 0;
};

}  // namespace starwaist::drift
