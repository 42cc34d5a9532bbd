// The scatter from run to run beyond the runs' own errors.
#pragma once

#include <Eigen/Dense>

namespace starwaist::drift {

// The tau^2 >= 0 for which chi-squared at variances sigma^2 + tau^2 equals the degrees of freedom
// (Paule & Mandel 1982, J. Res. NBS 87, 377, from memory); 0 where it is below them already.
// Precondition: more rows than columns.
double run_scatter_squared(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                           const Eigen::VectorXd& sigma_squared);

// The variances of a fit: sigma^2 + tau^2, never quite zero.
Eigen::VectorXd variances(const Eigen::VectorXd& sigma_squared, double tau_squared);

}  // namespace starwaist::drift
