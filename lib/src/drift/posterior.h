// What the data say of the coefficients and of the run-to-run scatter tau, tau integrated over.
#pragma once

#include <Eigen/Dense>
#include <vector>

#include "starwaist/interval.h"

namespace starwaist::drift {

// A quantity linear in the coefficients.
struct Contrast {
  Eigen::VectorXd weights;
  bool of_one_run = false;  // tau^2 is added, and what is not known of the tube's temperature
};

class Posterior {
 public:
  // One scatter tau; given that, the coefficients are normal.
  struct Component {
    double weight;
    double tau_squared;
    double temperature_variance;
    Eigen::VectorXd coefficients;
    Eigen::MatrixXd covariance;
  };

  // Flat in the coefficients; tau has the prior 1 / sqrt(tau^2 + s^2), s a run's usual own sigma:
  // flat below s, Jeffreys' above. Without sigmas every interval is Student's with n - p degrees of
  // freedom, exactly; with many runs it is one normal distribution. `temperature_variance`: of a
  // future run's tube temperature; column 1 is the temperature. Coarse is good for weights and for
  // a small part of a mixture, some 1 %.
  // Precondition: more rows than columns. Not usable where the columns lack rank.
  enum class Fineness { fine, coarse };
  Posterior(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
            const Eigen::VectorXd& sigma_squared, double temperature_variance,
            Fineness fineness = Fineness::fine);

  // A mixture of some of the same coefficients, in shares as the weights. At least one is usable.
  Posterior(std::vector<Posterior> parts, const std::vector<double>& weights);

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
  void summarise();
  [[nodiscard]] std::vector<Normal> mixture(const Contrast& contrast) const;

  std::vector<Component> components_;
  Eigen::VectorXd mean_;
  double tau_ = 0;
  double log_evidence_ = 0;
};

}  // namespace starwaist::drift
