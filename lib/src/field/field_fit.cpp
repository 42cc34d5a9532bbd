#include "field/field_fit.h"

#include <algorithm>
#include <cmath>

#include "numerics/robust.h"
#include "starwaist/statistics.h"

namespace starwaist::over_field {

namespace {

// Calls visit(first row, number of rows) for each star.
template <class Visitor>
void for_each_star(const StarsOfField& data, Visitor&& visit) {
  const auto star_of = [&](Eigen::Index k) { return data.rows[static_cast<std::size_t>(k)].star; };
  const auto n = static_cast<Eigen::Index>(data.rows.size());
  for (Eigen::Index begin = 0; begin < n;) {
    Eigen::Index end = begin + 1;
    while (end < n && star_of(end) == star_of(begin)) ++end;
    visit(begin, end - begin);
    begin = end;
  }
}

// The columns and one for each frame.
Eigen::MatrixXd design_of(const StarsOfField& data, const Eigen::MatrixXd& columns) {
  const auto frames = static_cast<Eigen::Index>(data.position_steps.size());
  Eigen::MatrixXd design(columns.rows(), columns.cols() + frames);
  design.leftCols(columns.cols()) = columns;
  design.rightCols(frames).setZero();
  for (Eigen::Index k = 0; k < columns.rows(); ++k) {
    const auto frame = data.rows[static_cast<std::size_t>(k)].frame;
    design(k, columns.cols() + static_cast<Eigen::Index>(frame)) = 1;
  }
  return design;
}

Eigen::VectorXd weights_of(const StarsOfField& data, const Eigen::VectorXd& residuals,
                           double scatter2) {
  Eigen::VectorXd weights(residuals.size());
  for (Eigen::Index k = 0; k < residuals.size(); ++k) {
    const double variance = data.rows[static_cast<std::size_t>(k)].variance + scatter2;
    weights(k) = numerics::huber_weight(residuals(k) / std::sqrt(variance)) / variance;
  }
  return weights;
}

void take_out_star_means(const StarsOfField& data, const Eigen::VectorXd& weights,
                         Eigen::MatrixXd& design, Eigen::VectorXd& value) {
  for_each_star(data, [&](Eigen::Index begin, Eigen::Index count) {
    const auto w = weights.segment(begin, count);
    const double sum = w.sum();
    const Eigen::RowVectorXd mean = w.transpose() * design.middleRows(begin, count) / sum;
    design.middleRows(begin, count).rowwise() -= mean;
    value.segment(begin, count).array() -= w.dot(value.segment(begin, count)) / sum;
  });
}

// The scatter that sizes show beyond their own errors.
double scatter_of(const StarsOfField& data, const Eigen::VectorXd& residuals) {
  std::vector<double> all(residuals.data(), residuals.data() + residuals.size());
  std::vector<double> variances;
  for (const StarInFrame& r : data.rows) variances.push_back(r.variance);
  return numerics::variance_beyond(robust_sigma(all), variances);
}

Eigen::MatrixXd star_covariance(const StarsOfField& data, const FieldSolution& s,
                                const Eigen::MatrixXd& centred, const Eigen::MatrixXd& inverse) {
  Eigen::MatrixXd meat = Eigen::MatrixXd::Zero(inverse.rows(), inverse.cols());
  for_each_star(data, [&](Eigen::Index begin, Eigen::Index count) {
    const Eigen::VectorXd score =
        centred.middleRows(begin, count).transpose() *
        s.weights.segment(begin, count).cwiseProduct(s.residuals.segment(begin, count));
    meat += score * score.transpose();
  });
  const auto n = static_cast<double>(data.stars);
  const double few = n / std::max(1.0, n - 2 * kShapes);
  Eigen::MatrixXd covariance = few * inverse * meat * inverse;
  // Never below what the sizes' own errors promise.
  Eigen::VectorXd factor(inverse.rows());
  for (Eigen::Index k = 0; k < inverse.rows(); ++k) {
    const double own = covariance(k, k);
    factor(k) = own > 0 ? std::sqrt(std::max(1.0, inverse(k, k) / own)) : 1.0;
  }
  return factor.asDiagonal() * covariance * factor.asDiagonal();
}

}  // namespace

FieldSolution fit_field(const StarsOfField& data, const FieldProblem& problem) {
  const Eigen::Index p = problem.columns.cols();
  const auto frames = static_cast<Eigen::Index>(data.position_steps.size());
  const Eigen::MatrixXd design = design_of(data, problem.columns);
  FieldSolution s;
  s.scatter2 = problem.scatter2;
  s.residuals = Eigen::VectorXd::Zero(problem.columns.rows());
  Eigen::MatrixXd inverse;
  Eigen::MatrixXd centred;
  constexpr int kRounds = 8;
  for (int round = 0; round < kRounds; ++round) {
    s.weights = weights_of(data, s.residuals, s.scatter2);
    centred = design;
    Eigen::VectorXd value = problem.target;
    take_out_star_means(data, s.weights, centred, value);
    Eigen::MatrixXd normal = centred.transpose() * s.weights.asDiagonal() * centred;
    const Eigen::VectorXd right = centred.transpose() * (s.weights.cwiseProduct(value));
    // A constant of all frames is one of all stars: held by a hair.
    const double hair = 1e-8 * normal.diagonal().tail(frames).mean();
    normal.diagonal().tail(frames).array() += hair;
    normal.diagonal().head(p) += problem.prior;
    const Eigen::LDLT<Eigen::MatrixXd> factor(normal);
    s.values = factor.solve(right);
    s.residuals = value - centred * s.values;
    inverse = factor.solve(Eigen::MatrixXd::Identity(p + frames, p + frames));
    if (round == 2 || round == 4) s.scatter2 = scatter_of(data, s.residuals);
  }
  s.covariance = star_covariance(data, s, centred, inverse).topLeftCorner(p, p);
  return s;
}

}  // namespace starwaist::over_field
