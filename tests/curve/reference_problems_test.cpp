// The solvers against the certified values of NIST's Statistical Reference Datasets: linear ones as
// the package gretl-data installs them, non-linear ones from the folder of real data.
#include <ceres/jet.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <fstream>
#include <limits>
#include <sstream>
#include <string>
#include <vector>

#include "curve/least_squares.h"
#include "curve/parabola.h"
#include "support/needed.h"

namespace starwaist::curve {
namespace {

double matching_digits(double value, double certified) {
  const double error = std::abs(value - certified) / std::abs(certified);
  return error > 0 ? -std::log10(error) : 15.0;
}

struct Data {
  std::vector<double> x;
  std::vector<double> y;
};

// Two numbers a line after the last line that begins with "Data:".
Data read_data(const std::string& path) {
  std::ifstream file(path);
  Data data;
  std::string line;
  while (std::getline(file, line)) {
    if (line.rfind("Data:", 0) == 0) {
      data = {};
      continue;
    }
    std::istringstream words(line);
    double y = 0;
    double x = 0;
    if (words >> y >> x) {
      data.y.push_back(y);
      data.x.push_back(x);
    }
  }
  return data;
}

// ---- straight line and parabola ----

struct Certified {
  double value;
  double sigma;
};

template <int kCoefficients>
void check_polynomial(const std::string& name, std::size_t count,
                      const std::vector<Certified>& certified, double residual_sigma) {
  const std::string path = "/usr/share/gretl/data/nist/" + name + ".dat";
  const Data data = read_data(path);
  STARWAIST_NEEDS(!data.x.empty(), path << " is absent: install the package gretl-data");
  ASSERT_EQ(data.x.size(), count);
  // As fit_curve scales its points, but centred on 0, so that the powers keep their meaning.
  Samples s;
  double reach = 0;
  for (const double x : data.x) reach = std::max(reach, std::abs(x));
  for (const double x : data.x) s.t.push_back(x / reach);
  s.y = data.y;
  s.weight.assign(count, 1.0);
  const auto fit = fit_polynomial<kCoefficients>(s);
  ASSERT_TRUE(fit.usable);
  const double variance = fit.sum_of_squares / static_cast<double>(count - kCoefficients);
  EXPECT_GE(matching_digits(std::sqrt(variance), residual_sigma), 6);
  for (int j = 0; j < kCoefficients; ++j) {
    const double unit = std::pow(reach, j);
    const Certified& c = certified[static_cast<std::size_t>(j)];
    EXPECT_GE(matching_digits(fit.parameters[j] / unit, c.value), 8) << name << " B" << j;
    EXPECT_GE(matching_digits(std::sqrt(variance * fit.unscaled_covariance(j, j)) / unit, c.sigma),
              6)
        << name << " sigma of B" << j;
  }
}

TEST(FitPolynomial, GivesTheCertifiedParabolaOfPontius) {
  check_polynomial<3>("Pontius", 40,
                      {{0.673565789473684e-3, 0.107938612033077e-3},
                       {0.732059160401003e-6, 0.157817399981659e-9},
                       {-0.316081871345029e-14, 0.486652849992036e-16}},
                      0.205177424076185e-3);
}

TEST(FitPolynomial, GivesTheCertifiedLineOfNorris) {
  check_polynomial<2>(
      "Norris", 36,
      {{-0.262323073774029, 0.232818234301152}, {1.00211681802045, 0.429796848199937e-3}},
      0.884796396144373);
}

// ---- non-linear problems ----

// Residuals with derivatives by automatic differentiation.
template <class Model>
class ModelResiduals {
 public:
  static constexpr int kParameters = Model::kParameters;
  explicit ModelResiduals(const Data& data) : data_(data) {}
  [[nodiscard]] int count() const { return static_cast<int>(data_.x.size()); }
  void evaluate(const double* p, double* residuals, double* jacobian) const {
    using Jet = ceres::Jet<double, kParameters>;
    std::vector<Jet> b;
    for (int j = 0; j < kParameters; ++j) b.emplace_back(p[j], j);
    const std::size_t n = data_.x.size();
    for (std::size_t i = 0; i < n; ++i) {
      const Jet value = Model::at(b, data_.x[i]);
      residuals[i] = value.a - data_.y[i];
      if (jacobian == nullptr) continue;
      for (int j = 0; j < kParameters; ++j) {
        jacobian[static_cast<std::size_t>(j) * n + i] = value.v[j];
      }
    }
  }

 private:
  const Data& data_;
};

struct Misra1a {
  static constexpr int kParameters = 2;
  template <class T>
  static T at(const std::vector<T>& b, double x) {
    return b[0] * (1.0 - exp(-b[1] * x));
  }
};
struct Rat43 {
  static constexpr int kParameters = 4;
  template <class T>
  static T at(const std::vector<T>& b, double x) {
    return b[0] * exp(-log(1.0 + exp(b[1] - b[2] * x)) / b[3]);
  }
};
struct Mgh09 {
  static constexpr int kParameters = 4;
  template <class T>
  static T at(const std::vector<T>& b, double x) {
    return b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]);
  }
};
struct Thurber {
  static constexpr int kParameters = 7;
  template <class T>
  static T at(const std::vector<T>& b, double x) {
    return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1.0 + x * (b[4] + x * (b[5] + x * b[6])));
  }
};

// Rows "b1 = start1 start2 certified sigma".
template <class Model>
void check_model(const std::string& name) {
  const std::string path = std::string(STARWAIST_REAL_DATA_DIR) + "/nist/" + name + ".dat";
  const Data data = read_data(path);
  STARWAIST_NEEDS(!data.x.empty(), path << " is absent (real data are not in the repository)");
  std::ifstream file(path);
  std::vector<std::array<double, 4>> rows;
  std::string line;
  while (std::getline(file, line)) {
    std::istringstream words(line);
    std::string b;
    std::string equals;
    std::array<double, 4> row{};
    if (words >> b >> equals >> row[0] >> row[1] >> row[2] >> row[3] && equals == "=") {
      rows.push_back(row);
    }
  }
  constexpr int kParameters = Model::kParameters;
  ASSERT_EQ(rows.size(), static_cast<std::size_t>(kParameters));
  for (const std::size_t which : {0U, 1U}) {
    Eigen::Matrix<double, kParameters, 1> start;
    for (int j = 0; j < kParameters; ++j) start[j] = rows[static_cast<std::size_t>(j)][which];
    LeastSquares<ModelResiduals<Model>> solver;
    const auto fit =
        solver.solve(ModelResiduals<Model>(data), start, start.cwiseAbs(),
                     {.max_iterations = 2000, .step_tolerance = 1e-13, .initial_trust_radius = 10});
    ASSERT_TRUE(fit.usable) << name << " start " << which + 1;
    const double variance = fit.sum_of_squares / static_cast<double>(data.x.size() - rows.size());
    for (int j = 0; j < kParameters; ++j) {
      const auto& row = rows[static_cast<std::size_t>(j)];
      EXPECT_GE(matching_digits(fit.parameters[j], row[2]), 6)
          << name << " start " << which + 1 << " b" << j + 1;
      EXPECT_GE(matching_digits(std::sqrt(variance * fit.unscaled_covariance(j, j)), row[3]), 5)
          << name << " start " << which + 1 << " sigma of b" << j + 1;
    }
  }
}

TEST(LeastSquares, SolvesMisra1aFromBothStarts) { check_model<Misra1a>("Misra1a"); }
TEST(LeastSquares, SolvesRat43FromBothStarts) { check_model<Rat43>("Rat43"); }
TEST(LeastSquares, SolvesMgh09FromBothStarts) { check_model<Mgh09>("MGH09"); }
TEST(LeastSquares, SolvesThurberFromBothStarts) { check_model<Thurber>("Thurber"); }

}  // namespace
}  // namespace starwaist::curve
