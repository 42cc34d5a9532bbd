// Monte Carlo of measure_frame against star images whose size is known: bias of the half-flux
// radius, scatter against the least that a growth curve can have, whether the stated sigmas are
// true, faint stars found, false stars, rings split, and what defects do.
//
// The star images come from closed forms and a Hankel transform here, not from the library's own
// renderer; that one is asked for a second opinion at the end.
//
// Usage: star_truth_bench [--trials frames a cell, 3] [--seed 1] [--quick] [--no-facts] [--only
// TEXT]
//   --quick: a thinner grid, two frames a cell; --no-facts: gain and read noise are not given;
//   --only: nothing but the cells of the grid with TEXT in their name ("in focus", "25.0 ")
#include <math.h>  // j0 (POSIX)

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <functional>
#include <map>
#include <numbers>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/frame.h"
#include "starwaist/render.h"
#include "starwaist/stars.h"
#include "support/analytic_stars.h"

namespace {

using starwaist::Frame;
using starwaist::FrameMeasurement;
using starwaist::Star;
namespace analytic = starwaist::analytic;

constexpr double kPi = std::numbers::pi;
constexpr double kSkyE = 300;  // per pixel
constexpr double kReadNoiseE = 3;
constexpr double kGainEPerAdu = 0.8;
constexpr double kBiasAdu = 500;
constexpr double kFaintMatchedSnr = 10;
constexpr double kInFocusHfrPx = 2.0;        // of the seeing, behind the rings
constexpr double kLeastSeparationPx = 60;    // between stars, or 7 half-flux radii
constexpr double kDefectSeparationPx = 100;  // frames of a megapixel

// Goals.
constexpr double kGoalBias = 0.01;
constexpr double kGoalBiasWideWings = 0.02;  // Moffat 2.5
constexpr double kGoalScatter = 1.3;
constexpr double kGoalLowZ = 0.8;
constexpr double kGoalHighZ = 1.25;
constexpr double kGoalCompleteness = 0.95;
constexpr double kGoalFalse = 0.01;
constexpr double kGoalSplit = 0.005;

double sky_sigma_e() { return std::sqrt(kSkyE + kReadNoiseE * kReadNoiseE); }

// --- star images ------------------------------------------------------------------------------

enum class Seeing { moffat_25, moffat_4765, kolmogorov };
constexpr std::array kSeeings = {Seeing::moffat_25, Seeing::moffat_4765, Seeing::kolmogorov};

const char* name_of(Seeing seeing) {
  switch (seeing) {
    case Seeing::moffat_25:
      return "Moffat 2.5";
    case Seeing::moffat_4765:
      return "Moffat 4.765";
    default:
      return "Kolmogorov";
  }
}

// Long-exposure Kolmogorov seeing, lengths in lambda f / r0: transfer function exp(-3.4419 q^(5/3))
// (Fried 1966, from memory), so that half of the flux lies inside 0.55481.
class Kolmogorov {
 public:
  static constexpr double kHalfFlux = 0.5548101137;

  Kolmogorov() {
    const auto count = static_cast<std::size_t>(kTableEnd / kStep) + 4;
    for (std::size_t i = 0; i < count; ++i) density_.push_back(by_hankel(at_step(i)));
    outside_.resize(count - 3);
    outside_.back() = outside_by_wings(at_step(count - 4));
    for (std::size_t i = count - 4; i-- > 0;) {
      const double u = at_step(i);
      const double middle = u + kStep / 2;  // Simpson
      outside_[i] = outside_[i + 1] + 2 * kPi * kStep / 6 *
                                          (u * density(u) + 4 * middle * density(middle) +
                                           (u + kStep) * density(u + kStep));
    }
  }
  [[nodiscard]] double density(double u) const {
    if (u >= kTableEnd) return by_wings(u);
    const double place = u / kStep;
    const auto i = static_cast<std::size_t>(place);
    const double s = place - static_cast<double>(i);
    const double a = density_[i == 0 ? 1 : i - 1], b = density_[i], c = density_[i + 1],
                 d = density_[i + 2];
    return b + 0.5 * s * (c - a + s * (2 * a - 5 * b + 4 * c - d + s * (3 * (b - c) + d - a)));
  }
  [[nodiscard]] double outside(double u) const {  // flux beyond a radius
    if (u >= kTableEnd - kStep) return outside_by_wings(u);
    const auto i = static_cast<std::size_t>(u / kStep);
    const double r0 = at_step(i);
    return outside_[i] -
           2 * kPi * (u - r0) / 6 *
               (r0 * density(r0) + 2 * (r0 + u) * density(0.5 * (r0 + u)) + u * density(u));
  }

 private:
  static double at_step(std::size_t i) { return kStep * static_cast<double>(i); }
  static double outside_by_wings(double u) {
    return 2 * kPi *
           (wing(1) * std::pow(u, -5.0 / 3) / (5.0 / 3) +
            wing(2) * std::pow(u, -10.0 / 3) / (10.0 / 3));
  }
  static constexpr double kA = 3.4419385911;
  static constexpr double kStep = 0.02;
  static constexpr double kTableEnd = 10;

  static double by_hankel(double u) {
    constexpr double kStepQ = 0.002;
    double sum = 0;
    for (double q = kStepQ; q < 4; q += kStepQ) {
      sum += std::exp(-kA * std::pow(q, 5.0 / 3)) * ::j0(2 * kPi * q * u) * q;
    }
    // Euler and Maclaurin: the integrand leaves zero with slope one.
    return 2 * kPi * (sum * kStepQ + kStepQ * kStepQ / 12);
  }
  // The transform of |q|^s in the plane is pi^(-s-1) Gamma(1 + s/2) / Gamma(-s/2) u^(-s-2)
  // (generalised functions, from memory; held against by_hankel in check_profiles).
  static double wing(int order) {
    const double s = 5.0 / 3 * order;
    const double coefficient = order == 1 ? -kA : 0.5 * kA * kA;
    return coefficient * std::pow(kPi, -s - 1) * std::tgamma(1 + s / 2) / std::tgamma(-s / 2);
  }
  static double by_wings(double u) {
    return wing(1) * std::pow(u, -11.0 / 3) + wing(2) * std::pow(u, -16.0 / 3);
  }

  std::vector<double> density_;
  std::vector<double> outside_;
};

const Kolmogorov& kolmogorov() {
  static const Kolmogorov made;
  return made;
}

// Seeing alone, before the pixel.
struct SeeingProfile {
  Seeing kind = Seeing::moffat_25;
  double hfr_px = 1;

  [[nodiscard]] double beta() const { return kind == Seeing::moffat_25 ? 2.5 : 4.765; }
  [[nodiscard]] double alpha_px() const {
    return hfr_px / std::sqrt(std::exp2(1 / (beta() - 1)) - 1);
  }
  [[nodiscard]] double density(double r_px) const {
    if (kind == Seeing::kolmogorov) {
      const double unit_px = hfr_px / Kolmogorov::kHalfFlux;
      return kolmogorov().density(r_px / unit_px) / (unit_px * unit_px);
    }
    return analytic::Moffat{alpha_px(), beta()}.density(r_px);
  }
  [[nodiscard]] double outside(double r_px) const {
    if (kind == Seeing::kolmogorov) {
      return kolmogorov().outside(r_px * Kolmogorov::kHalfFlux / hfr_px);
    }
    return 1 - analytic::Moffat{alpha_px(), beta()}.enclosed(r_px);
  }
};

// A star before the pixel: seeing, smeared over the disc or ring of a defocused pupil (radius 0: in
// focus). Radial table with cubic interpolation.
class StarProfile {
 public:
  StarProfile(SeeingProfile seeing, double radius_px, double obstruction)
      : seeing_(seeing), radius_px_(radius_px), obstruction_(obstruction) {
    step_px_ = std::min(0.05, seeing.hfr_px / 20);
    // To where 1 in 5000 of the light is outside: what is cut off is a tenth of the goal.
    double wings_px = 4 * seeing.hfr_px;
    while (seeing.outside(wings_px) > 2e-4) wings_px *= 1.05;
    reach_px_ = radius_px + wings_px;
    const auto count = static_cast<std::size_t>(reach_px_ / step_px_) + 4;
    density_.reserve(count);
    for (std::size_t i = 0; i < count; ++i) {
      density_.push_back(smeared_density(step_px_ * static_cast<double>(i)));
    }
    // Simpson over each step with the interpolated middle.
    enclosed_.push_back(0);
    for (std::size_t i = 0; i + 1 < count; ++i) {
      const double r0 = step_px_ * static_cast<double>(i);
      const double r1 = r0 + step_px_;
      const double middle = 0.5 * (r0 + r1);
      enclosed_.push_back(enclosed_.back() +
                          2 * kPi * step_px_ / 6 *
                              (r0 * density(r0) + 4 * middle * density(middle) + r1 * density(r1)));
    }
  }

  [[nodiscard]] double density(double r_px) const {
    const double place = r_px / step_px_;
    const auto i = static_cast<std::size_t>(place);
    if (i + 2 >= density_.size()) return 0;
    const double s = place - static_cast<double>(i);
    const double a = density_[i == 0 ? 1 : i - 1], b = density_[i], c = density_[i + 1],
                 d = density_[i + 2];
    return b + 0.5 * s * (c - a + s * (2 * a - 5 * b + 4 * c - d + s * (3 * (b - c) + d - a)));
  }
  [[nodiscard]] double enclosed(double r_px) const {
    const double place = std::min(r_px / step_px_, static_cast<double>(enclosed_.size() - 2));
    const auto i = static_cast<std::size_t>(place);
    const double r0 = step_px_ * static_cast<double>(i);
    const double r = place * step_px_;
    return enclosed_[i] +
           2 * kPi * (r - r0) / 6 *
               (r0 * density(r0) + 2 * (r0 + r) * density(0.5 * (r0 + r)) + r * density(r));
  }
  [[nodiscard]] double half_flux_radius() const {
    return analytic::solve_rising([this](double r) { return enclosed(r); }, 0.5, 0, reach_px_);
  }
  [[nodiscard]] double reach_px() const { return reach_px_; }
  [[nodiscard]] double ring_radius_px() const { return radius_px_; }
  [[nodiscard]] const SeeingProfile& seeing() const { return seeing_; }
  [[nodiscard]] double flux_in_table() const { return enclosed_.back(); }

 private:
  [[nodiscard]] double smeared_density(double r_px) const {
    if (radius_px_ <= 0) return seeing_.density(r_px);
    const double inner_px = obstruction_ * radius_px_;
    const double whole = flux_over_disc(r_px, radius_px_);
    const double hole = inner_px > 0 ? flux_over_disc(r_px, inner_px) : 0;
    return (whole - hole) / (kPi * (radius_px_ * radius_px_ - inner_px * inner_px));
  }
  // Integral of the seeing, centred at distance r, over a disc: whole circles round the seeing's
  // centre as far as they fit, then arcs. The arcs' ends are square roots, which Chebyshev's
  // substitution takes away.
  [[nodiscard]] double flux_over_disc(double r_px, double disc_px) const {
    double sum = r_px < disc_px ? 1 - seeing_.outside(disc_px - r_px) : 0;
    const double low = std::abs(r_px - disc_px);
    const double high = r_px + disc_px;
    if (r_px <= 0) return sum;
    const int nodes = 24 + static_cast<int>(16 * (high - low) / seeing_.hfr_px);
    for (int k = 0; k < nodes; ++k) {
      const double angle = kPi * (k + 0.5) / nodes;
      const double s = 0.5 * (low + high) - 0.5 * (high - low) * std::cos(angle);
      const double cosine = (s * s + r_px * r_px - disc_px * disc_px) / (2 * s * r_px);
      sum += kPi / nodes * 0.5 * (high - low) * std::sin(angle) * seeing_.density(s) * s * 2 *
             std::acos(std::clamp(cosine, -1.0, 1.0));
    }
    return sum;
  }

  SeeingProfile seeing_;
  double radius_px_ = 0;
  double obstruction_ = 0;
  double step_px_ = 0.05;
  double reach_px_ = 0;
  std::vector<double> density_;
  std::vector<double> enclosed_;
};

// --- truth ------------------------------------------------------------------------------------

struct Truth {
  StarProfile profile;
  double hfr_px = 0;          // recorded: one pixel width in it, once
  double slope_per_px = 0;    // of the recorded growth curve there
  double noise_area_px2 = 0;  // 1 / sum of squares over the pixels
  [[nodiscard]] double flux_of_snr(double snr) const {
    // CCD equation with the noise-equivalent area: snr^2 (F + A sigma^2) = F^2.
    const double sky = noise_area_px2 * sky_sigma_e() * sky_sigma_e();
    return 0.5 * (snr * snr + std::sqrt(std::pow(snr, 4) + 4 * snr * snr * sky));
  }
  [[nodiscard]] double flux_of_matched_snr(double snr) const {
    return snr * sky_sigma_e() * std::sqrt(noise_area_px2);
  }
};

double pixel_flux(const StarProfile& profile, double dx_px, double dy_px) {
  static const auto fine = analytic::gauss_legendre(6);
  static const auto middling = analytic::gauss_legendre(3);
  static const auto coarse = analytic::gauss_legendre(2);
  const double r_px = std::hypot(dx_px, dy_px);
  const double core_px = profile.ring_radius_px() + 4 * profile.seeing().hfr_px;
  const auto& rule = r_px > core_px ? coarse : profile.ring_radius_px() > 0 ? middling : fine;
  double sum = 0;
  for (const auto& [v, weight_v] : rule) {
    for (const auto& [u, weight_u] : rule) {
      sum += weight_u * weight_v * profile.density(std::hypot(dx_px + u, dy_px + v));
    }
  }
  return sum;
}

void draw(analytic::Image& image, const StarProfile& profile, double x_px, double y_px,
          double flux_e) {
  const double reach_px = profile.reach_px();
  const int x0 = std::max(0, static_cast<int>(std::floor(x_px - reach_px)));
  const int y0 = std::max(0, static_cast<int>(std::floor(y_px - reach_px)));
  const int x1 = std::min(image.width_px - 1, static_cast<int>(std::ceil(x_px + reach_px)));
  const int y1 = std::min(image.height_px - 1, static_cast<int>(std::ceil(y_px + reach_px)));
  for (int y = y0; y <= y1; ++y) {
    for (int x = x0; x <= x1; ++x) {
      image.at(x, y) += static_cast<float>(flux_e * pixel_flux(profile, x - x_px, y - y_px));
    }
  }
}

// Newton on the recorded growth curve of tests/support/analytic_profiles.h.
std::pair<double, double> recorded_half_flux(const StarProfile& profile) {
  double h_px = profile.half_flux_radius();
  double slope = 1;
  for (int step = 0; step < 4; ++step) {
    constexpr double kDelta = 0.02;
    const double above = analytic::recorded_enclosed(profile, h_px + kDelta);
    const double below = analytic::recorded_enclosed(profile, h_px - kDelta);
    slope = (above - below) / (2 * kDelta);
    h_px -= (0.5 * (above + below) - 0.5) / slope;
  }
  return {h_px, slope};
}

Truth truth_of(const StarProfile& profile) {
  const auto [h_px, slope] = recorded_half_flux(profile);
  double area_px2 = 0;
  for (const double place : {0.1, 0.4}) {
    const int half_px =
        static_cast<int>(profile.ring_radius_px() + 6 * profile.seeing().hfr_px) + 2;
    double squares = 0;
    for (int y = -half_px; y <= half_px; ++y) {
      for (int x = -half_px; x <= half_px; ++x) {
        const double f = pixel_flux(profile, x - place, y - 0.5 * place);
        squares += f * f;
      }
    }
    area_px2 += 0.5 / squares;
  }
  return {profile, h_px, slope, area_px2};
}

// A star whose recorded half-flux radius is near `size_px`; the truth is what it came to.
Truth star_of_size(double size_px, Seeing seeing, double in_focus_hfr_px, double obstruction) {
  double seeing_px = in_focus_hfr_px > 0 ? in_focus_hfr_px : size_px;
  double radius_px = 0;
  double got_px = 0;
  for (int step = 0; step < 3; ++step) {
    if (in_focus_hfr_px > 0) {
      const double wanted = step == 0 ? size_px * size_px - seeing_px * seeing_px
                                      : size_px * size_px - got_px * got_px;
      radius_px = std::sqrt(radius_px * radius_px + 2 * wanted / (1 + obstruction * obstruction));
    } else if (step > 0) {
      seeing_px *= size_px / got_px;
    }
    if (step < 2) {
      got_px = recorded_half_flux(StarProfile({seeing, seeing_px}, radius_px, obstruction)).first;
    }
  }
  return truth_of(StarProfile({seeing, seeing_px}, radius_px, obstruction));
}

// --- the least scatter of a growth curve ------------------------------------------------------

// Standard error of the half-flux radius from a growth curve summed to `aperture_px`, centre, sky
// and the share w of the flux inside the aperture known: h solves F(<h) = q F(<R), q = 1 / 2w, so
// dh = ((q - 1) dF(<h) + q dF(h..R)) / F'(h), the two parts independent, each with its photons and
// its sky (physics: binomial and background-limited size errors; own derivation).
double growth_limit_px(double flux_e, double sky_sigma, double half_px, double slope_per_px,
                       double aperture_px, double share_inside_h, double share_inside_aperture) {
  const double q = share_inside_h / share_inside_aperture;
  const double sky2 = sky_sigma * sky_sigma;
  const double inner = flux_e * share_inside_h + sky2 * kPi * half_px * half_px;
  const double outer = flux_e * std::max(share_inside_aperture - share_inside_h, 0.0) +
                       sky2 * kPi * (aperture_px * aperture_px - half_px * half_px);
  return std::sqrt((q - 1) * (q - 1) * inner + q * q * outer) / (flux_e * slope_per_px);
}

double growth_limit_px(const Truth& truth, double flux_e, double aperture_px) {
  return growth_limit_px(flux_e, sky_sigma_e(), truth.hfr_px, truth.slope_per_px, aperture_px, 0.5,
                         std::max(truth.profile.enclosed(aperture_px), 0.5));
}

// --- random numbers ---------------------------------------------------------------------------

double median_of(std::vector<double> v) {
  if (v.empty()) return std::nan("");
  const auto middle = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), middle, v.end());
  if (v.size() % 2 == 1) return *middle;
  return 0.5 * (*middle + *std::max_element(v.begin(), middle));
}

double robust_sd(const std::vector<double>& v) {  // 1.4826 times the median distance
  const double centre = median_of(v);
  std::vector<double> distance;
  distance.reserve(v.size());
  for (const double x : v) distance.push_back(std::abs(x - centre));
  return 1.4826 * median_of(distance);
}

double rms(const std::vector<double>& v) {
  double sum = 0;
  for (const double x : v) sum += x * x;
  return v.empty() ? std::nan("") : std::sqrt(sum / static_cast<double>(v.size()));
}

double sd_about_mean(const std::vector<double>& v) {  // 0 where one value says nothing
  if (v.size() < 2) return 0;
  const auto n = static_cast<double>(v.size());
  double mean = 0;
  for (const double x : v) mean += x / n;
  double sum = 0;
  for (const double x : v) sum += (x - mean) * (x - mean);
  return std::sqrt(sum / (n - 1));
}

// The formula above against a small Monte Carlo: a Gaussian of 2.5 px on a sky of noise, half of
// the flux inside 2, 3, 4 sigma; the working notes have .74, 1.07, 1.42 (times HFR / SNR).
void check_limit(std::mt19937_64& random, int trials) {
  constexpr double kSigmaPx = 2.5;
  constexpr double kSkySigma = 10;
  constexpr int kHalfSide = 12;
  const analytic::Gaussian star{kSigmaPx};
  const double flux = 60 * kSkySigma * std::sqrt(4 * kPi) * kSigmaPx;
  std::printf("least scatter of a growth curve, Gaussian, sky noise only, (sd / HFR) x SNR:\n");
  std::normal_distribution<double> normal;
  for (const double reach : {2.0, 3.0, 4.0}) {
    const double aperture_px = reach * kSigmaPx;
    const double inside = star.enclosed(aperture_px);
    const double h_px =
        analytic::solve_rising([&](double r) { return star.enclosed(r); }, inside / 2, 0, 10);
    constexpr int kHalfCount = 10;  // radii around the answer, 0.1 px apart
    std::vector<double> radii_px;
    for (int i = -kHalfCount; i <= kHalfCount; ++i) radii_px.push_back(h_px + 0.1 * i);
    radii_px.push_back(aperture_px);
    std::vector<std::vector<double>> overlap(radii_px.size());
    std::vector<double> clean;
    for (int y = -kHalfSide; y <= kHalfSide; ++y) {
      for (int x = -kHalfSide; x <= kHalfSide; ++x) {
        clean.push_back(flux * analytic::pixel_flux(star, x, y));
        for (std::size_t i = 0; i < radii_px.size(); ++i) {
          overlap[i].push_back(
              analytic::circle_rectangle_overlap(x - 0.5, x + 0.5, y - 0.5, y + 0.5, radii_px[i]));
        }
      }
    }
    std::vector<double> sizes_px;
    for (int trial = 0; trial < trials; ++trial) {
      std::vector<double> growth(radii_px.size(), 0.0);
      for (std::size_t p = 0; p < clean.size(); ++p) {
        const double value = clean[p] + kSkySigma * normal(random);
        for (std::size_t i = 0; i < growth.size(); ++i) growth[i] += overlap[i][p] * value;
      }
      for (std::size_t i = 0; i + 2 < growth.size(); ++i) {
        const double target = growth.back() / 2;
        if (growth[i] < target && growth[i + 1] >= target) {
          sizes_px.push_back(radii_px[i] +
                             0.1 * (target - growth[i]) / (growth[i + 1] - growth[i]));
          break;
        }
      }
    }
    const double slope = h_px / (kSigmaPx * kSigmaPx) * (1 - star.enclosed(h_px));
    const double scale = 60 / star.half_flux_radius();
    // The photons have no part here: flux terms off by a huge flux of the same signal-to-noise.
    const double huge = 1e9;
    const double formula = growth_limit_px(flux * huge, kSkySigma * huge, h_px, slope, aperture_px,
                                           inside / 2, inside);
    std::printf("  aperture %.0f sigma: formula %.2f, Monte Carlo %.2f, notes %.2f\n", reach,
                scale * formula, scale * sd_about_mean(sizes_px),
                reach == 2   ? 0.74
                : reach == 3 ? 1.07
                             : 1.42);
  }
}

void check_profiles() {
  std::printf(
      "profiles: Kolmogorov half-flux %.5f (0.55481), outside 9.9 / 10.1: %.3e %.3e, total"
      " %.6f\n",
      analytic::solve_rising([](double u) { return 1 - kolmogorov().outside(u); }, 0.5, 0, 3),
      kolmogorov().outside(9.9), kolmogorov().outside(10.1), kolmogorov().outside(0));
  const StarProfile gauss_like({Seeing::kolmogorov, 2}, 20, 0.35);
  std::printf(
      "          ring of 20 px, hole 0.35, Kolmogorov 2 px: flux in the table %.5f (0.9998)\n",
      gauss_like.flux_in_table());
}

// --- frames -----------------------------------------------------------------------------------

struct PlacedStar {
  double x_px = 0;
  double y_px = 0;
  double flux_e = 0;
  bool faint = false;  // of matched signal-to-noise 10, for completeness only
};

struct Scene {
  int width_px = 0;
  int height_px = 0;
  std::vector<PlacedStar> stars;
};

// Electrons to ADU. Photons by the second-order Cornish-Fisher expansion, which keeps mean,
// variance and skewness of Poisson plus read noise (sky 300 electrons: enough).
Frame expose(const analytic::Image& electrons, std::uint64_t seed, bool facts) {
  std::mt19937_64 engine(seed);
  std::normal_distribution<double> normal;
  analytic::Image adu(electrons.width_px, electrons.height_px);
  for (std::size_t i = 0; i < adu.values.size(); ++i) {
    const double mean = electrons.values[i];
    const double variance = mean + kReadNoiseE * kReadNoiseE;
    const double g = normal(engine);
    const double e = mean + std::sqrt(variance) * g + mean / (6 * variance) * (g * g - 1);
    adu.values[i] = static_cast<float>(e / kGainEPerAdu + kBiasAdu);
  }
  Frame frame = analytic::frame_of(adu, kGainEPerAdu, kReadNoiseE);
  if (!facts) frame.facts = {};
  return frame;
}

analytic::Image sky_of(const Scene& scene, double gradient) {
  analytic::Image image(scene.width_px, scene.height_px);
  for (int y = 0; y < scene.height_px; ++y) {
    for (int x = 0; x < scene.width_px; ++x) {
      const double across = static_cast<double>(x) / scene.width_px - 0.5 +
                            0.5 * (static_cast<double>(y) / scene.height_px - 0.5);
      image.at(x, y) = static_cast<float>(kSkyE * (1 + gradient * across));
    }
  }
  return image;
}

// 8 x 8 stars in places of their own, at random inside a pixel and a little beyond.
Scene make_scene(const Truth& truth, double least_separation_px,
                 const std::function<double(int)>& flux_of_star, std::mt19937_64& random) {
  constexpr int kAcross = 8;
  const double separation_px = std::max(least_separation_px, 7 * truth.hfr_px);
  const double cell_px = 1.25 * separation_px;
  const double margin_px = 2 * truth.hfr_px;
  std::uniform_real_distribution<double> uniform(-1, 1);
  Scene scene;
  scene.width_px = static_cast<int>(kAcross * cell_px + 2 * margin_px);
  scene.height_px = scene.width_px;
  for (int i = 0; i < kAcross * kAcross; ++i) {
    const int column = i % kAcross;
    const int row = i / kAcross;
    PlacedStar star;
    star.x_px = margin_px + cell_px * (column + 0.5 + 0.1 * uniform(random));
    star.y_px = margin_px + cell_px * (row + 0.5 + 0.1 * uniform(random));
    star.faint = (column + row) % 4 == 0;
    star.flux_e = star.faint ? truth.flux_of_matched_snr(kFaintMatchedSnr) : flux_of_star(i);
    scene.stars.push_back(star);
  }
  return scene;
}

bool is_usable(const Star& s) {
  return s.hfr_px && !s.saturated && !s.blended && !s.at_edge && !s.extended;
}

// --- scores -----------------------------------------------------------------------------------

struct Score {
  std::vector<double> relative;        // hfr / truth - 1
  std::vector<double> over_limit;      // (hfr - truth) / limit
  std::vector<double> z;               // (hfr - truth) / hfr_sigma
  std::vector<double> faint_relative;  // of the stars of matched SNR 10
  std::vector<double> frame_relative;
  std::vector<double> frame_z;
  std::vector<double> aperture_over_hfr;
  int placed = 0;  // stars of the level asked for
  int found = 0;   // of those, listed
  int faint_placed = 0;
  int faint_found = 0;
  int detections = 0;
  int false_stars = 0;
  int usable = 0;
  int false_usable = 0;
  int split = 0;
  int frames = 0;
  int frames_without_size = 0;
  double seconds = 0;
};

void score_frame(const Truth& truth, const Scene& scene, const FrameMeasurement& measured,
                 Score& score) {
  const double match_px = std::max(2.5, 0.6 * truth.hfr_px);
  const double body_px =
      std::max(4.0, truth.profile.ring_radius_px() + 2 * truth.profile.seeing().hfr_px);
  std::vector<const Star*> best(scene.stars.size(), nullptr);
  std::vector<double> best_px(scene.stars.size(), 1e9);
  std::vector<int> pieces(scene.stars.size(), 0);
  for (const Star& s : measured.stars) {
    ++score.detections;
    if (is_usable(s)) ++score.usable;
    std::size_t nearest = 0;
    double nearest_px = 1e9;
    for (std::size_t i = 0; i < scene.stars.size(); ++i) {
      const double d_px = std::hypot(s.x_px - scene.stars[i].x_px, s.y_px - scene.stars[i].y_px);
      if (d_px < nearest_px) {
        nearest_px = d_px;
        nearest = i;
      }
    }
    if (nearest_px > body_px) {
      ++score.false_stars;
      if (is_usable(s)) ++score.false_usable;
      continue;
    }
    ++pieces[nearest];
    if (nearest_px < match_px && nearest_px < best_px[nearest]) {
      best_px[nearest] = nearest_px;
      best[nearest] = &s;
    }
  }
  for (std::size_t i = 0; i < scene.stars.size(); ++i) {
    const PlacedStar& placed = scene.stars[i];
    ++(placed.faint ? score.faint_placed : score.placed);
    if (pieces[i] > 1) ++score.split;
    if (best[i] == nullptr) continue;
    ++(placed.faint ? score.faint_found : score.found);
    if (!is_usable(*best[i])) continue;
    const double error_px = *best[i]->hfr_px - truth.hfr_px;
    if (placed.faint) {
      score.faint_relative.push_back(error_px / truth.hfr_px);
      continue;
    }
    score.relative.push_back(error_px / truth.hfr_px);
    score.over_limit.push_back(error_px /
                               growth_limit_px(truth, placed.flux_e, best[i]->aperture_px));
    score.aperture_over_hfr.push_back(best[i]->aperture_px / truth.hfr_px);
    if (best[i]->hfr_sigma_px) score.z.push_back(error_px / *best[i]->hfr_sigma_px);
  }
  ++score.frames;
  if (!measured.hfr_px) {
    ++score.frames_without_size;
    return;
  }
  score.frame_relative.push_back(*measured.hfr_px / truth.hfr_px - 1);
  if (measured.hfr_sigma_px) {
    score.frame_z.push_back((*measured.hfr_px - truth.hfr_px) / *measured.hfr_sigma_px);
  }
}

void measure_and_score(const Truth& truth, const Scene& scene, const Frame& frame, Score& score) {
  const auto begin = std::chrono::steady_clock::now();
  const auto measured = starwaist::measure_frame(frame);
  score.seconds += std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  if (!measured) {
    std::printf("  measure_frame failed: %s\n", measured.error().message.c_str());
    return;
  }
  score_frame(truth, scene, *measured, score);
}

double percent(int part, int whole) { return whole == 0 ? std::nan("") : 100.0 * part / whole; }

// One figure held against its goal, with the cell it belongs to.
struct Miss {
  std::string cell;
  std::string figure;
  double by = 0;  // how far beyond the goal, in units of the goal
};

struct Summary {
  std::map<std::string, std::array<int, 2>> cells;  // figure -> cells held, cells missed
  std::vector<Miss> misses;
  // Pooled over the grid.
  std::vector<double> over_limit, z, frame_z, frame_z_about_mean, relative_narrow, relative_wide;
  int faint_placed = 0, faint_found = 0, detections = 0, false_stars = 0, split = 0, placed = 0;
  int frame_cells = 0;

  void hold(const std::string& cell, const char* figure, bool reached, double by,
            const std::string& text) {
    ++cells[figure][reached ? 0 : 1];
    if (!reached) misses.push_back({cell + "  " + text, figure, by});
  }
};

std::string text_of(const char* format, double a, double b = 0) {
  char buffer[120];
  std::snprintf(buffer, sizeof buffer, format, a, b);
  return buffer;
}

void print_heading() {
  std::printf("%-31s %4s %4s %14s %5s %5s %5s %6s %8s %5s %6s %6s %6s %6s\n",
              "size, seeing, hole, SNR", "n", "ap/h", "bias %", "scat", "rob.", "sd z", "SNR10%",
              "frame %", "rms z", "compl%", "false%", "split%", "ms");
}

void print_and_hold(const std::string& cell, Seeing seeing, const Score& s, Summary& summary) {
  const double bias = median_of(s.relative);
  // Standard error of a median; what the stars of a frame have in common shows between frames.
  const double frame_sd = sd_about_mean(s.frame_relative);
  const double bias_se =
      std::max(1.2533 * robust_sd(s.relative) / std::sqrt(static_cast<double>(s.relative.size())),
               frame_sd / std::sqrt(static_cast<double>(s.frame_relative.size())));
  std::vector<double> about_median = s.over_limit;
  const double middle = median_of(s.over_limit);
  for (double& v : about_median) v -= middle;
  std::vector<double> z_about = s.z;
  const double z_middle = median_of(s.z);
  for (double& v : z_about) v -= z_middle;
  const double scatter = rms(about_median);
  const double scatter_robust = robust_sd(s.over_limit);
  const double sd_z = rms(z_about);
  const double completeness = percent(s.faint_found, s.faint_placed);
  const double false_percent = percent(s.false_stars, s.detections);
  const double split_percent = percent(s.split, s.placed + s.faint_placed);
  std::printf(
      "%-31s %4zu %4.1f %+7.2f +-%4.2f %5.2f %5.2f %5.2f %+6.1f %+8.2f %5.2f %6.1f %6.1f %6.2f "
      "%6.0f\n",
      cell.c_str(), s.relative.size(), median_of(s.aperture_over_hfr), 100 * bias, 100 * bias_se,
      scatter, scatter_robust, sd_z, 100 * median_of(s.faint_relative),
      100 * median_of(s.frame_relative), rms(s.frame_z), completeness, false_percent, split_percent,
      1000 * s.seconds / std::max(s.frames, 1));
  std::fflush(stdout);

  const double goal_bias = seeing == Seeing::moffat_25 ? kGoalBiasWideWings : kGoalBias;
  // A figure misses its goal where it is beyond it by more than two of its own standard errors.
  summary.hold(cell, "bias of stars", std::abs(bias) - 2 * bias_se <= goal_bias,
               std::abs(bias) / goal_bias,
               text_of("bias %+.2f +- %.2f %%", 100 * bias, 100 * bias_se));
  const double spread_se = 1 / std::sqrt(2.0 * static_cast<double>(s.relative.size()));
  summary.hold(cell, "scatter over limit", scatter * (1 - 2 * spread_se) <= kGoalScatter,
               scatter / kGoalScatter,
               text_of("scatter %.2f of the limit (robust %.2f)", scatter, scatter_robust));
  summary.hold(cell, "sd of star residuals",
               sd_z * (1 - 2 * spread_se) <= kGoalHighZ && sd_z * (1 + 2 * spread_se) >= kGoalLowZ,
               sd_z > 1 ? sd_z / kGoalHighZ : kGoalLowZ / sd_z, text_of("sd z %.2f", sd_z));
  const double frame_bias = median_of(s.frame_relative);
  summary.hold(cell, "bias of frames", std::abs(frame_bias) - 2 * bias_se <= goal_bias,
               std::abs(frame_bias) / goal_bias, text_of("frame %+.2f %%", 100 * frame_bias));
  const double lost = 100 - completeness;
  const double lost_se = 100 * std::sqrt(std::max(lost, 5.0) / 100 / std::max(s.faint_placed, 1));
  summary.hold(cell, "completeness at SNR 10", lost - 2 * lost_se <= 100 * (1 - kGoalCompleteness),
               lost / 5, text_of("found %.0f %%", completeness));
  summary.hold(cell, "false stars",
               s.false_stars <= std::max(1.0, kGoalFalse * s.detections +
                                                  2 * std::sqrt(kGoalFalse * s.detections)),
               false_percent, text_of("false %.1f %%", false_percent));
  summary.hold(
      cell, "split stars",
      s.split <= std::max(1.0, kGoalSplit * (s.placed + s.faint_placed) +
                                   2 * std::sqrt(kGoalSplit * (s.placed + s.faint_placed))),
      split_percent, text_of("split %.1f %%", split_percent));
  if (s.frames_without_size > 0) {
    summary.hold(cell, "frames with a size", false, s.frames_without_size,
                 text_of("%.0f frames without a size", s.frames_without_size));
  }

  const auto add = [](std::vector<double>& to, const std::vector<double>& from) {
    to.insert(to.end(), from.begin(), from.end());
  };
  add(summary.over_limit, about_median);
  add(summary.z, z_about);
  add(summary.frame_z, s.frame_z);
  double frame_mean = 0;
  for (const double z : s.frame_z) frame_mean += z / static_cast<double>(s.frame_z.size());
  if (s.frame_z.size() > 1) {
    // The mean took one degree of freedom.
    const auto n = static_cast<double>(s.frame_z.size());
    for (const double z : s.frame_z) {
      summary.frame_z_about_mean.push_back((z - frame_mean) * std::sqrt(n / (n - 1)));
    }
  }
  add(seeing == Seeing::moffat_25 ? summary.relative_wide : summary.relative_narrow, s.relative);
  summary.faint_placed += s.faint_placed;
  summary.faint_found += s.faint_found;
  summary.detections += s.detections;
  summary.false_stars += s.false_stars;
  summary.split += s.split;
  summary.placed += s.placed + s.faint_placed;
}

// --- sections ---------------------------------------------------------------------------------

struct Settings {
  int trials = 3;
  std::uint64_t seed = 1;
  bool quick = false;
  bool facts = true;
  std::string only;
};

std::string cell_name(double size_px, Seeing seeing, bool in_focus, double obstruction,
                      double snr) {
  char buffer[80];
  if (in_focus) {
    std::snprintf(buffer, sizeof buffer, "%4.1f %-12s in focus %3.0f", size_px, name_of(seeing),
                  snr);
  } else {
    std::snprintf(buffer, sizeof buffer, "%4.1f %-12s %-8.2f %3.0f", size_px, name_of(seeing),
                  obstruction, snr);
  }
  return buffer;
}

void run_cells(const Settings& settings, const Truth& truth, double size_px, Seeing seeing,
               bool in_focus, double obstruction, std::mt19937_64& random, Summary& summary) {
  const std::vector<double> levels =
      settings.quick ? std::vector<double>{30, 150} : std::vector<double>{30, 60, 150};
  std::uniform_real_distribution<double> spread(0.85, 1.15);
  for (const double snr : levels) {
    const std::string name = cell_name(size_px, seeing, in_focus, obstruction, snr);
    if (name.find(settings.only) == std::string::npos) continue;
    Score score;
    // The largest frames hold four megapixels: half as many of them.
    const int frames = size_px > 20 ? std::max(2, settings.trials / 2) : settings.trials;
    for (int trial = 0; trial < frames; ++trial) {
      // A little unequal: equal peaks would pass for the ceiling of a converter.
      const Scene scene = make_scene(
          truth, kLeastSeparationPx, [&](int) { return truth.flux_of_snr(snr * spread(random)); },
          random);
      analytic::Image electrons = sky_of(scene, 0.04);
      for (const PlacedStar& s : scene.stars) {
        draw(electrons, truth.profile, s.x_px, s.y_px, s.flux_e);
      }
      measure_and_score(truth, scene, expose(electrons, random(), settings.facts), score);
    }
    print_and_hold(name, seeing, score, summary);
  }
}

void run_grid(const Settings& settings, std::mt19937_64& random, Summary& summary) {
  std::printf(
      "\nEach cell: %d frames of 48 stars of one SNR and 16 of matched SNR 10; sky %.0f e, read"
      " noise %.0f e.\nn usable stars; ap/h aperture over truth; scat: scatter over the limit,"
      " rob.: the same robustly;\nSNR10%%: bias of the faint ones; frame %%, rms z: the frame's"
      " size; ms: measure_frame.\n\n",
      settings.trials, kSkyE, kReadNoiseE);
  print_heading();
  const std::vector<double> focused =
      settings.quick ? std::vector<double>{1, 2.5} : std::vector<double>{1, 1.5, 2.5, 4};
  const std::vector<double> defocused =
      settings.quick ? std::vector<double>{4, 12} : std::vector<double>{4, 7, 12, 25};
  const std::vector<double> holes =
      settings.quick ? std::vector<double>{0.35} : std::vector<double>{0, 0.35, 0.5};
  for (const double size_px : focused) {
    for (const Seeing seeing : kSeeings) {
      run_cells(settings, star_of_size(size_px, seeing, 0, 0), size_px, seeing, true, 0, random,
                summary);
    }
  }
  for (const double size_px : defocused) {
    for (const Seeing seeing : kSeeings) {
      for (const double hole : holes) {
        run_cells(settings, star_of_size(size_px, seeing, kInFocusHfrPx, hole), size_px, seeing,
                  false, hole, random, summary);
      }
    }
  }
}

// Which signal-to-noise a star needs to be listed, by itself and in a field of brighter ones.
void run_faint(const Settings& settings, std::mt19937_64& random) {
  constexpr std::array kSnrs = {7.0, 10.0, 13.0, 17.0};
  std::printf("\nStars listed, %%, by matched SNR (Kolmogorov, hole 0.35):\n%-34s", "");
  for (const double snr : kSnrs) std::printf("%8.0f", snr);
  std::printf("\n");
  const int frames = settings.quick ? 1 : 2;
  for (const double size_px : {2.5, 4.0, 7.0, 12.0}) {
    const double in_focus_px = size_px < 3 ? 0 : kInFocusHfrPx;
    const Truth truth = star_of_size(size_px, Seeing::kolmogorov, in_focus_px, 0.35);
    for (const bool alone : {true, false}) {
      std::printf("  %4.1f px %-25s", size_px,
                  alone ? "all equally faint" : "among stars of SNR 60");
      for (const double snr : kSnrs) {
        Score score;
        for (int trial = 0; trial < frames; ++trial) {
          Scene scene = make_scene(
              truth, kLeastSeparationPx, [&](int) { return truth.flux_of_snr(60); }, random);
          for (PlacedStar& star : scene.stars) {
            star.faint = star.faint || alone;
            if (star.faint) star.flux_e = truth.flux_of_matched_snr(snr);
          }
          analytic::Image electrons = sky_of(scene, 0.04);
          for (const PlacedStar& s : scene.stars) {
            draw(electrons, truth.profile, s.x_px, s.y_px, s.flux_e);
          }
          measure_and_score(truth, scene, expose(electrons, random(), settings.facts), score);
        }
        std::printf("%8.0f", percent(score.faint_found, score.faint_placed));
      }
      std::printf("\n");
      std::fflush(stdout);
    }
  }
}

// Stars of all brightnesses, as a real field has them: the frame's sigma over repeated frames.
void run_fields(const Settings& settings, std::mt19937_64& random) {
  const int frames = settings.quick ? 4 : std::max(10, 3 * settings.trials);
  std::printf(
      "\nFields of many brightnesses (SNR 15 to 400, numbers fall as flux^-0.75), %d frames:\n",
      frames);
  std::printf("%-31s %9s %9s %9s %7s %7s %7s\n", "size, seeing, hole", "frame %", "sigma %", "sd %",
              "sd z", "rms z", "star z");
  struct Case {
    double size_px;
    Seeing seeing;
    double in_focus_px;
    double hole;
  };
  const Case cases[] = {{1.5, Seeing::moffat_4765, 0, 0},  {2.5, Seeing::moffat_25, 0, 0},
                        {2.5, Seeing::kolmogorov, 0, 0},   {4, Seeing::kolmogorov, 2, 0.35},
                        {7, Seeing::moffat_4765, 2, 0.35}, {12, Seeing::kolmogorov, 2, 0.5},
                        {12, Seeing::moffat_25, 2, 0}};
  std::vector<double> pooled;
  std::uniform_real_distribution<double> uniform(0, 1);
  for (const Case& c : cases) {
    const Truth truth = star_of_size(c.size_px, c.seeing, c.in_focus_px, c.hole);
    Score score;
    std::vector<double> sigma;
    for (int i = 0; i < frames; ++i) {
      const double low = truth.flux_of_snr(15);
      const double high = truth.flux_of_snr(400);
      const Scene scene = make_scene(
          truth, kLeastSeparationPx,
          [&](int) {
            const double share = uniform(random) * (1 - std::pow(high / low, -0.75));
            return low * std::pow(1 - share, -1 / 0.75);
          },
          random);
      analytic::Image electrons = sky_of(scene, 0.04);
      for (const PlacedStar& s : scene.stars) {
        draw(electrons, truth.profile, s.x_px, s.y_px, s.flux_e);
      }
      const auto measured = starwaist::measure_frame(expose(electrons, random(), settings.facts));
      if (!measured) continue;
      score_frame(truth, scene, *measured, score);
      if (measured->hfr_sigma_px) sigma.push_back(*measured->hfr_sigma_px / truth.hfr_px);
    }
    double mean = 0, mean_z = 0;
    const auto n = static_cast<double>(score.frame_relative.size());
    for (const double v : score.frame_relative) mean += v / n;
    for (const double v : score.frame_z) mean_z += v / n;
    for (const double v : score.frame_z) pooled.push_back((v - mean_z) * std::sqrt(n / (n - 1)));
    char name[80];
    std::snprintf(name, sizeof name, "%4.1f %-12s %.2f", c.size_px, name_of(c.seeing), c.hole);
    std::printf("%-31s %+9.2f %9.2f %9.2f %7.2f %7.2f %7.2f\n", name, 100 * mean,
                100 * median_of(sigma), 100 * sd_about_mean(score.frame_relative),
                sd_about_mean(score.frame_z), rms(score.frame_z), robust_sd(score.z));
    std::fflush(stdout);
  }
  std::printf(
      "pooled sd of the frames' standardised residuals about their means: %.2f (goal %.2f to"
      " %.2f)\n",
      rms(pooled), kGoalLowZ, kGoalHighZ);
}

// --- defects ----------------------------------------------------------------------------------

struct Defects {
  bool hot = false;
  bool hits = false;
  bool trail = false;
  bool gradient = false;
};

// Added to the electrons collected; hot pixels and hits are as sharp as the pixel, the trail is as
// wide as the stars.
void add_defects(const Defects& d, const Truth& truth, analytic::Image& image,
                 std::mt19937_64& random) {
  std::uniform_real_distribution<double> uniform(0, 1);
  const double width = image.width_px;
  const double height = image.height_px;
  const auto add_at = [&](double x_px, double y_px, double electrons) {
    const int x = static_cast<int>(x_px);
    const int y = static_cast<int>(y_px);
    if (x < 0 || y < 0 || x >= image.width_px || y >= image.height_px) return;
    image.at(x, y) += static_cast<float>(electrons);
  };
  if (d.hot) {  // 400 a megapixel, one in ten with a warm neighbour
    const int count = static_cast<int>(400e-6 * width * height);
    for (int i = 0; i < count; ++i) {
      const double x_px = uniform(random) * width;
      const double y_px = uniform(random) * height;
      const double electrons = 150 * std::pow(200.0, uniform(random));
      add_at(x_px, y_px, electrons);
      if (i % 10 == 0) add_at(x_px + 1, y_px, 0.5 * electrons);
    }
  }
  if (d.hits) {  // 10 a frame: straight, thin, 1 to 15 px long
    const int count = 10;
    for (int i = 0; i < count; ++i) {
      const double x_px = uniform(random) * width;
      const double y_px = uniform(random) * height;
      const double angle = kPi * uniform(random);
      const double length_px = 1 + 14 * std::pow(uniform(random), 3);
      const double per_px_e = 300 + 3000 * uniform(random);
      for (double t = 0; t < length_px; t += 0.1) {
        add_at(x_px + t * std::cos(angle), y_px + t * std::sin(angle), 0.1 * per_px_e);
      }
    }
  }
  if (d.trail) {  // across the frame; the stars' profile summed along the line
    const double angle = 0.2 + 0.5 * uniform(random);
    const double through_y_px = height * (0.2 + 0.3 * uniform(random));
    const double reach_px =
        std::min(truth.profile.reach_px(),
                 truth.profile.ring_radius_px() + 10 * truth.profile.seeing().hfr_px);
    std::vector<double> across;
    for (double distance = 0; distance <= reach_px; distance += 0.1) {
      double sum = 0;
      for (double t = 0.05; t < reach_px; t += 0.1) {
        sum += 0.2 * truth.profile.density(std::hypot(distance, t));
      }
      across.push_back(sum);
    }
    // A satellite of fifth magnitude, half a degree a second, 2 arcsec a pixel, 200 mm aperture.
    constexpr double kPerPxE = 1600;
    for (int y = 0; y < image.height_px; ++y) {
      for (int x = 0; x < image.width_px; ++x) {
        const double distance =
            std::abs(std::sin(angle) * x - std::cos(angle) * (y - through_y_px));
        const auto k = static_cast<std::size_t>(distance * 10);
        if (k < across.size()) image.at(x, y) += static_cast<float>(kPerPxE * across[k]);
      }
    }
  }
}

void run_defects(const Settings& settings, std::mt19937_64& random) {
  std::printf(
      "\nDefects on fields of many brightnesses (SNR 15 to 400): false among the stars used, bias"
      " of the frame\n");
  std::printf("%-26s %-12s %6s %7s %8s %7s %8s %8s %7s\n", "star", "defect", "used", "false",
              "false %", "listed", "false %", "frame %", "rms z");
  struct Case {
    double size_px;
    Seeing seeing;
    double in_focus_px;
    double hole;
  };
  const Case cases[] = {{1.5, Seeing::moffat_4765, 0, 0},
                        {2.5, Seeing::kolmogorov, 0, 0},
                        {12, Seeing::kolmogorov, 2, 0.35}};
  const std::pair<const char*, Defects> kinds[] = {
      {"none", {}},
      {"hot pixels", {.hot = true}},
      {"hits", {.hits = true}},
      {"trail", {.trail = true}},
      {"gradient 60%", {.gradient = true}},
      {"all", {.hot = true, .hits = true, .trail = true, .gradient = true}}};
  std::uniform_real_distribution<double> uniform(0, 1);
  const int frames = settings.quick ? 2 : settings.trials;
  int used = 0;
  int false_used = 0;
  for (const Case& c : cases) {
    const Truth truth = star_of_size(c.size_px, c.seeing, c.in_focus_px, c.hole);
    const std::uint64_t seed = random();
    for (const auto& [what, defects] : kinds) {
      Score score;
      std::mt19937_64 own(seed);  // the same stars and noise under every defect
      for (int i = 0; i < frames; ++i) {
        const double low = truth.flux_of_snr(15);
        const double high = truth.flux_of_snr(400);
        const Scene scene = make_scene(
            truth, kDefectSeparationPx,
            [&](int) {
              const double share = uniform(own) * (1 - std::pow(high / low, -0.75));
              return low * std::pow(1 - share, -1 / 0.75);
            },
            own);
        analytic::Image electrons = sky_of(scene, defects.gradient ? 0.6 : 0.04);
        for (const PlacedStar& s : scene.stars) {
          draw(electrons, truth.profile, s.x_px, s.y_px, s.flux_e);
        }
        std::mt19937_64 of_defects(own());
        add_defects(defects, truth, electrons, of_defects);
        measure_and_score(truth, scene, expose(electrons, own(), settings.facts), score);
      }
      used += score.usable;
      false_used += score.false_usable;
      char name[80];
      std::snprintf(name, sizeof name, "%4.1f px %s", c.size_px, name_of(c.seeing));
      std::printf("%-26s %-12s %6d %7d %8.1f %7d %8.1f %+8.2f %7.2f\n", name, what, score.usable,
                  score.false_usable, percent(score.false_usable, score.usable), score.detections,
                  percent(score.false_stars, score.detections),
                  100 * median_of(score.frame_relative), rms(score.frame_z));
      std::fflush(stdout);
    }
  }
  std::printf("false among the stars used, all rows: %.2f %% (goal %.0f %%)\n",
              percent(false_used, used), 100 * kGoalFalse);
}

// --- second opinion ---------------------------------------------------------------------------

void run_rendered() {
  std::printf("\nSecond opinion: frames of the library's renderer against its own truth\n");
  starwaist::RenderOptions options;
  options.positions_steps = starwaist::evenly_spaced_positions(5000, 60, 7);
  options.seeing_scatter = 0;
  const auto truth = starwaist::render_truth(options);
  if (!truth) {
    std::printf("  %s\n", truth.error().message.c_str());
    return;
  }
  for (int i = 0; i < static_cast<int>(options.positions_steps.size()); ++i) {
    const auto frame = starwaist::render_frame(options, i);
    if (!frame) continue;
    const auto measured = starwaist::measure_frame(*frame);
    const double h_px = truth->frames[static_cast<std::size_t>(i)].hfr_px;
    if (!measured || !measured->hfr_px) {
      std::printf("  %.2f px: no size\n", h_px);
      continue;
    }
    std::printf("  %5.2f px: frame %+.2f %%, z %+.2f\n", h_px, 100 * (*measured->hfr_px / h_px - 1),
                (*measured->hfr_px - h_px) / measured->hfr_sigma_px.value_or(1e9));
  }
}

void print_summary(const Summary& s) {
  std::printf("\nPooled over the grid                                 value   goal\n");
  std::printf("median bias, Kolmogorov and Moffat 4.765, %%         %+6.2f   +-%.0f\n",
              100 * median_of(s.relative_narrow), 100 * kGoalBias);
  std::printf("median bias, Moffat 2.5, %%                          %+6.2f   +-%.0f\n",
              100 * median_of(s.relative_wide), 100 * kGoalBiasWideWings);
  std::printf("scatter over the limit (robust)              %5.2f (%.2f)   <= %.1f\n",
              rms(s.over_limit), robust_sd(s.over_limit), kGoalScatter);
  std::printf("sd of star residuals about cell medians (robust) %4.2f (%.2f)  %.2f to %.2f\n",
              rms(s.z), robust_sd(s.z), kGoalLowZ, kGoalHighZ);
  std::printf("sd of frame residuals about cell means              %6.2f   %.2f to %.2f\n",
              rms(s.frame_z_about_mean), kGoalLowZ, kGoalHighZ);
  std::printf("rms of frame residuals, bias included               %6.2f   %.2f to %.2f\n",
              rms(s.frame_z), kGoalLowZ, kGoalHighZ);
  std::printf("completeness at matched SNR 10, %%                   %6.2f   >= %.0f\n",
              percent(s.faint_found, s.faint_placed), 100 * kGoalCompleteness);
  std::printf("false among the stars listed, %%                     %6.2f   <= %.0f\n",
              percent(s.false_stars, s.detections), 100 * kGoalFalse);
  std::printf("stars split, %%                                      %6.2f   <= %.1f\n",
              percent(s.split, s.placed), 100 * kGoalSplit);
  std::printf("\nCells that miss a goal by more than two standard errors, and the worst ten:\n");
  for (const auto& [figure, count] : s.cells) {
    std::printf("%-24s %d of %d cells\n", figure.c_str(), count[1], count[0] + count[1]);
    std::vector<Miss> worst;
    for (const Miss& m : s.misses) {
      if (m.figure == figure) worst.push_back(m);
    }
    std::sort(worst.begin(), worst.end(), [](const Miss& a, const Miss& b) { return a.by > b.by; });
    for (std::size_t i = 0; i < std::min<std::size_t>(10, worst.size()); ++i) {
      std::printf("    %s\n", worst[i].cell.c_str());
    }
  }
}

}  // namespace

int main(int argc, char** argv) {
  Settings settings;
  bool trials_given = false;
  for (int i = 1; i < argc; ++i) {
    const std::string name = argv[i];
    if (name == "--quick") {
      settings.quick = true;
    } else if (name == "--no-facts") {
      settings.facts = false;
    } else if (name == "--only" && i + 1 < argc) {
      settings.only = argv[++i];
    } else if (name == "--trials" && i + 1 < argc) {
      settings.trials = std::max(1, std::atoi(argv[++i]));
      trials_given = true;
    } else if (name == "--seed" && i + 1 < argc) {
      settings.seed = std::strtoull(argv[++i], nullptr, 10);
    } else {
      std::fprintf(
          stderr,
          "usage: star_truth_bench [--trials N] [--seed N] [--quick] [--no-facts] [--only TEXT]\n");
      return 2;
    }
  }
  if (settings.quick && !trials_given) settings.trials = 2;
  std::mt19937_64 random(settings.seed);
  check_profiles();
  check_limit(random, settings.quick ? 1000 : 4000);
  Summary summary;
  run_grid(settings, random, summary);
  if (settings.only.empty()) {
    run_faint(settings, random);
    run_fields(settings, random);
    run_defects(settings, random);
    run_rendered();
  }
  print_summary(summary);
  return 0;
}
