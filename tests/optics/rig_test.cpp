// Worked numbers of depth of focus and blur, computed apart from this code (numpy).
#include "starwaist/rig.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <string>

namespace starwaist {
namespace {

Rig newtonian() {
  Rig rig;
  rig.focal_length_mm = 1000;
  rig.aperture_mm = 200;
  rig.pixel_um = 3.76;
  rig.um_per_step = 2.0;
  return rig;
}

// Rayleigh's quarter wave, +-2 lambda N^2 at 0.55 um; Conrady 1957 p. 136 (from memory).
TEST(CriticalFocusZoneUm, IsTwiceTheQuarterWaveDepth) {
  struct Row {
    double focal_ratio, depth_um;
  };
  for (const Row row : {Row{4, 17.6}, {5, 27.5}, {6.3, 43.66}, {7, 53.9}, {8, 70.4}, {10, 110.0}}) {
    EXPECT_NEAR(critical_focus_zone_um(row.focal_ratio, 0.55), 2 * row.depth_um, 0.01);
  }
}

TEST(CriticalFocusZoneSteps, NeedsFocalRatioAndTravel) {
  EXPECT_NEAR(*critical_focus_zone_steps(newtonian()), 27.5, 1e-9);
  Rig rig = newtonian();
  rig.um_per_step.reset();
  EXPECT_FALSE(critical_focus_zone_steps(rig));
}

TEST(BlurDiameterUm, IsDefocusOverFocalRatioOnBothSides) {
  EXPECT_NEAR(blur_diameter_um(200, 5) / 3.76, 10.638, 5e-4);
  EXPECT_EQ(blur_diameter_um(-200, 5), blur_diameter_um(200, 5));
}

// Half of an annulus' area lies within R sqrt((1 + e^2) / 2): geometry.
TEST(AnnulusHalfFluxFraction, MatchesWorkedNumbers) {
  EXPECT_NEAR(annulus_half_flux_fraction(0), 0.7071068, 1e-7);
  EXPECT_NEAR(annulus_half_flux_fraction(0.2), 0.721110, 1e-6);
  EXPECT_NEAR(annulus_half_flux_fraction(0.33), 0.744614, 1e-6);
  EXPECT_NEAR(annulus_half_flux_fraction(0.35), 0.749166, 1e-6);
  EXPECT_NEAR(annulus_half_flux_fraction(0.5), 0.790569, 1e-6);
}

TEST(ArmSlopePxPerUm, MatchesWorkedNumbers) {
  EXPECT_NEAR(arm_slope_px_per_um(5, 0, 3.76), 0.01881, 5e-6);
  EXPECT_NEAR(arm_slope_px_per_um(5, 0.35, 3.76), 0.01992, 5e-6);
  EXPECT_NEAR(arm_slope_px_per_um(8, 0.33, 4.63), 0.01005, 5e-6);
  EXPECT_NEAR(arm_slope_px_per_um(10, 0.35, 9), 0.00416, 5e-6);
}

TEST(ArmSlopePxPerStep, TakesUnknownObstructionAsNone) {
  EXPECT_NEAR(*arm_slope_px_per_step(newtonian()), 2 * 0.0188060, 1e-6);
  Rig rig = newtonian();
  rig.obstruction = 0.35;
  EXPECT_NEAR(*arm_slope_px_per_step(rig), 2 * 0.0199247, 1e-6);
  rig.pixel_um.reset();
  EXPECT_FALSE(arm_slope_px_per_step(rig));
}

// 500 mm and 3 arcsec: half of the width at half maximum is 3.636 um.
TEST(SeeingHalfFluxRadiusPx, MatchesWorkedNumber) {
  Rig rig = newtonian();
  rig.focal_length_mm = 500;
  EXPECT_FALSE(seeing_half_flux_radius_px(rig));
  rig.seeing_arcsec = 3;
  EXPECT_NEAR(*seeing_half_flux_radius_px(rig) * 3.76, 3.636, 5e-4);
}

// Mahajan, Optical Imaging and Aberrations (from memory): W020 = dz / (8 N^2).
TEST(DefocusWaves, MatchesWorkedNumber) {
  EXPECT_NEAR(defocus_waves(200, 5, 0.55), 1.8182, 5e-5);
  EXPECT_NEAR(defocus_waves(2 * 0.55 * 36, 6, 0.55), 0.25, 1e-12);
}

TEST(RigFocalRatio, GivenNumberWins) {
  Rig rig = newtonian();
  EXPECT_DOUBLE_EQ(*rig.focal_ratio(), 5.0);
  rig.f_number = 4.8;
  EXPECT_DOUBLE_EQ(*rig.focal_ratio(), 4.8);
  EXPECT_FALSE(Rig{}.focal_ratio());
  EXPECT_TRUE(rig.known());
  EXPECT_FALSE(Rig{}.known());
}

TEST(Checked, NamesTheFieldThatIsOutOfRange) {
  EXPECT_TRUE(checked(newtonian()));
  const double nan = std::numeric_limits<double>::quiet_NaN();
  struct Case {
    std::optional<double> Rig::*field;
    double value;
    const char* name;
  };
  for (const Case& c :
       {Case{&Rig::f_number, 0.0, "f_number"}, Case{&Rig::pixel_um, -1.0, "pixel_um"},
        Case{&Rig::um_per_step, nan, "um_per_step"}, Case{&Rig::obstruction, 1.0, "obstruction"},
        Case{&Rig::obstruction, nan, "obstruction"}, Case{&Rig::read_noise_e, -0.1, "read_noise_e"},
        Case{&Rig::focus_um_per_c, nan, "focus_um_per_c"},
        Case{&Rig::seeing_arcsec, -2.0, "seeing_arcsec"}}) {
    Rig rig = newtonian();
    rig.*(c.field) = c.value;
    const auto result = checked(rig);
    ASSERT_FALSE(result) << c.name;
    EXPECT_EQ(result.error().code, ErrorCode::invalid_argument);
    EXPECT_NE(result.error().message.find(c.name), std::string::npos) << result.error().text();
    EXPECT_FALSE(result.error().remedy.empty());
  }
  Rig limits;
  limits.min_position_steps = 10;
  limits.max_position_steps = 5;
  ASSERT_FALSE(checked(limits));
  EXPECT_NE(checked(limits).error().message.find("min_position_steps"), std::string::npos);
  Rig wave;
  wave.wavelength_um = 0;
  EXPECT_FALSE(checked(wave));
}

TEST(Completed, TakesOnlyWhatIsMissing) {
  Rig header;
  header.focal_length_mm = 900;
  header.f_number = 7;
  header.pixel_um = 5;
  header.read_noise_e = 3;
  header.wavelength_um = 0.656;
  const Rig rig = completed(newtonian(), header);
  EXPECT_DOUBLE_EQ(*rig.focal_length_mm, 1000);
  EXPECT_DOUBLE_EQ(*rig.pixel_um, 3.76);
  EXPECT_DOUBLE_EQ(*rig.read_noise_e, 3);
  EXPECT_DOUBLE_EQ(rig.wavelength_um, 0.656);
  // f/5 was given through focal length and aperture.
  EXPECT_DOUBLE_EQ(*rig.focal_ratio(), 5.0);
}

TEST(Completed, TakesEveryFieldOfTheFallback) {
  Rig header;
  double value = 1;
  for_each_field(header, [&value](const auto&, auto& field) { field = value++; });
  const Rig rig = completed(Rig{}, header);
  for_each_field(rig, [&header](const auto& f, const auto& field) {
    EXPECT_EQ(field, header.*(f.member)) << f.name;
  });
}

TEST(Checked, RefusesWhatIsNotFiniteInEveryField) {
  Rig names;
  for_each_field(names, [](const auto& f, const auto&) {
    Rig rig = newtonian();
    rig.*(f.member) = std::numeric_limits<double>::infinity();
    const auto result = checked(rig);
    ASSERT_FALSE(result) << f.name;
    EXPECT_NE(result.error().message.find(f.name), std::string::npos) << result.error().text();
  });
}

// Airy's pattern leaves J0^2 + J1^2 at v = pi r / (lambda N) outside (Born & Wolf 8.5, from
// memory); lib/src/optics/README.md: 0.937647 inside the third dark ring at 3.238315 lambda N.
TEST(DiffractionHalo, IsWhatAirysPatternLeavesFarOut) {
  for (const double r : {8.0, 15.0, 30.0}) {
    const double v = std::numbers::pi * r;
    const double outside =
        std::pow(std::cyl_bessel_j(0.0, v), 2) + std::pow(std::cyl_bessel_j(1.0, v), 2);
    EXPECT_NEAR(diffraction_halo_um(1, 0, 1) / r, outside, 0.03 * outside) << r;
  }
  EXPECT_NEAR(diffraction_halo_um(1, 0, 1) / 3.238315, 1 - 0.937647, 0.003);
  Rig rig = newtonian();
  rig.obstruction = 0.3;
  // 2 * 0.55 um * 5 / pi^2 / 0.7 / 3.76 um by hand.
  EXPECT_NEAR(*diffraction_halo_px(rig), 0.2117, 0.0002);
  EXPECT_FALSE(diffraction_halo_px(Rig{}));
}

}  // namespace
}  // namespace starwaist
