#include "stars/wings.h"

#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <numbers>
#include <random>
#include <vector>

#include "starwaist/rig.h"

namespace starwaist::stars {
namespace {

constexpr double kStep = 0.125;

// Annuli out to `edge` half-flux radii of a star with `left` beyond x, each with the error `sigma`.
std::vector<Annulus> annuli_of(const std::function<double(double)>& left, double edge, double sigma,
                               unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> noise(0, sigma);
  std::vector<Annulus> annuli;
  for (double x = 0; x < edge - kStep / 2; x += kStep) {
    annuli.push_back({left(x) - left(x + kStep) + noise(random), sigma, 0, 20});
  }
  return annuli;
}

// Moffat 1969: 1 - (1 + r^2 / a^2)^(1 - beta) inside r, of half-flux radius 1. None of these
// exponents is in the table.
std::function<double(double)> moffat(double beta) {
  const double square = 1 / (std::exp2(1 / (beta - 1)) - 1);
  return [=](double x) { return std::pow(1 + x * x / square, 1 - beta); };
}

TEST(WingOf, FindsTheWingsOfMoffatProfiles) {
  for (const double beta : {2.3, 2.8, 3.7, 5.5, 9.0}) {
    for (const double edge : {2.5, 3.5}) {
      const auto left = moffat(beta);
      const auto annuli = annuli_of(left, edge, 3e-4, 1);
      const Wing wing = wing_of(annuli, annuli.size(), kStep, 0);
      EXPECT_NEAR(wing.beyond, left(edge), 3 * wing.sigma + 0.002) << beta << ' ' << edge;
      EXPECT_LT(wing.sigma, 0.5 * left(edge) + 0.005) << beta << ' ' << edge;
    }
  }
}

TEST(WingOf, LeavesAGaussianNone) {
  const auto annuli = annuli_of([](double x) { return std::exp2(-x * x); }, 3.0, 3e-4, 2);
  const Wing wing = wing_of(annuli, annuli.size(), kStep, 0);
  EXPECT_NEAR(wing.beyond, 0.002, 0.003);  // 2^-9
}

// Light beyond r of Kolmogorov's seeing (transfer function exp(-3.44 (f w)^(5/3)), w the seeing's
// width lambda / r0) behind a clear round pupil, whose transfer function is
// 2 / pi (acos f - f sqrt(1 - f^2)) with f in units of 1 / (lambda N) (both from memory): by
// Simpson's rule, in units of lambda N.
double beyond_of_seeing_and_pupil(double r, double width) {
  constexpr int kPanels = 2000;
  double sum = 0;
  for (int i = 1; i < kPanels; ++i) {
    const double f = static_cast<double>(i) / kPanels;
    const double pupil = 2 / std::numbers::pi * (std::acos(f) - f * std::sqrt(1 - f * f));
    const double seeing = std::exp(-3.44 * std::pow(f * width, 5.0 / 3));
    sum += (i % 2 == 1 ? 4.0 : 2.0) * pupil * seeing *
           std::cyl_bessel_j(1.0, 2 * std::numbers::pi * f * r);
  }
  return 1 - 2 * std::numbers::pi * r * sum / (3.0 * kPanels);
}

TEST(WingOf, CountsTheHaloOfDiffraction) {
  for (const double width : {1.5, 3.0}) {
    double low = 0.4;
    double high = 4;
    for (int round = 0; round < 20; ++round) {
      const double middle = 0.5 * (low + high);
      (beyond_of_seeing_and_pupil(middle, width) > 0.5 ? low : high) = middle;
    }
    const double half = low;
    const auto left = [&](double x) {
      return x > 0 ? beyond_of_seeing_and_pupil(x * half, width) : 1.0;
    };
    const double halo = diffraction_halo_um(1, 0, 1) / half;  // wavelength and f-ratio 1
    const auto annuli = annuli_of(left, 3.0, 3e-4, 3);
    const double error = wing_of(annuli, annuli.size(), kStep, halo).beyond - left(3.0);
    EXPECT_NEAR(error, 0, 0.02) << width;  // the product of the two, see wings.cpp
    EXPECT_LT(std::abs(error),
              std::abs(wing_of(annuli, annuli.size(), kStep, 0).beyond - left(3.0)))
        << width;
  }
}

// Most of a bright sky's star is lost in noise beyond 2 half-flux radii: the error says what is not
// known. 1 / sqrt(60) of the spread is what 60 draws know of it.
TEST(WingOf, ItsErrorIsWhatItIsWrongBy) {
  double square = 0;
  int draws = 0;
  for (const double beta : {2.5, 3.0, 4.2, 6.0}) {
    const auto left = moffat(beta);
    for (unsigned seed = 10; seed < 25; ++seed) {
      const auto annuli = annuli_of(left, 2.25, 4e-3, seed);
      const Wing wing = wing_of(annuli, annuli.size(), kStep, 0);
      square += std::pow((wing.beyond - left(2.25)) / wing.sigma, 2);
      ++draws;
    }
  }
  EXPECT_LT(std::sqrt(square / draws), 1.3);
  EXPECT_GT(std::sqrt(square / draws), 0.4);
}

}  // namespace
}  // namespace starwaist::stars
