// The curve shapes against half-flux radii computed apart from the table's generator (numpy, by
// 2-D convolution), and against their own derivatives.
#include "curve/curve_shape.h"

#include <gtest/gtest.h>

#include <array>

namespace starwaist::curve {
namespace {

struct Published {
  SeeingProfile profile;
  double obstruction;
  std::array<double, 7> size;  // at kAt
};
constexpr std::array kAt{0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0};

TEST(ShapeBlur, MatchesIndependentHalfFluxRadii) {
  // Four decimals were printed; a 0.1 % allowance covers interpolation in the obstruction (0.35)
  // and between the table's nodes.
  for (const Published& row :
       {Published{
            SeeingProfile::gaussian, 0, {1.0860, 1.3310, 1.6885, 2.1083, 3.0347, 4.0100, 6.0005}},
        Published{SeeingProfile::gaussian,
                  0.35,
                  {1.0866, 1.3379, 1.7073, 2.1350, 3.0594, 4.0245, 6.0030}},
        Published{
            SeeingProfile::kolmogorov, 0, {1.1013, 1.3709, 1.7419, 2.1668, 3.0926, 4.0618, 6.0389}},
        Published{SeeingProfile::kolmogorov,
                  0.35,
                  {1.1020, 1.3765, 1.7540, 2.1820, 3.1054, 4.0691, 6.0401}}}) {
    const Shape shape = Shape::blur(row.profile, row.obstruction);
    for (std::size_t i = 0; i < kAt.size(); ++i) {
      EXPECT_NEAR(shape.at(kAt[i]).h / row.size[i], 1, 1e-3) << row.obstruction << " " << kAt[i];
    }
  }
}

// Near focus h^2 = 1 + ln 2 u^2 for Gaussian seeing, whatever the obstruction (series expansion).
TEST(ShapeBlur, HasTheGaussianCore) {
  for (const double e : {0.0, 0.25, 0.5}) {
    const double u = 0.105;  // small, and next to a node of the table
    const double h = Shape::blur(SeeingProfile::gaussian, e).at(u).h;
    EXPECT_NEAR((h * h - 1) / (u * u), std::log(2.0), 0.01);
  }
}

TEST(Shape, SlopeIsTheDerivativeAndShapeIsEven) {
  for (const Shape& shape : {Shape::hyperbola(), Shape::blur(SeeingProfile::gaussian, 0.33),
                             Shape::blur(SeeingProfile::kolmogorov, 0.0)}) {
    for (const double u : {-20.0, -3.0, -0.7, -0.01, 0.0, 0.2, 1.1, 2.5, 6.0, 11.0, 40.0}) {
      const double step = 1e-5;
      const double numeric = (shape.at(u + step).h - shape.at(u - step).h) / (2 * step);
      EXPECT_NEAR(shape.at(u).slope, numeric, 1e-6) << u;
      EXPECT_EQ(shape.at(u).h, shape.at(-u).h);
    }
    EXPECT_NEAR(shape.at(0).h, 1, 1e-12);
    EXPECT_NEAR(shape.at(1e6).h / 1e6, 1, 1e-9);
  }
}

TEST(LopsidedShape, KeepsItsSmallestStarAndMovesItsArms) {
  for (const Shape& shape : {Shape::hyperbola(), Shape::blur(SeeingProfile::gaussian, 0.33),
                             Shape::blur(SeeingProfile::kolmogorov, 0.0)}) {
    for (const double a : {-0.1, 0.0, 0.03, 0.08}) {
      for (const double u : {-20.0, -3.0, -0.7, -0.01, 0.0, 0.2, 1.1, 2.5, 6.0, 40.0}) {
        const double step = 1e-5;
        const double by_u = (shape.at(u + step, a).h - shape.at(u - step, a).h) / (2 * step);
        const double by_a = (shape.at(u, a + step).h - shape.at(u, a - step).h) / (2 * step);
        EXPECT_NEAR(shape.at(u, a).slope, by_u, 1e-6) << u << " " << a;
        EXPECT_NEAR(shape.at(u, a).by_a, by_a, 1e-6) << u << " " << a;
        EXPECT_GE(shape.at(u, a).h, 1);
      }
      EXPECT_NEAR(shape.at(0, a).h, 1, 1e-12);
      EXPECT_NEAR(shape.at(0, a).slope, 0, 1e-12);
      EXPECT_NEAR(shape.at(1e5, a).h - 1e5, a, 1e-4);
      EXPECT_NEAR(shape.at(-1e5, a).h - 1e5, -a, 1e-4);
      EXPECT_EQ(shape.at(1.3, a).h, shape.at(-1.3, -a).h);  // the mirror image
    }
    EXPECT_EQ(shape.at(1.3, 0).h, shape.at(1.3).h);
  }
}

TEST(SeeingShare, IsOneInFocusAndFadesInTheRings) {
  const Shape hyperbola = Shape::hyperbola();
  EXPECT_NEAR(seeing_share(hyperbola.at(0), 0), 1, 1e-12);
  EXPECT_NEAR(seeing_share(hyperbola.at(3), 3), 0.1, 1e-12);  // 1 / (1 + u^2)
  EXPECT_LT(seeing_share(Shape::blur(SeeingProfile::gaussian, 0.3).at(4), 4), 0.1);
}

}  // namespace
}  // namespace starwaist::curve
