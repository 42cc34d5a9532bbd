#include "night/seeing.h"

#include <cmath>

namespace starwaist::night {

Whitener::Whitener(std::span<const double> time_s, std::span<const double> variance,
                   const Seeing& seeing) {
  const double stationary = seeing.scatter * seeing.scatter;
  double known = stationary;  // variance of the process before the frame is seen
  for (std::size_t i = 0; i < time_s.size(); ++i) {
    const double decay =
        i == 0 ? 0.0 : std::exp(-std::max(time_s[i] - time_s[i - 1], 0.0) / seeing.memory_s);
    if (i > 0) known = decay * decay * known + stationary * (1 - decay * decay);
    const double total = known + variance[i] + seeing.jitter * seeing.jitter;
    const double gain = known / total;
    decay_.push_back(decay);
    gain_.push_back(gain);
    scale_.push_back(1 / std::sqrt(total));
    log_determinant_ += std::log(total);
    known *= 1 - gain;
  }
}

Eigen::VectorXd Whitener::apply(const Eigen::VectorXd& column) const {
  Eigen::VectorXd white(column.size());
  double state = 0;
  for (Eigen::Index i = 0; i < column.size(); ++i) {
    const auto k = static_cast<std::size_t>(i);
    state *= decay_[k];
    const double surprise = column[i] - state;
    white[i] = surprise * scale_[k];
    state += gain_[k] * surprise;
  }
  return white;
}

Eigen::MatrixXd Whitener::apply(const Eigen::MatrixXd& columns) const {
  Eigen::MatrixXd white(columns.rows(), columns.cols());
  for (Eigen::Index c = 0; c < columns.cols(); ++c) {
    white.col(c) = apply(Eigen::VectorXd(columns.col(c)));
  }
  return white;
}

std::vector<Seeing> seeing_grid() {
  std::vector<Seeing> grid;
  for (const double memory_min : {3.0, 10.0, 30.0, 90.0, 250.0}) {
    for (const double scatter : {0.006, 0.025, 0.05, 0.09, 0.15, 0.25}) {
      for (const double jitter : {0.005, 0.02, 0.05}) {
        grid.push_back({scatter, memory_min * 60, jitter});
      }
    }
  }
  return grid;
}

}  // namespace starwaist::night
