// A linear fit to the sizes of the stars of a field: columns of the caller's, a constant of each
// star and one of each frame.
//
// Private header of module field.
#pragma once

#include <Eigen/Dense>

#include "field/stars_of_field.h"

namespace starwaist::over_field {

struct FieldProblem {
  Eigen::MatrixXd columns;  // one row a star in a frame, in the order of StarsOfField::rows
  Eigen::VectorXd target;
  Eigen::VectorXd prior;  // 1 / variance of a column about zero, 0 for none
  double scatter2 = 0;    // variance of a size beyond its own error, as known so far
};

struct FieldSolution {
  Eigen::VectorXd values;      // of the columns, then of the frames
  Eigen::MatrixXd covariance;  // of the columns, from the scatter of whole stars
  Eigen::VectorXd residuals;
  Eigen::VectorXd weights;
  double scatter2 = 0;
};

// Huber's weights in rounds; the stars' constants are taken out, the frames' are fitted. The
// covariance is the sandwich over stars, never below what the sizes' own errors promise.
FieldSolution fit_field(const StarsOfField& data, const FieldProblem& problem);

}  // namespace starwaist::over_field
