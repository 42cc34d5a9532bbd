// The least error that anyone could reach.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <optional>
#include <vector>

#include "coverage/trial.h"

namespace starwaist::bench::coverage {

// What anyone could reach at most. The oracles know the true curve but for its position, seeing and
// slope (the rows of the Fisher limit) and the distribution of the bad points' offsets, and average
// over what they are not told by its exact posterior, in the linear model: for each set of bad
// points (and each seeing scatter) the good ones give a normal distribution of the parameters, over
// which the bad ones' density is summed by a fixed rule of draws. The posterior mean has the least
// possible mean square error.
class Oracle {
 public:
  Oracle(const Trial& trial, const Setting& setting) : t_(trial), s_(setting) {}

  // Errors of best focus, um. Told which points are bad:
  [[nodiscard]] double told_which_error() const;
  // Told how many are bad, and the noise:
  [[nodiscard]] double told_number_error() const;
  // Told the share of bad points and that the seeing scatters by 1 to 6 %, as a fit knows at most:
  [[nodiscard]] double learning_error() const;

 private:
  struct Sum {
    double weight = 0;
    double moment = 0;
  };
  struct Normal {
    Eigen::Vector3d mean;
    Eigen::Matrix3d root;  // of the covariance
    double log_density;    // of the good points, integrated over the parameters
  };

  // `sigma`: of each point.
  [[nodiscard]] std::optional<Normal> good_fit(const std::vector<std::size_t>& bad,
                                               const std::vector<double>& sigma) const;
  // Density of a bad point's deviation, in its sigma: a uniform offset plus the noise.
  [[nodiscard]] double bad_density(double d) const;
  // All sets of `fewest` to `most` bad points.
  void add_sets(std::vector<std::size_t>& set, std::size_t from, std::size_t fewest,
                std::size_t most, const std::vector<double>& sigma, Sum& sum) const;
  void add(const std::vector<std::size_t>& bad, const std::vector<double>& sigma, Sum& sum) const;
  static const std::vector<Eigen::Vector3d>& draws();

  const Trial& t_;
  const Setting& s_;
};

}  // namespace starwaist::bench::coverage
