// Which single runs are bad, and every account of it that the data leave open.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <vector>

namespace starwaist::drift {

// One account of which rows are good; the weights of all accounts sum to one.
struct Account {
  std::vector<bool> good;
  double weight = 1;
};

struct OffLine {
  std::size_t row = 0;
  double steps = 0;  // off what the other runs say
  double usual = 0;  // what runs are usually off, one standard deviation
};

struct BadRuns {
  std::vector<Account> accounts;  // the likeliest first; one at least
  std::vector<OffLine> off_line;  // rows that are bad more likely than not
};

// A bad run is off by 4 to 64 times what a good one is, any of it as likely on a logarithmic scale;
// some one in ten is bad (Beta(2, 18)); the scatter of the good ones has a half-Cauchy prior as
// wide as their own sigmas (Gelman 2006, Bayesian Analysis 1, 515, from memory), none without
// sigmas. Accounts are found by turning single rows over, the likeliest first, and weighed by their
// likelihood with coefficients and scatter integrated out; a run near the line is not suspected.
// Beyond some hundred rows, where
// hardly a row is in doubt, there is one account. `groups`: rows that share a level; column 1 of
// `x` is the temperature; no column nought throughout.
BadRuns find_bad_runs(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                      const Eigen::VectorXd& sigma_squared, const std::vector<int>& groups);

}  // namespace starwaist::drift
