// A star before the pixel.
#pragma once

#include <algorithm>
#include <cstddef>
#include <vector>

#include "star_truth/radial_cubic.h"
#include "star_truth/seeing.h"
#include "support/analytic_stars.h"

namespace starwaist::bench::star_truth {

class StarProfile {
 public:
  StarProfile(SeeingProfile seeing, double radius_px, double obstruction);

  [[nodiscard]] double density(double r_px) const {
    const double place = r_px / step_px_;
    if (static_cast<std::size_t>(place) + 2 >= density_.size()) return 0;
    return radial_cubic(density_, place);
  }
  [[nodiscard]] double enclosed(double r_px) const {
    const double place = std::min(r_px / step_px_, static_cast<double>(enclosed_.size() - 2));
    const auto i = static_cast<std::size_t>(place);
    const double r0 = step_px_ * static_cast<double>(i);
    const double r = place * step_px_;
    return enclosed_[i] +
           2 * analytic::kPi * (r - r0) / 6 *
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
  [[nodiscard]] double smeared_density(double r_px) const;
  [[nodiscard]] double flux_over_disc(double r_px, double disc_px) const;

  SeeingProfile seeing_;
  double radius_px_ = 0;
  double obstruction_ = 0;
  double step_px_ = 0.05;
  double reach_px_ = 0;
  std::vector<double> density_;
  std::vector<double> enclosed_;
};

}  // namespace starwaist::bench::star_truth
