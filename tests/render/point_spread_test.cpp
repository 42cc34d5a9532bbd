// Star images against closed forms of optics. Constants and sources: Airy and annular patterns:
// Born & Wolf 8.5.2, Mahajan Optical Imaging and Aberrations II (both from memory), and the numbers
// of tests/support/analytic_profiles.h, which come from Bessel functions, not from a Fourier
// transform.
#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <cstddef>
#include <numbers>
#include <vector>

#include "render/transfer.h"
#include "starwaist/render.h"
#include "support/analytic_profiles.h"

namespace starwaist {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kArcsecPerRadian = 206264.806;
constexpr double kLambdaUm = 0.55;

// One wavelength, no seeing, a pixel of a tenth of lambda N: what is left is diffraction.
RenderOptions diffraction_only(double f_number, double obstruction) {
  RenderOptions options;
  options.f_number = f_number;
  options.obstruction = obstruction;
  options.wavelengths_um = {kLambdaUm};
  options.pixel_um = kLambdaUm * f_number / 10;
  return options;
}

PointSpread spread_of(const RenderOptions& options, double defocus_um, double seeing_arcsec = 0,
                      double trail_px = 0) {
  auto spread = point_spread(options, defocus_um, seeing_arcsec, trail_px);
  EXPECT_TRUE(spread.has_value()) << (spread ? "" : spread.error().text());
  return spread ? *spread : PointSpread{};
}

double sample(const PointSpread& spread, int dx, int dy) {
  const int row = spread.size / 2 + dy;
  const int column = spread.size / 2 + dx;
  return spread.values[static_cast<std::size_t>(row) * static_cast<std::size_t>(spread.size) +
                       static_cast<std::size_t>(column)];
}

double defocus_for_waves(double waves, double f_number) {
  return waves * kLambdaUm * 8 * f_number * f_number;
}

// Wide seeing over a sharp telescope: the seeing profile nearly alone.
struct SeeingLimited {
  RenderOptions options;
  double seeing_arcsec = 0;
  double width_px = 0;
};
SeeingLimited seeing_limited(SeeingProfile profile, double width_px) {
  SeeingLimited made;
  made.options.seeing_profile = profile;
  made.options.f_number = 1;
  made.options.obstruction = 0;
  made.options.focal_length_mm = 2000;
  made.options.wavelengths_um = {0.5};
  made.options.pixel_um = 1;
  made.width_px = width_px;  // 2 lambda N a pixel
  made.seeing_arcsec = made.width_px / 2e6 * kArcsecPerRadian;
  return made;
}

TEST(PointSpread, HalfFluxRadiusOfAnnularPupilsMeetsTheClosedForm) {
  // Mahajan's annular pattern: radius of half the flux in lambda N.
  const std::vector<std::pair<double, double>> published = {
      {0.0, 0.534832}, {0.2, 0.55861}, {0.3, 0.59522}, {0.4, 0.67073}};
  for (const auto& [obstruction, radius] : published) {
    const PointSpread spread = spread_of(diffraction_only(8, obstruction), 0);
    const double pixel_part = analytic::recorded_half_flux_radius(analytic::Airy{10, obstruction}) -
                              analytic::Airy{10, obstruction}.half_flux_radius();
    EXPECT_LT(pixel_part, 0.03);  // a pixel of lambda N / 10 hardly matters
    // 4e-4 relative: grey pupil edges 1e-4, light beyond the square 0.2 % spread evenly.
    EXPECT_NEAR((half_flux_radius_px(spread) - pixel_part) / 10, radius, 4e-4 * radius)
        << obstruction;
  }
}

TEST(PointSpread, AiryPatternHasItsFirstDarkRingWidthAndEnclosedFlux) {
  const PointSpread spread = spread_of(diffraction_only(5, 0), 0);
  int darkest = 8;
  for (int x = 8; x <= 16; ++x) {
    if (sample(spread, x, 0) < sample(spread, darkest, 0)) darkest = x;
  }
  EXPECT_EQ(darkest, 12);  // 1.2197 lambda N, samples a tenth apart
  EXPECT_LT(sample(spread, darkest, 0), 3e-3 * sample(spread, 0, 0));
  // Enclosed flux at the dark rings: Born & Wolf table 8.2. 1.5e-3: see above.
  EXPECT_NEAR(enclosed_flux(spread, 12.19670), 0.837785, 1.5e-3);
  EXPECT_NEAR(enclosed_flux(spread, 22.33131), 0.909931, 1.5e-3);
  EXPECT_NEAR(enclosed_flux(spread, 32.38315), 0.937647, 1.5e-3);
  // Half maximum at 0.514497 lambda N: the two samples beside it enclose it.
  const double half = sample(spread, 0, 0) / 2;
  EXPECT_GT(sample(spread, 5, 0), half);
  EXPECT_LT(sample(spread, 6, 0), half);
  const double crossing =
      5 + (sample(spread, 5, 0) - half) / (sample(spread, 5, 0) - sample(spread, 6, 0));
  EXPECT_NEAR(2 * crossing / 10, 1.028994, 0.008);  // linear between samples, pixel included
}

TEST(PointSpread, PeakFallsWithDefocusAsTheSquaredSinc) {
  // Mahajan: Strehl = sinc^2[(1 - e^2) W].
  for (const double obstruction : {0.0, 0.33}) {
    const RenderOptions options = diffraction_only(5, obstruction);
    const double in_focus = sample(spread_of(options, 0), 0, 0);
    for (const double waves : {0.5, -0.25}) {
      const double strehl =
          sample(spread_of(options, defocus_for_waves(waves, 5)), 0, 0) / in_focus;
      const double x = (1 - obstruction * obstruction) * waves;
      // 1e-3: the pixel averages over a tenth of lambda N.
      EXPECT_NEAR(strehl, std::pow(std::sin(kPi * x) / (kPi * x), 2), 1.5e-3)
          << obstruction << " " << waves;
    }
  }
}

TEST(PointSpread, DefocusedAndSphericalProfileIsTheRadialDiffractionIntegral) {
  // The Fraunhofer integral of a round wavefront in one dimension: U(r) = 2 / (1 - e^2) int
  // exp(2 pi i W) J0(pi r rho / lambda N) rho drho, I = pi (1 - e^2) / 4 |U|^2.
  RenderOptions options = diffraction_only(4, 0.35);
  options.pixel_um = kLambdaUm * 4 / 20;  // so small that the pixel adds nothing
  options.aberrations.spherical_w040_waves = 0.7;
  const double waves = 2.3;
  const PointSpread spread = spread_of(options, defocus_for_waves(waves, 4));
  ASSERT_EQ(spread.samples_per_px, 1);
  const double peak = sample(spread, 0, 0);
  double largest = 0;
  for (int k = 0; k <= 120; k += 3) {
    const double r = k / 20.0;  // lambda N
    constexpr int kSteps = 4000;
    std::complex<double> amplitude = 0;
    for (int i = 0; i < kSteps; ++i) {
      const double rho = 0.35 + 0.65 * (i + 0.5) / kSteps;
      const double w = waves * rho * rho + 0.7 * std::pow(rho, 4);
      amplitude += std::polar(0.65 / kSteps * rho * ::j0(kPi * r * rho), 2 * kPi * w);
    }
    amplitude *= 2 / (1 - 0.35 * 0.35);
    const double intensity = kPi * (1 - 0.35 * 0.35) / 4 * std::norm(amplitude) / 400;  // per px
    largest = std::max(largest, intensity);
    // 0.5 % of the brightest part: the pixel and the pupil's grey edges.
    EXPECT_NEAR(sample(spread, k, 0), intensity, 5e-3 * std::max(largest, peak)) << k;
    EXPECT_NEAR(sample(spread, 0, k), sample(spread, k, 0), 1e-4 * largest) << k;
  }
}

TEST(PointSpread, FarFromFocusIsTheGeometricAnnulus) {
  // Blur radius dz / 2N, half of the flux inside sqrt((1 + e^2) / 2) of it.
  for (const double obstruction : {0.0, 0.35, 0.5}) {
    RenderOptions options;
    options.f_number = 4;
    options.obstruction = obstruction;
    const double defocus_um = 1500;
    const double radius_px = defocus_um / 8 / options.pixel_um;
    const double expected = radius_px * std::sqrt((1 + obstruction * obstruction) / 2);
    // 0.8 %: diffraction at the edges, which 21 waves of defocus leave.
    EXPECT_NEAR(half_flux_radius_px(spread_of(options, defocus_um)), expected, 8e-3 * expected);
    EXPECT_NEAR(half_flux_radius_px(spread_of(options, -defocus_um)), expected, 8e-3 * expected);
  }
}

TEST(PointSpread, BlurTooLargeForWavesIsCountedByRays) {
  RenderOptions options;
  options.f_number = 2;
  options.obstruction = 0.4;
  const double defocus_um = 500 * options.pixel_um * 2;  // 500 px across
  const PointSpread spread = spread_of(options, defocus_um, 2.5);
  EXPECT_TRUE(spread.by_rays);
  const double expected = 250 * std::sqrt(0.58);
  EXPECT_NEAR(half_flux_radius_px(spread), expected, 2e-3 * expected);
  EXPECT_LT(sample(spread, 0, 0), 0.02 * sample(spread, 180 * spread.samples_per_px, 0));
  // A larger one is refused in words.
  const auto refused = point_spread(options, 1001 * options.pixel_um * 2, 2.5);
  ASSERT_FALSE(refused.has_value());
  EXPECT_EQ(refused.error().code, ErrorCode::invalid_argument);
}

TEST(PointSpread, SeeingProfilesHaveTheirHalfFluxRadius) {
  struct Case {
    SeeingProfile profile;
    double beta;
    double ratio;  // HFR / FWHM
  };
  // Kolmogorov 0.5685: the open-source simulator's constants 0.5548101137 / 0.9758634299 lambda/r0;
  // Moffat by its closed form, Gaussian 1/2.
  for (const Case& c :
       {Case{SeeingProfile::kolmogorov, 3.5, 0.5685}, Case{SeeingProfile::moffat, 2.5, 0.677948},
        Case{SeeingProfile::moffat, 4.765, 0.568106}, Case{SeeingProfile::gaussian, 3.5, 0.5}}) {
    SeeingLimited wide = seeing_limited(c.profile, 30);
    wide.options.moffat_beta = c.beta;
    const double ratio =
        half_flux_radius_px(spread_of(wide.options, 0, wide.seeing_arcsec)) / wide.width_px;
    EXPECT_NEAR(ratio, c.ratio, 8e-3 * c.ratio);  // diffraction, 1/60 as wide, adds 0.6 %
  }
}

TEST(PointSpread, DefocusUnderGaussianSeeingFollowsTheExactCurve) {
  // HFR(u) / H0 of a Gaussian convolved with a uniform disc, u = dz / B, B = H0 / asymptotic slope:
  // computed by quadrature outside this project.
  const SeeingLimited wide = seeing_limited(SeeingProfile::gaussian, 60);
  const double h0_um = wide.width_px / 2;  // pixel is 1 um
  const double b_um = h0_um * 2 * wide.options.f_number * std::numbers::sqrt2;
  // Diffraction, lambda N a 60th of H0, adds 0.30 % in focus, 0.04 % at u = 4 (its transfer
  // function multiplied in and the same quadrature), hence no comparison with the rendered size in
  // focus; the other half of 5e-3 is the pupil's grey edge.
  for (const auto& [u, ratio] : std::vector<std::pair<double, double>>{
           {0, 1}, {0.5, 1.0860}, {1, 1.3310}, {1.5, 1.6885}, {2, 2.1083}, {4, 4.0100}}) {
    const double size = half_flux_radius_px(spread_of(wide.options, u * b_um, wide.seeing_arcsec));
    EXPECT_NEAR(size / h0_um, ratio, 5e-3 * ratio) << u;
  }
}

TEST(PointSpread, APointInOnePixelHasThePixelsHalfFluxRadius) {
  RenderOptions options;
  options.f_number = 0.8;
  options.wavelengths_um = {0.2};
  options.obstruction = 0;
  options.pixel_um = 20;  // 125 lambda N
  // Half of a unit square lies in the circle of radius 1 / sqrt(2 pi).
  EXPECT_NEAR(half_flux_radius_px(spread_of(options, 0)), 0.398942, 1e-3);
}

TEST(PointSpread, FluxIsWholeAndWavelengthsAdd) {
  RenderOptions options;
  options.aberrations.coma_w131_waves = 0.6;
  options.aberrations.coma_angle_deg = 30;
  const auto total = [](const PointSpread& spread) {
    double sum = 0;
    for (const float v : spread.values) sum += v;
    return sum / spread.samples_per_px / spread.samples_per_px;
  };
  for (const double defocus_um : {-150.0, 0.0, 40.0}) {
    EXPECT_NEAR(total(spread_of(options, defocus_um, 2.5)), 1.0, 1e-5);
  }
  // 3.76 um pixels at f/5: the same samples for each of these wavelengths.
  const PointSpread both = [&] {
    options.wavelengths_um = {0.5, 0.6};
    return spread_of(options, 40, 2.5);
  }();
  options.wavelengths_um = {0.5};
  const PointSpread blue = spread_of(options, 40, 2.5);
  options.wavelengths_um = {0.6};
  const PointSpread red = spread_of(options, 40, 2.5);
  ASSERT_EQ(both.samples_per_px, blue.samples_per_px);
  ASSERT_EQ(both.samples_per_px, red.samples_per_px);
  for (const int x : {-20, -7, 0, 3, 12}) {
    EXPECT_NEAR(sample(both, x, 2), 0.5 * (sample(blue, x, 2) + sample(red, x, 2)),
                2e-4 * sample(both, 0, 0));
  }
}

TEST(PointSpread, ComaMovesTheCentroidByTheMeanRay) {
  // The centroid is the mean of 2 N dW/du over the pupil: 2 N W131 (1 + e^2) along the coma's
  // direction.
  RenderOptions options;
  options.f_number = 5;
  options.obstruction = 0.35;
  options.aberrations.coma_w131_waves = 1;
  options.aberrations.coma_angle_deg = 30;
  const PointSpread spread = spread_of(options, 0, 2.5);
  const double expected_px = 10 * 0.55 * (1 + 0.35 * 0.35) / options.pixel_um;
  EXPECT_NEAR(std::hypot(spread.centroid_x_px, spread.centroid_y_px), expected_px,
              0.01 * expected_px);  // the edges' slow wings, cut by the square
  EXPECT_NEAR(std::atan2(spread.centroid_y_px, spread.centroid_x_px) * 180 / kPi, 30, 0.5);
}

TEST(PointSpread, ATrailAddsItsOwnVarianceAlongItsDirection) {
  RenderOptions options;
  options.seeing_profile = SeeingProfile::gaussian;
  options.trail_angle_deg = 90;
  const auto variance_difference = [](const PointSpread& spread) {
    double sum = 0;
    for (int y = -spread.size / 2 + 1; y < spread.size / 2; ++y) {
      for (int x = -spread.size / 2 + 1; x < spread.size / 2; ++x) {
        sum += sample(spread, x, y) * (y * y - x * x);
      }
    }
    return sum / std::pow(spread.samples_per_px, 4);
  };
  // A uniform line of length L has variance L^2 / 12.
  EXPECT_NEAR(variance_difference(spread_of(options, 0, 2.5, 6)), 3.0, 0.03);
  EXPECT_NEAR(variance_difference(spread_of(options, 0, 2.5, 0)), 0.0, 1e-3);
}

TEST(SeeingTransfer, IsTheHankelTransformOfItsProfile) {
  // 2 pi int f(r) J0(2 pi nu r) r dr by quadrature, f the closed-form Moffat and Gaussian.
  const auto transform = [](const auto& profile, double reach, double nu) {
    constexpr int kSteps = 400000;
    double sum = 0;
    for (int i = 0; i < kSteps; ++i) {
      const double r = reach * (i + 0.5) / kSteps;
      sum += profile.density(r) * ::j0(2 * kPi * nu * r) * 2 * kPi * r * reach / kSteps;
    }
    return sum;
  };
  for (const double nu : {0.0, 0.02, 0.1, 0.3}) {
    const auto moffat = analytic::Moffat::of_fwhm(3, 3.5);
    // 1e-6: the Moffat wing beyond 400 widths holds 1e-7.
    EXPECT_NEAR(render::seeing_transfer(SeeingProfile::moffat, 3.5, 3, nu),
                transform(moffat, 600, nu), 1e-6);
    const analytic::Gaussian gaussian{3 / 2.3548200};
    EXPECT_NEAR(render::seeing_transfer(SeeingProfile::gaussian, 3.5, 3, nu),
                transform(gaussian, 20, nu), 1e-6);
  }
  // Kolmogorov, Fried 1966 (from memory): lambda / r0 = 1 makes the width 0.97586.
  EXPECT_NEAR(render::seeing_transfer(SeeingProfile::kolmogorov, 3.5, 0.9758634299, 0.5),
              std::exp(-3.44 * std::pow(0.5, 5.0 / 3)), 1e-12);
}

TEST(SeeingTransfer, KolmogorovHasTheWidthThatIsAskedFor) {
  // The profile by the inverse transform: its half maximum must lie at half the width.
  const auto profile = [](double r) {
    constexpr int kSteps = 20000;
    double sum = 0;
    for (int i = 0; i < kSteps; ++i) {
      const double nu = 3.0 * (i + 0.5) / kSteps;
      sum += render::seeing_transfer(SeeingProfile::kolmogorov, 3.5, 1.0, nu) *
             ::j0(2 * kPi * nu * r) * nu;
    }
    return sum;
  };
  EXPECT_NEAR(profile(0.5) / profile(0.0), 0.5, 3e-4);  // 3.44 is rounded from 3.4419
}

}  // namespace
}  // namespace starwaist
