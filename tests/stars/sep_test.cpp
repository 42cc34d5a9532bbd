// Positions and half-flux radii against SEP's C library (package libsep-dev), which shares nothing
// with this one: background mesh, extraction, flux radius, windowed positions.
#include <gtest/gtest.h>
extern "C" {
#include <sep.h>
}

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "starwaist/render.h"
#include "starwaist/stars.h"
#include "starwaist/statistics.h"
#include "support/analytic_stars.h"
#include "support/needed.h"

namespace starwaist {
namespace {

// What SEP sees: the frame less its background, and the objects found at 5 sigma.
class SepFrame {
 public:
  explicit SepFrame(const Frame& frame)
      : width_(frame.pixels.width_px()), height_(frame.pixels.height_px()) {
    pixels_.resize(static_cast<std::size_t>(width_) * static_cast<std::size_t>(height_));
    for (int y = 0; y < height_; ++y) {
      frame.pixels.read_row(
          y, 0,
          std::span(pixels_).subspan(static_cast<std::size_t>(y) * static_cast<std::size_t>(width_),
                                     static_cast<std::size_t>(width_)));
    }
    image_.data = pixels_.data();
    image_.dtype = SEP_TFLOAT;
    image_.w = width_;
    image_.h = height_;
    image_.noise_type = SEP_NOISE_NONE;
    sep_bkg* background = nullptr;
    EXPECT_EQ(sep_background(&image_, 64, 64, 3, 3, 0.0, &background), 0);
    noise_ = sep_bkg_globalrms(background);
    EXPECT_EQ(sep_bkg_subarray(background, pixels_.data(), SEP_TFLOAT), 0);
    sep_bkg_free(background);
    EXPECT_EQ(sep_extract(&image_, static_cast<float>(5 * noise_), SEP_THRESH_ABS, 5, nullptr, 0, 0,
                          SEP_FILTER_CONV, 32, 0.005, 1, 1.0, &catalog_),
              0);
  }
  ~SepFrame() { sep_catalog_free(catalog_); }
  SepFrame(const SepFrame&) = delete;
  SepFrame& operator=(const SepFrame&) = delete;

  // Index of the object nearest to a place within 3 px, or -1.
  [[nodiscard]] int nearest(double x, double y) const {
    int best = -1;
    double distance = 3;
    for (int i = 0; i < catalog_->nobj; ++i) {
      const double d = std::hypot(catalog_->x[i] - x, catalog_->y[i] - y);
      if (d < distance) {
        distance = d;
        best = i;
      }
    }
    return best;
  }
  // `sky`: what is left of the sky at the star, taken off first.
  [[nodiscard]] double half_flux_radius(int i, double limit_px, double sky) const {
    std::vector<float> level = pixels_;
    for (float& pixel : level) pixel -= static_cast<float>(sky);
    sep_image image = image_;
    image.data = level.data();
    const double half = 0.5;
    double radius = 0;
    short flag = 0;
    EXPECT_EQ(sep_flux_radius(&image, catalog_->x[i], catalog_->y[i], limit_px, 0, 5, 0, nullptr,
                              &half, 1, &radius, &flag),
              0);
    return radius;
  }
  // Median of the pixels round the star, from one to two and a half times the radius. SEP's mesh of
  // 64 px (2.5 median - 1.5 mean) lies a quarter of the noise too low where stars stand as dense as
  // in the HATP frames, which alone makes five half-flux radii hold 5 % more light.
  [[nodiscard]] double local_sky(int i, double radius_px) const {
    std::vector<double> ring;
    const double outer = 2.5 * radius_px;
    for (int y = 0; y < height_; ++y) {
      for (int x = 0; x < width_; ++x) {
        const double d = std::hypot(x - catalog_->x[i], y - catalog_->y[i]);
        if (d < radius_px || d > outer) continue;
        ring.push_back(pixels_[static_cast<std::size_t>(y) * static_cast<std::size_t>(width_) +
                               static_cast<std::size_t>(x)]);
      }
    }
    return median(ring);
  }
  // Windowed position under a Gaussian of the given sigma.
  [[nodiscard]] std::pair<double, double> windowed(int i, double sigma_px) const {
    double x = 0;
    double y = 0;
    int rounds = 0;
    short flag = 0;
    EXPECT_EQ(sep_windowed(&image_, catalog_->x[i], catalog_->y[i], sigma_px, 11, 0, &x, &y,
                           &rounds, &flag),
              0);
    return {x, y};
  }

 private:
  int width_;
  int height_;
  std::vector<float> pixels_;
  sep_image image_{};
  sep_catalog* catalog_ = nullptr;
  double noise_ = 0;
};

struct Agreement {
  std::vector<double>
      size;  // SEP's half-flux radius over ours, the pixel that it counts twice taken out
  std::vector<double> distance;  // between the positions, px
};

// Clean stars with SNR over 20 that no other star comes near.
enum class SepSky { mesh, round_the_star };
Agreement compare(const Frame& frame, SepSky sky = SepSky::mesh) {
  Agreement agreement;
  const auto measured = measure_frame(frame);
  EXPECT_TRUE(measured.has_value());
  if (!measured) return agreement;
  const SepFrame sep(frame);
  for (const Star& s : measured->stars) {
    if (!s.hfr_px || s.snr < 20 || s.blended || s.at_edge || s.saturated || s.extended) continue;
    // SEP's aperture of five half-flux radii must be the star's own.
    const double limit = 5 * *s.hfr_px;
    const bool lonely =
        std::none_of(measured->stars.begin(), measured->stars.end(), [&](const Star& o) {
          const double d = std::hypot(o.x_px - s.x_px, o.y_px - s.y_px);
          return d > 0 && d < 1.6 * limit && o.flux_adu > 0.01 * s.flux_adu;
        });
    const int i = lonely ? sep.nearest(s.x_px, s.y_px) : -1;
    if (i < 0) continue;
    const double left = sky == SepSky::mesh ? 0.0 : sep.local_sky(i, limit);
    const double radius = sep.half_flux_radius(i, limit, left);
    // Even squares add 1/12 px^2 a axis: 2 ln 2 / 12 in the square of a Gaussian's half-flux
    // radius.
    agreement.size.push_back(std::sqrt(std::max(0.0, radius * radius - 0.1155)) / *s.hfr_px);
    const auto [x, y] = sep.windowed(i, std::max(1.5 * *s.hfr_px, 1.0));
    agreement.distance.push_back(std::hypot(x - s.x_px, y - s.y_px));
  }
  return agreement;
}

constexpr double kSizeAgreement = 0.03;       // asked for in the median
constexpr double kPositionAgreementPx = 0.1;  // asked for isolated stars with SNR over 20

TEST(AgainstSep, RenderedStarsFromSharpToRings) {
  for (const double defocus_steps : {0.0, 40.0, 80.0, 160.0}) {
    RenderOptions options;
    options.width_px = 1000;
    options.height_px = 800;
    options.star_count = 70;
    options.faintest_electrons = 2e4;
    options.sky_gradient = 0;
    options.hot_pixels = 0;
    options.positions_steps = {options.best_focus_steps + defocus_steps};
    const auto frame = render_frame(options, 0);
    ASSERT_TRUE(frame.has_value());
    const Agreement agreement = compare(*frame);
    ASSERT_GE(agreement.size.size(), 8U) << defocus_steps;
    EXPECT_NEAR(median(agreement.size), 1, kSizeAgreement) << defocus_steps;
    // A ring has no windowed position that two windows' cut-offs agree on.
    if (defocus_steps <= 80) {
      EXPECT_LT(sample_quantile(agreement.distance, 0.9), kPositionAgreementPx) << defocus_steps;
    }
  }
}

TEST(AgainstSep, ClosedFormMoffatStars) {
  analytic::FieldOptions options;
  options.width_px = options.height_px = 900;
  options.star_count = 50;
  options.min_separation_px = 80;
  options.margin_px = 40;
  options.faintest_e = 2e4;
  options.brightest_e = 4e5;
  const auto field = analytic::star_field(analytic::Moffat{3.0, 3.5}, options);
  const Agreement agreement = compare(field.frame);
  ASSERT_GE(agreement.size.size(), 30U);
  EXPECT_NEAR(median(agreement.size), 1, kSizeAgreement);
  EXPECT_LT(sample_quantile(agreement.distance, 0.9), kPositionAgreementPx);
}

class RealFrames : public testing::TestWithParam<const char*> {};

TEST_P(RealFrames, AgreeWithSep) {
  const std::string path = std::string(STARWAIST_REAL_DATA_DIR) + "/frames/" + GetParam();
  STARWAIST_NEEDS(std::filesystem::exists(path), "real frames are not here: " << path);
  const auto frame = read_frame(path);
  ASSERT_TRUE(frame.has_value()) << frame.error().text();
  const Agreement agreement = compare(*frame, SepSky::round_the_star);
  ASSERT_GE(agreement.size.size(), 5U);
  RecordProperty("stars", static_cast<int>(agreement.size.size()));
  std::printf("%s: %zu stars, size ratio %.3f, position 50 %% %.3f px, 90 %% %.3f px\n", GetParam(),
              agreement.size.size(), median(agreement.size), median(agreement.distance),
              sample_quantile(agreement.distance, 0.9));
  // 3 % is asked above 2 px; these frames lie at 1 to 2 px, where SEP's own scatter with the place
  // in the pixel is some per cent (even squares) and the median of few stars wanders by 2 %.
  EXPECT_NEAR(median(agreement.size), 1, 0.05);
  EXPECT_LT(median(agreement.distance), kPositionAgreementPx);
}

INSTANTIATE_TEST_SUITE_P(Sky, RealFrames,
                         testing::Values("emmi_small_256.fits", "lco_1m_raw_mef.fits",
                                         "monet_grid_sim.fits", "ystar_0.5m_streak_trailed.fits",
                                         "HATP-32171220013343.FITS", "HATP-32171220020912.FITS",
                                         "HATP-32171220041512.FITS", "HATP-32171220071512.FITS"));

}  // namespace
}  // namespace starwaist
