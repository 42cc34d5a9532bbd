// Half-flux radius of a star by wave optics, apart from the library's own table: pupil (annulus
// with defocus and spherical aberration) -> amplitude by a Hankel transform -> intensity -> optical
// transfer function -> times that of the seeing -> flux inside a radius. One wavelength.
//
// Born & Wolf, Principles of Optics, chapter 8 and 9 (from memory): amplitude at radius q (in
// lambda N) is the integral over the pupil radius rho of exp(i 2 pi W) J0(pi q rho) rho, W in
// waves.
#pragma once

#include <cmath>
#include <complex>
#include <vector>

namespace starwaist::wave {

struct Optics {
  double focal_ratio = 5;
  double obstruction = 0;
  double wavelength_um = 0.55;
  double w040_waves = 0;     // spherical aberration, rho^4 coefficient
  double seeing_hfr_um = 7;  // half-flux radius of the seeing alone, on the sensor
  bool kolmogorov = true;    // else Gaussian
};

class HalfFlux {
 public:
  HalfFlux(const Optics& optics, double largest_defocus_um) : o_(optics) {
    // Radius where the largest blur ends, in lambda N, and a margin for the wings.
    const double waves =
        largest_defocus_um / (8 * o_.focal_ratio * o_.focal_ratio * o_.wavelength_um);
    const double q_max = 4 * waves + 12 * std::abs(o_.w040_waves) + 60;
    q_count_ = static_cast<std::size_t>(q_max / kQStep) + 1;
    rho_count_ = 200 + static_cast<std::size_t>(8 * q_max);
    j_pupil_.resize(q_count_ * rho_count_);
    for (std::size_t i = 0; i < q_count_; ++i) {
      for (std::size_t k = 0; k < rho_count_; ++k) {
        j_pupil_[i * rho_count_ + k] = j0(M_PI * kQStep * static_cast<double>(i) * rho(k)) * rho(k);
      }
    }
    // Frequencies (1 / lambda N) up to where the seeing or the pupil leaves nothing.
    const double unit_um = o_.wavelength_um * o_.focal_ratio;
    seeing_ = o_.seeing_hfr_um / unit_um;
    const double f_max = std::min(1.0, 1.6 / seeing_);
    f_step_ = f_max / (kFrequencies - 1);
    j_image_.resize(kFrequencies * q_count_);
    for (std::size_t i = 0; i < kFrequencies; ++i) {
      for (std::size_t k = 0; k < q_count_; ++k) {
        const double q = kQStep * static_cast<double>(k);
        j_image_[i * q_count_ + k] = j0(2 * M_PI * f_step_ * static_cast<double>(i) * q) * q;
      }
    }
  }

  // Half-flux radius (um) at a distance from the paraxial focus.
  [[nodiscard]] double radius_um(double defocus_um) const {
    const double w020 = defocus_um / (8 * o_.focal_ratio * o_.focal_ratio * o_.wavelength_um);
    std::vector<std::complex<double>> pupil(rho_count_);
    for (std::size_t k = 0; k < rho_count_; ++k) {
      const double r2 = rho(k) * rho(k);
      pupil[k] = std::polar(simpson_weight(k, rho_count_),
                            2 * M_PI * (w020 * r2 + o_.w040_waves * r2 * r2));
    }
    std::vector<double> intensity(q_count_);
    for (std::size_t i = 0; i < q_count_; ++i) {
      std::complex<double> sum = 0;
      for (std::size_t k = 0; k < rho_count_; ++k) sum += pupil[k] * j_pupil_[i * rho_count_ + k];
      intensity[i] = std::norm(sum) * simpson_weight(i, q_count_);
    }
    std::vector<double> otf(kFrequencies);
    for (std::size_t i = 0; i < kFrequencies; ++i) {
      double sum = 0;
      for (std::size_t k = 0; k < q_count_; ++k) sum += intensity[k] * j_image_[i * q_count_ + k];
      otf[i] = sum;
    }
    // The wings beyond the grid belong to the total; the first frequencies are lost in the seeing.
    const double total = otf[0];
    for (std::size_t i = 0; i < kFrequencies; ++i) {
      otf[i] *=
          seeing_otf(f_step_ * static_cast<double>(i)) / total * simpson_weight(i, kFrequencies);
    }
    double low = 0;
    double high = seeing_ * 4 + 8 * std::abs(w020) + 16 * std::abs(o_.w040_waves) + 4;
    for (int i = 0; i < 40; ++i) {
      const double middle = 0.5 * (low + high);
      (flux_inside(otf, middle) < 0.5 ? low : high) = middle;
    }
    return 0.5 * (low + high) * o_.wavelength_um * o_.focal_ratio;
  }

 private:
  static constexpr double kQStep = 0.1;  // fringes are no finer than about half a lambda N
  static constexpr std::size_t kFrequencies = 301;

  [[nodiscard]] double rho(std::size_t k) const {
    return o_.obstruction +
           (1 - o_.obstruction) * static_cast<double>(k) / static_cast<double>(rho_count_ - 1);
  }
  // Simpson where the count is odd, else the trapezoid; the constant step cancels in ratios.
  static double simpson_weight(std::size_t k, std::size_t count) {
    if (k == 0 || k + 1 == count) return count % 2 == 1 ? 1.0 / 3 : 0.5;
    if (count % 2 == 0) return 1;
    return k % 2 == 1 ? 4.0 / 3 : 2.0 / 3;
  }
  [[nodiscard]] double seeing_otf(double f) const {
    if (o_.kolmogorov)
      return std::exp(-3.4419385911 * std::pow(f * seeing_ / 0.5548101137, 5.0 / 3));
    const double sigma = seeing_ / 1.1774100225;
    return std::exp(-2 * std::pow(M_PI * sigma * f, 2));
  }
  [[nodiscard]] double flux_inside(const std::vector<double>& weighted_otf, double r) const {
    double sum = 0;
    for (std::size_t i = 0; i < kFrequencies; ++i) {
      sum += weighted_otf[i] * j1(2 * M_PI * r * f_step_ * static_cast<double>(i));
    }
    return 2 * M_PI * r * sum * f_step_;
  }

  Optics o_;
  std::size_t q_count_ = 0;
  std::size_t rho_count_ = 0;
  double seeing_ = 1;  // half-flux radius in lambda N
  double f_step_ = 0.01;
  std::vector<double> j_pupil_;
  std::vector<double> j_image_;
};

// Half-flux radii over defocus, for many runs of one telescope; cubic between equal steps.
class FocusCurve {
 public:
  FocusCurve(const Optics& optics, double half_range_um, int steps = 80)
      : half_range_um_(half_range_um), step_um_(2 * half_range_um / steps) {
    const HalfFlux star(optics, half_range_um);
    for (int i = 0; i <= steps; ++i) sizes_.push_back(star.radius_um(step_um_ * i - half_range_um));
    double best = 1e300;
    for (double z = -half_range_um; z <= half_range_um; z += step_um_ / 200) {
      if (at(z) < best) {
        best = at(z);
        best_um_ = z;
      }
    }
  }
  [[nodiscard]] double at(double defocus_um) const {
    const double place = (defocus_um + half_range_um_) / step_um_;
    const auto last = static_cast<double>(sizes_.size() - 3);
    const auto i = static_cast<std::size_t>(std::min(std::max(std::floor(place), 1.0), last));
    const double s = place - static_cast<double>(i);
    const double a = sizes_[i - 1], b = sizes_[i], c = sizes_[i + 1], d = sizes_[i + 2];
    return b + 0.5 * s * (c - a + s * (2 * a - 5 * b + 4 * c - d + s * (3 * (b - c) + d - a)));
  }
  [[nodiscard]] double best_um() const { return best_um_; }  // where the size is smallest

 private:
  double half_range_um_;
  double step_um_;
  std::vector<double> sizes_;
  double best_um_ = 0;
};

}  // namespace starwaist::wave
