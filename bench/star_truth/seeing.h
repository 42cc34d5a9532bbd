// Seeing alone, before the pixel: profiles of unit flux whose half-flux radius is known.
#pragma once

#include <math.h>  // j0 (POSIX)

#include <array>
#include <cmath>
#include <cstddef>
#include <vector>

#include "star_truth/radial_cubic.h"
#include "support/analytic_stars.h"

namespace starwaist::bench::star_truth {

enum class Seeing { moffat_25, moffat_4765, kolmogorov };
inline constexpr std::array kSeeings = {Seeing::moffat_25, Seeing::moffat_4765, Seeing::kolmogorov};

inline const char* name_of(Seeing seeing) {
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
      outside_[i] = outside_[i + 1] + 2 * analytic::kPi * kStep / 6 *
                                          (u * density(u) + 4 * middle * density(middle) +
                                           (u + kStep) * density(u + kStep));
    }
  }
  [[nodiscard]] double density(double u) const {
    if (u >= kTableEnd) return by_wings(u);
    return radial_cubic(density_, u / kStep);
  }
  [[nodiscard]] double outside(double u) const {  // flux beyond a radius
    if (u >= kTableEnd - kStep) return outside_by_wings(u);
    const auto i = static_cast<std::size_t>(u / kStep);
    const double r0 = at_step(i);
    return outside_[i] -
           2 * analytic::kPi * (u - r0) / 6 *
               (r0 * density(r0) + 2 * (r0 + u) * density(0.5 * (r0 + u)) + u * density(u));
  }

 private:
  static double at_step(std::size_t i) { return kStep * static_cast<double>(i); }
  static double outside_by_wings(double u) {
    return 2 * analytic::kPi *
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
      sum += std::exp(-kA * std::pow(q, 5.0 / 3)) * ::j0(2 * analytic::kPi * q * u) * q;
    }
    // Euler and Maclaurin: the integrand leaves zero with slope one.
    return 2 * analytic::kPi * (sum * kStepQ + kStepQ * kStepQ / 12);
  }
  // The transform of |q|^s in the plane is pi^(-s-1) Gamma(1 + s/2) / Gamma(-s/2) u^(-s-2)
  // (generalised functions, from memory; held against by_hankel in check_profiles).
  static double wing(int order) {
    const double s = 5.0 / 3 * order;
    const double coefficient = order == 1 ? -kA : 0.5 * kA * kA;
    return coefficient * std::pow(analytic::kPi, -s - 1) * std::tgamma(1 + s / 2) /
           std::tgamma(-s / 2);
  }
  static double by_wings(double u) {
    return wing(1) * std::pow(u, -11.0 / 3) + wing(2) * std::pow(u, -16.0 / 3);
  }

  std::vector<double> density_;
  std::vector<double> outside_;
};

// Its tables are filled once.
inline const Kolmogorov& kolmogorov() {
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

}  // namespace starwaist::bench::star_truth
