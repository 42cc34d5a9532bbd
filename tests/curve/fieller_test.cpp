// Fieller's interval of the parabola's vertex (Fieller 1954), worked by hand from the normal
// equations and Student's t with six degrees of freedom (2.4469), nine points at -4 .. 4.
#include <gtest/gtest.h>

#include <array>
#include <cmath>

#include "curve/focus_mixture.h"
#include "curve/parabola.h"

namespace starwaist::curve {
namespace {

struct Worked {
  std::array<double, 9> y;
  double vertex, residual_sigma, low, high;
};

TEST(ParabolaComponent, GivesFiellersLimits) {
  for (const Worked& w : {Worked{{3.02, 2.31, 1.92, 1.58, 1.49, 1.61, 1.88, 2.36, 3.07},
                                 -0.02601937,
                                 0.02787314,
                                 -0.0719317,
                                 0.0198077},
                          Worked{{3.32, 2.06, 2.12, 1.28, 1.74, 1.41, 2.18, 2.11, 3.17},
                                 0.0160450,
                                 0.3080220,
                                 -0.4950979,
                                 0.5338042}}) {
    Samples s;
    for (int i = 0; i < 9; ++i) s.t.push_back(i - 4);
    s.y.assign(w.y.begin(), w.y.end());
    s.weight.assign(9, 1.0);
    const ParabolaFit fit = fit_polynomial<3>(s);
    ASSERT_TRUE(fit.usable);
    const double variance = fit.sum_of_squares / 6;
    EXPECT_NEAR(std::sqrt(variance), w.residual_sigma, 1e-7);
    const Component part = parabola_component(fit, variance, 6);
    EXPECT_NEAR(part.centre, w.vertex, 1e-7);
    // The limits are sought to 1e-4 of themselves in the root, and the quantile of a lone part to
    // 1e-6 in probability.
    const double tolerance = 2e-4 * (w.high - w.low);
    const Interval limits = mixture_interval({part}, kTail95);
    ASSERT_TRUE(limits.bounded());
    EXPECT_NEAR(*limits.low, w.low, tolerance);
    EXPECT_NEAR(*limits.high, w.high, tolerance);
  }
}

// Where t^2 var(c) / c^2 >= 1 the interval has no ends.
TEST(ParabolaComponent, IsOpenWhereTheCurvatureIsNotSignificant) {
  Samples s;
  for (int i = 0; i < 9; ++i) {
    s.t.push_back(i - 4);
    s.y.push_back(2 + 0.001 * s.t.back() * s.t.back() + (i % 2 == 0 ? 0.3 : -0.3));
  }
  s.weight.assign(9, 1.0);
  const ParabolaFit fit = fit_polynomial<3>(s);
  ASSERT_TRUE(fit.usable);
  ASSERT_GT(fit.parameters[2], 0);
  const Interval limits =
      mixture_interval({parabola_component(fit, fit.sum_of_squares / 6, 6)}, kTail95);
  EXPECT_FALSE(limits.bounded());
}

}  // namespace
}  // namespace starwaist::curve
