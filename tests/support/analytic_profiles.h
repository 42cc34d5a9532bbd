// Star profiles and their sizes in closed form, made without the library's own renderer, so that
// what measures stars is judged by something outside it. analytic_stars.h draws them.
//
// Lengths are pixels. A profile is a surface brightness of unit flux; `pixel_flux` integrates it
// over a pixel. "Recorded" sizes are those of the profile that the pixels sample: the profile
// convolved with one square pixel.
//
// Every profile has
//   density(r)            flux per square pixel at radius r
//   enclosed(r)           flux inside radius r
//   half_flux_radius(), mean_radius() (where it exists), fwhm()
// Sources: physics of each formula is standard (Moffat 1969 A&A 3, 455; Born & Wolf 8.5.2; Mahajan,
// Optical Imaging and Aberrations II ch. 5, from memory); the integrals are elementary.
#pragma once

#include <math.h>  // j0, j1 (POSIX)

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numbers>
#include <utility>
#include <vector>

namespace starwaist::analytic {

constexpr double kPi = std::numbers::pi;

// --- quadrature -------------------------------------------------------------------------------

// Nodes and weights of Gauss-Legendre on [-1/2, 1/2], by Newton's method on P_n.
inline std::vector<std::pair<double, double>> gauss_legendre(int n) {
  std::vector<std::pair<double, double>> rule;
  for (int i = 0; i < n; ++i) {
    double z = std::cos(kPi * (i + 0.75) / (n + 0.5));
    double slope = 1;
    for (int step = 0; step < 50; ++step) {
      double p = 1;
      double before = 0;
      for (int k = 1; k <= n; ++k) {
        const double older = before;
        before = p;
        p = ((2 * k - 1) * z * before - (k - 1) * older) / k;
      }
      slope = n * (z * p - before) / (z * z - 1);
      const double change = p / slope;
      z -= change;
      if (std::abs(change) < 1e-15) break;
    }
    rule.emplace_back(z / 2, 1 / ((1 - z * z) * slope * slope));
  }
  return rule;
}

// Root of a rising function by bisection.
template <class F>
double solve_rising(F&& f, double target, double low, double high) {
  for (int step = 0; step < 100 && high - low > 1e-12 * (1 + high); ++step) {
    const double middle = 0.5 * (low + high);
    (f(middle) < target ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

// --- profiles ---------------------------------------------------------------------------------

struct Gaussian {
  double sigma_px = 1;

  [[nodiscard]] double density(double r) const {
    return std::exp(-r * r / (2 * sigma_px * sigma_px)) / (2 * kPi * sigma_px * sigma_px);
  }
  [[nodiscard]] double enclosed(double r) const {
    return -std::expm1(-r * r / (2 * sigma_px * sigma_px));
  }
  [[nodiscard]] double half_flux_radius() const { return std::sqrt(2 * std::log(2.0)) * sigma_px; }
  [[nodiscard]] double mean_radius() const { return std::sqrt(kPi / 2) * sigma_px; }
  [[nodiscard]] double fwhm() const { return 2 * std::sqrt(2 * std::log(2.0)) * sigma_px; }
  [[nodiscard]] double extent() const { return 8 * sigma_px; }  // holds all but 1e-14 of the flux
};

struct Moffat {
  double alpha_px = 1;
  double beta = 3.5;

  [[nodiscard]] static Moffat of_fwhm(double fwhm_px, double beta) {
    return {fwhm_px / (2 * std::sqrt(std::exp2(1 / beta) - 1)), beta};
  }
  [[nodiscard]] double density(double r) const {
    const double u = r / alpha_px;
    return (beta - 1) / (kPi * alpha_px * alpha_px) * std::pow(1 + u * u, -beta);
  }
  [[nodiscard]] double enclosed(double r) const {
    const double u = r / alpha_px;
    return 1 - std::pow(1 + u * u, 1 - beta);
  }
  [[nodiscard]] double half_flux_radius() const {
    return alpha_px * std::sqrt(std::exp2(1 / (beta - 1)) - 1);
  }
  // Precondition: beta > 3/2.
  [[nodiscard]] double mean_radius() const {
    return alpha_px * std::sqrt(kPi) / 2 * std::tgamma(beta - 1.5) / std::tgamma(beta - 1);
  }
  [[nodiscard]] double fwhm() const { return 2 * alpha_px * std::sqrt(std::exp2(1 / beta) - 1); }
  [[nodiscard]] double extent() const {  // holds all but 1e-4 of the flux
    return alpha_px * std::sqrt(std::pow(1e-4, -1 / (beta - 1)) - 1);
  }
};

// Uniform ring from obstruction * radius to radius; a disc where obstruction is 0.
struct Annulus {
  double radius_px = 5;
  double obstruction = 0;

  [[nodiscard]] double density(double r) const {
    const bool inside = r <= radius_px && r >= obstruction * radius_px;
    return inside ? 1 / (kPi * radius_px * radius_px * (1 - obstruction * obstruction)) : 0.0;
  }
  [[nodiscard]] double enclosed(double r) const {
    const double u = std::clamp(r / radius_px, obstruction, 1.0);
    return (u * u - obstruction * obstruction) / (1 - obstruction * obstruction);
  }
  [[nodiscard]] double half_flux_radius() const {
    return radius_px * std::sqrt((1 + obstruction * obstruction) / 2);
  }
  [[nodiscard]] double mean_radius() const {
    return 2.0 / 3.0 * radius_px * (1 + obstruction + obstruction * obstruction) /
           (1 + obstruction);
  }
  [[nodiscard]] double extent() const { return radius_px; }
};
inline Annulus uniform_disc(double radius_px) { return {radius_px, 0.0}; }

// Diffraction by an annular pupil in focus. The mean radius diverges (logarithmically).
struct Airy {
  double lambda_n_px = 1;  // wavelength times f-ratio over the pixel's size
  double obstruction = 0;

  [[nodiscard]] double density(double r) const {
    const double e2 = obstruction * obstruction;
    const double amplitude =
        (jinc(kPi * r / lambda_n_px) - e2 * jinc(obstruction * kPi * r / lambda_n_px)) / (1 - e2);
    return kPi * (1 - e2) / (4 * lambda_n_px * lambda_n_px) * amplitude * amplitude;
  }
  // Closed for a clear pupil (1 - J0^2 - J1^2), by quadrature otherwise.
  [[nodiscard]] double enclosed(double r) const {
    if (obstruction == 0) {
      const double v = kPi * r / lambda_n_px;
      return 1 - ::j0(v) * ::j0(v) - ::j1(v) * ::j1(v);
    }
    static const std::vector<std::pair<double, double>> rule = gauss_legendre(8);
    const int pieces = 1 + static_cast<int>(4 * r / lambda_n_px);
    const double step = r / pieces;
    double sum = 0;
    for (int i = 0; i < pieces; ++i) {
      for (const auto& [node, weight] : rule) {
        const double s = (i + 0.5 + node) * step;
        sum += weight * step * 2 * kPi * s * density(s);
      }
    }
    return sum;
  }
  [[nodiscard]] double half_flux_radius() const {
    return solve_rising([this](double r) { return enclosed(r); }, 0.5, 0, 4 * lambda_n_px);
  }
  [[nodiscard]] double fwhm() const {
    const double half = density(0) / 2;
    return 2 * solve_rising([&](double r) { return -density(r); }, -half, 0, 0.6 * lambda_n_px);
  }
  [[nodiscard]] double extent() const { return 60 * lambda_n_px; }

 private:
  static double jinc(double v) { return std::abs(v) < 1e-6 ? 1 - v * v / 8 : 2 * ::j1(v) / v; }
};

// Gaussian with unequal axes; `angle_deg` of the major one from +x towards +y. Only drawn.
struct EllipticalGaussian {
  double sigma_major_px = 1.5;
  double sigma_minor_px = 1;
  double angle_deg = 0;

  [[nodiscard]] double eccentricity() const {
    const double ratio = sigma_minor_px / sigma_major_px;
    return std::sqrt(1 - ratio * ratio);
  }
  [[nodiscard]] double density_at(double dx, double dy) const {
    const double c = std::cos(angle_deg * kPi / 180);
    const double s = std::sin(angle_deg * kPi / 180);
    const double u = (c * dx + s * dy) / sigma_major_px;
    const double v = (c * dy - s * dx) / sigma_minor_px;
    return std::exp(-(u * u + v * v) / 2) / (2 * kPi * sigma_major_px * sigma_minor_px);
  }
  [[nodiscard]] double extent() const { return 8 * sigma_major_px; }
};

// --- pixel integrals --------------------------------------------------------------------------

// Area of the circle of this radius round the origin inside [x0, x1] x [y0, y1], exact.
inline double circle_rectangle_overlap(double x0, double x1, double y0, double y1, double radius) {
  const double a = std::max(x0, -radius);
  const double b = std::min(x1, radius);
  if (!(a < b)) return 0;
  std::vector<double> cuts = {a, b};
  for (const double y : {y0, y1}) {
    if (std::abs(y) < radius) {
      const double x = std::sqrt(radius * radius - y * y);
      for (const double cut : {-x, x}) {
        if (cut > a && cut < b) cuts.push_back(cut);
      }
    }
  }
  std::sort(cuts.begin(), cuts.end());
  const auto half_chord_integral = [radius](double x) {
    const double s = std::sqrt(std::max(radius * radius - x * x, 0.0));
    return 0.5 * (x * s + radius * radius * std::asin(std::clamp(x / radius, -1.0, 1.0)));
  };
  double area = 0;
  for (std::size_t i = 0; i + 1 < cuts.size(); ++i) {
    const double middle = 0.5 * (cuts[i] + cuts[i + 1]);
    const double chord = std::sqrt(std::max(radius * radius - middle * middle, 0.0));
    if (chord <= y0 || -chord >= y1) continue;
    const double under_circle = half_chord_integral(cuts[i + 1]) - half_chord_integral(cuts[i]);
    const double width = cuts[i + 1] - cuts[i];
    area += chord < y1 ? under_circle : y1 * width;
    area -= -chord > y0 ? -under_circle : y0 * width;
  }
  return area;
}

inline double pixel_flux(const Gaussian& p, double dx, double dy) {
  const double scale = std::numbers::sqrt2 * p.sigma_px;
  return 0.25 * (std::erf((dx + 0.5) / scale) - std::erf((dx - 0.5) / scale)) *
         (std::erf((dy + 0.5) / scale) - std::erf((dy - 0.5) / scale));
}

inline double pixel_flux(const Annulus& p, double dx, double dy) {
  const double inner = p.obstruction * p.radius_px;
  const double area =
      circle_rectangle_overlap(dx - 0.5, dx + 0.5, dy - 0.5, dy + 0.5, p.radius_px) -
      (inner > 0 ? circle_rectangle_overlap(dx - 0.5, dx + 0.5, dy - 0.5, dy + 0.5, inner) : 0.0);
  return area / (kPi * (p.radius_px * p.radius_px - inner * inner));
}

// Gauss-Legendre over the pixel: 12 x 12 nodes near the centre, 4 x 4 where the profile is smooth.
template <class DensityAt>
double pixel_flux_by_quadrature(const DensityAt& density_at, double dx, double dy, bool fine) {
  static const std::vector<std::pair<double, double>> near = gauss_legendre(12);
  static const std::vector<std::pair<double, double>> far = gauss_legendre(4);
  const auto& rule = fine ? near : far;
  double sum = 0;
  for (const auto& [v, weight_v] : rule) {
    for (const auto& [u, weight_u] : rule) sum += weight_u * weight_v * density_at(dx + u, dy + v);
  }
  return sum;
}

inline double pixel_flux(const Moffat& p, double dx, double dy) {
  const auto at = [&](double u, double v) { return p.density(std::hypot(u, v)); };
  return pixel_flux_by_quadrature(at, dx, dy, std::hypot(dx, dy) < 4 + 2 * p.alpha_px);
}

inline double pixel_flux(const Airy& p, double dx, double dy) {
  const auto at = [&](double u, double v) { return p.density(std::hypot(u, v)); };
  return pixel_flux_by_quadrature(at, dx, dy, true);  // rings as fine as lambda N everywhere
}

inline double pixel_flux(const EllipticalGaussian& p, double dx, double dy) {
  const auto at = [&](double u, double v) { return p.density_at(u, v); };
  return pixel_flux_by_quadrature(at, dx, dy, true);
}

// --- sizes of the recorded profile ------------------------------------------------------------

// Flux inside radius r of the profile convolved with one square pixel. A circle of radius r holds
// of a ring of radius s, moved by d, the share acos((s^2 + d^2 - r^2) / 2sd) / pi; averaged over
// moves d inside the pixel and summed over rings. Good to about 1e-5.
template <class Profile>
double recorded_enclosed(const Profile& profile, double r) {
  constexpr int kOffsets = 20;  // midpoints across half a pixel
  constexpr int kRings = 600;
  const double reach = std::numbers::sqrt2 / 2;
  static const std::vector<std::pair<double, double>> moves = [] {
    std::vector<std::pair<double, double>> made;  // distance, weight: one octant of the square
    for (int i = 0; i < kOffsets; ++i) {
      for (int j = 0; j <= i; ++j) {
        made.emplace_back(std::hypot((i + 0.5), (j + 0.5)) * 0.5 / kOffsets,
                          (i == j ? 1.0 : 2.0) / (kOffsets * kOffsets));
      }
    }
    return made;
  }();
  const double low = std::max(r - reach, 0.0);
  const double high = r + reach;
  double sum = low > 0 ? profile.enclosed(low) : 0.0;
  double before = sum;
  for (int i = 0; i < kRings; ++i) {
    const double edge = low + (high - low) * (i + 1) / kRings;
    const double s = edge - 0.5 * (high - low) / kRings;
    const double now = profile.enclosed(edge);
    double share = 0;
    for (const auto& [d, weight] : moves) {
      const double cosine = (s * s + d * d - r * r) / (2 * s * d);
      share += weight * std::acos(std::clamp(cosine, -1.0, 1.0)) / kPi;
    }
    sum += (now - before) * share;
    before = now;
  }
  return sum;
}

template <class Profile>
double recorded_half_flux_radius(const Profile& profile) {
  const double bare = profile.half_flux_radius();
  return solve_rising([&](double r) { return recorded_enclosed(profile, r); }, 0.5, 0.9 * bare,
                      bare + 0.6);
}

// Flux-weighted mean radius inside `aperture_px` of the recorded profile, from its growth curve.
template <class Profile>
double recorded_mean_radius(const Profile& profile, double aperture_px) {
  constexpr int kSteps = 400;
  const double step = aperture_px / kSteps;
  double area = 0;
  for (int i = 0; i < kSteps; ++i) area += step * recorded_enclosed(profile, (i + 0.5) * step);
  return aperture_px - area / recorded_enclosed(profile, aperture_px);
}

// Full width at half maximum along a row of the recorded Gaussian.
inline double recorded_fwhm(const Gaussian& p) {
  const double half = pixel_flux(p, 0, 0) / 2;
  return 2 * solve_rising([&](double x) { return -pixel_flux(p, x, 0); }, -half, 0, p.fwhm() + 1);
}

// Standard deviation along one axis once the pixel is in: it adds 1/12 px^2.
inline double with_pixel_sigma(double sigma_px) {
  return std::sqrt(sigma_px * sigma_px + 1.0 / 12);
}

// HFR of a point inside one pixel: the circle that holds half of a unit square.
inline double point_half_flux_radius() { return 1 / std::sqrt(2 * kPi); }

}  // namespace starwaist::analytic
