// Weighted linear least squares: the one solver of this module.
#pragma once

#include <Eigen/Dense>

namespace starwaist::drift {

struct LinearFit {
  Eigen::VectorXd coefficients;
  Eigen::MatrixXd covariance;  // (X^T V^-1 X)^-1
  Eigen::VectorXd residuals;   // y - X b
  double chi_squared = 0;      // sum of residual^2 / variance
  double log_det_information = 0;
  bool usable = false;  // full rank, finite
};

// Minimises sum (y - X b)^2 / variance by Householder's factorisation of the columns scaled to
// length one. Precondition: variances positive, as many rows as y.
LinearFit fit_linear(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                     const Eigen::VectorXd& variance);

// The tau^2 >= 0 for which chi-squared at variances sigma^2 + tau^2 equals the degrees of freedom
// (Paule & Mandel 1982, J. Res. NBS 87, 377, from memory); 0 where it is below them already.
// Precondition: more rows than columns.
double run_scatter_squared(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                           const Eigen::VectorXd& sigma_squared);

// The variances of a fit: sigma^2 + tau^2, never quite zero.
Eigen::VectorXd variances(const Eigen::VectorXd& sigma_squared, double tau_squared);

}  // namespace starwaist::drift
