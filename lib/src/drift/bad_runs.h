// Stage: which single runs are bad.
//
// In: the rows of one line. Out: every likely set of good rows with its weight, and the rows that
// are bad more likely than not.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <vector>

namespace starwaist::drift {

// One answer to which rows are good; the weights of all answers sum to one.
struct GoodRows {
  std::vector<bool> good;
  double weight = 1;
};

struct OffLine {
  std::size_t row = 0;
  double steps = 0;  // off what the other runs say
  double usual = 0;  // what runs are usually off, one standard deviation
};

struct BadRuns {
  std::vector<GoodRows> good_rows;  // the likeliest first; one at least
  std::vector<OffLine> off_line;    // rows that are bad more likely than not
};

// A bad run is off by 4 to 64 times what a good one is, any of it as likely on a logarithmic scale.
// Some one in ten is bad: Beta(2, 18).
// The scatter of the good ones has a half-Cauchy prior as wide as their own sigmas (Gelman 2006,
// Bayesian Analysis 1, 515, from memory), none without sigmas.
// Sets are found by turning single rows over, the likeliest set first, and weighed by their
// likelihood with coefficients and scatter integrated out.
// A row near the line is not suspected.
// Beyond 250 rows, where hardly a row is in doubt, there is one set.
// `groups`: rows that share a level. Column 1 of `x` is the temperature; no column is zero
// throughout.
BadRuns find_bad_runs(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                      const Eigen::VectorXd& sigma_squared, const std::vector<int>& groups);

}  // namespace starwaist::drift
