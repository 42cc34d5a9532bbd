#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <array>
#include <cmath>
#include <random>
#include <vector>

#include "numerics/line.h"
#include "numerics/linear_fit.h"
#include "numerics/normal_equations.h"
#include "numerics/small_cholesky.h"
#include "support/nist_tables.h"

namespace starwaist::numerics {
namespace {

using testing_support::matching_digits;
using testing_support::nist_path;
using testing_support::NistTable;
using testing_support::read_nist;

Eigen::MatrixXd powers(const std::vector<double>& x, Eigen::Index count) {
  Eigen::MatrixXd columns(static_cast<Eigen::Index>(x.size()), count);
  for (Eigen::Index i = 0; i < columns.rows(); ++i) {
    for (Eigen::Index j = 0; j < count; ++j) {
      columns(i, j) = std::pow(x[static_cast<std::size_t>(i)], static_cast<double>(j));
    }
  }
  return columns;
}

Eigen::VectorXd vector_of(const std::vector<double>& values) {
  return Eigen::Map<const Eigen::VectorXd>(values.data(), static_cast<Eigen::Index>(values.size()));
}

// ---- a line ----

TEST(WeightedLine, GivesTheExactLineAndTheErrorsOfItsWeights) {
  // y = 2 + 3 x at x = -1, 0, 1, 2 with sigma 0.5: Sxx = 5 about the mean 0.5.
  const auto line = weighted_line(std::array{-1.0, 0.0, 1.0, 2.0}, std::array{-1.0, 2.0, 5.0, 8.0},
                                  std::array{4.0, 4.0, 4.0, 4.0});
  ASSERT_TRUE(line);
  EXPECT_NEAR(line->intercept, 2, 1e-12);
  EXPECT_NEAR(line->slope, 3, 1e-12);
  EXPECT_NEAR(line->slope_sigma, 0.5 / std::sqrt(5.0), 1e-12);
  EXPECT_NEAR(line->intercept_sigma, 0.5 * std::sqrt(1.0 / 4 + 0.25 / 5), 1e-12);
}

TEST(WeightedLine, IgnoresAPointWithoutWeight) {
  const auto line = weighted_line(std::array{0.0, 1.0, 2.0}, std::array{0.0, 100.0, 2.0},
                                  std::array{1.0, 0.0, 1.0});
  ASSERT_TRUE(line);
  EXPECT_NEAR(line->slope, 1, 1e-12);
}

TEST(WeightedLine, IsAbsentWhereAllPointsAreAtOnePlace) {
  EXPECT_FALSE(weighted_line(std::array{2.0, 2.0}, std::array{1.0, 3.0}, std::array{1.0, 1.0}));
}

TEST(WeightedLine, GivesTheCertifiedLineOfNorris) {
  const NistTable table = read_nist("Norris");
  if (table.x.empty()) GTEST_SKIP() << nist_path("Norris") << " is absent: install gretl-data";
  // x of order one, as the header asks.
  std::vector<double> x = table.x;
  for (double& v : x) v /= 1000;
  const auto line = weighted_line(x, table.y, std::vector<double>(x.size(), 1.0));
  ASSERT_TRUE(line);
  EXPECT_GE(matching_digits(line->slope / 1000, 1.00211681802045), 12);
  EXPECT_GE(matching_digits(line->intercept, -0.262323073774029), 9);
}

// ---- orthogonal factorisation ----

TEST(FitLinear, GivesTheCertifiedLineOfNorris) {
  const NistTable table = read_nist("Norris");
  if (table.x.empty()) GTEST_SKIP() << nist_path("Norris") << " is absent: install gretl-data";
  const Eigen::VectorXd y = vector_of(table.y);
  const LinearFit fit = fit_linear(powers(table.x, 2), y, Eigen::VectorXd::Ones(y.size()));
  ASSERT_TRUE(fit.usable);
  EXPECT_GE(matching_digits(fit.coefficients[0], -0.262323073774029), 11);
  EXPECT_GE(matching_digits(fit.coefficients[1], 1.00211681802045), 13);
  const double variance = fit.chi_squared / 34;
  EXPECT_GE(matching_digits(std::sqrt(variance), 0.884796396144373), 12);
  EXPECT_GE(matching_digits(std::sqrt(variance * fit.covariance(0, 0)), 0.232818234301152), 12);
  EXPECT_GE(matching_digits(std::sqrt(variance * fit.covariance(1, 1)), 0.429796848199937e-3), 12);
}

// Columns from 1 to 1e13, which only the scaling keeps in rank.
TEST(FitLinear, GivesTheCertifiedParabolaOfPontius) {
  const NistTable table = read_nist("Pontius");
  if (table.x.empty()) GTEST_SKIP() << nist_path("Pontius") << " is absent: install gretl-data";
  const Eigen::VectorXd y = vector_of(table.y);
  const LinearFit fit = fit_linear(powers(table.x, 3), y, Eigen::VectorXd::Ones(y.size()));
  ASSERT_TRUE(fit.usable);
  EXPECT_GE(matching_digits(fit.coefficients[0], 0.673565789473684e-3), 10);
  EXPECT_GE(matching_digits(fit.coefficients[1], 0.732059160401003e-6), 12);
  EXPECT_GE(matching_digits(fit.coefficients[2], -0.316081871345029e-14), 11);
  const double variance = fit.chi_squared / 37;
  EXPECT_GE(matching_digits(std::sqrt(variance), 0.205177424076185e-3), 10);
  EXPECT_GE(matching_digits(std::sqrt(variance * fit.covariance(2, 2)), 0.486652849992036e-16), 10);
}

TEST(FitLinear, WeighsByTheVariances) {
  // A mean: weights 1 and 4.
  const Eigen::MatrixXd ones = Eigen::MatrixXd::Ones(2, 1);
  const LinearFit fit = fit_linear(ones, Eigen::Vector2d(0, 10), Eigen::Vector2d(4, 1));
  ASSERT_TRUE(fit.usable);
  EXPECT_NEAR(fit.coefficients[0], 8, 1e-12);
  EXPECT_NEAR(fit.covariance(0, 0), 1 / 1.25, 1e-12);
  EXPECT_NEAR(fit.log_det_information, std::log(1.25), 1e-12);
  EXPECT_NEAR(fit.chi_squared, 8 * 8 / 4.0 + 2 * 2, 1e-12);
}

TEST(FitLinear, RefusesWhatHasNotFullRank) {
  Eigen::MatrixXd twice(4, 2);
  twice << 1, 2, 1, 2, 1, 2, 1, 2;
  const Eigen::VectorXd y = Eigen::VectorXd::Ones(4);
  EXPECT_FALSE(fit_linear(twice, y, y).usable);
  EXPECT_FALSE(fit_linear(Eigen::MatrixXd::Zero(4, 1), y, y).usable);
  EXPECT_FALSE(fit_linear(Eigen::MatrixXd::Ones(1, 2), y.head(1), y.head(1)).usable);
  EXPECT_FALSE(fit_linear(Eigen::MatrixXd(4, 0), y, y).usable);
}

TEST(ScaledQr, AgreesWithTheInverseOfTheInformation) {
  std::mt19937_64 random(3);
  std::normal_distribution<double> normal;
  ScaledQr<3>::Columns columns(20, 3);
  for (Eigen::Index i = 0; i < columns.rows(); ++i) {
    columns.row(i) << normal(random), 1e6 * normal(random), 1e-6 * normal(random);
  }
  const Eigen::Matrix3d information = columns.transpose() * columns;
  const ScaledQr<3> qr(columns, 1e-12);
  ASSERT_TRUE(qr.usable());
  const Eigen::Matrix3d unity = qr.unscaled_covariance() * information;
  const Eigen::Vector3d unit(1, 1e6, 1e-6);
  // Rows and columns in their units, so that every element is of order one.
  const Eigen::Matrix3d scaled = unit.asDiagonal() * unity * unit.cwiseInverse().asDiagonal();
  EXPECT_LT((scaled - Eigen::Matrix3d::Identity()).cwiseAbs().maxCoeff(), 1e-12);
  EXPECT_NEAR(qr.log_det_information(), std::log(information.determinant()), 1e-9);
}

// ---- normal equations and their small factor ----

TEST(NormalEquations, GiveTheExactPlane) {
  NormalEquations<3> equations;
  for (const auto& [x, y] : {std::pair{0.0, 0.0}, {1.0, 0.0}, {0.0, 1.0}, {2.0, 3.0}}) {
    equations.add({1, x, y}, 4 - 2 * x + 0.5 * y, 1 + x);
  }
  equations.add({1, 5, 5}, 1e6, 0);  // weighs nothing
  EXPECT_LT((equations.solve() - Eigen::Vector3d(4, -2, 0.5)).norm(), 1e-12);
}

TEST(SmallCholesky, SolvesInvertsAndGivesTheDeterminant) {
  Eigen::Matrix3d a;
  a << 4, 2, 0.5, 2, 5, 1, 0.5, 1, 3;
  const SmallCholesky<3> factor(a);
  EXPECT_NEAR(factor.determinant(), a.determinant(), 1e-12);
  EXPECT_LT((factor.inverse() * a - Eigen::Matrix3d::Identity()).norm(), 1e-12);
  const Eigen::Vector3d b(1, -2, 3);
  EXPECT_LT((a * factor.backward(factor.forward(b)) - b).norm(), 1e-12);
  EXPECT_GT(factor.least_pivot(), 0.5);
}

TEST(SmallCholesky, ReportsWhatIsNotPositiveDefinite) {
  Eigen::Matrix2d a;
  a << 1, 2, 2, 1;
  EXPECT_EQ(SmallCholesky<2>(a).least_pivot(), 0);
  a << 1, std::nan(""), std::nan(""), 1;
  EXPECT_EQ(SmallCholesky<2>(a).least_pivot(), 0);
}

}  // namespace
}  // namespace starwaist::numerics
