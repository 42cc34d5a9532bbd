#include "star_truth/star_profile.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

namespace starwaist::bench::star_truth {

StarProfile::StarProfile(SeeingProfile seeing, double radius_px, double obstruction)
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
                        2 * analytic::kPi * step_px_ / 6 *
                            (r0 * density(r0) + 4 * middle * density(middle) + r1 * density(r1)));
  }
}

double StarProfile::smeared_density(double r_px) const {
  if (radius_px_ <= 0) return seeing_.density(r_px);
  const double inner_px = obstruction_ * radius_px_;
  const double whole = flux_over_disc(r_px, radius_px_);
  const double hole = inner_px > 0 ? flux_over_disc(r_px, inner_px) : 0;
  return (whole - hole) / (analytic::kPi * (radius_px_ * radius_px_ - inner_px * inner_px));
}

// Integral of the seeing, centred at distance r, over a disc: whole circles round the seeing's
// centre as far as they fit, then arcs. The arcs' ends are square roots, which Chebyshev's
// substitution takes away.
double StarProfile::flux_over_disc(double r_px, double disc_px) const {
  double sum = r_px < disc_px ? 1 - seeing_.outside(disc_px - r_px) : 0;
  const double low = std::abs(r_px - disc_px);
  const double high = r_px + disc_px;
  if (r_px <= 0) return sum;
  const int nodes = 24 + static_cast<int>(16 * (high - low) / seeing_.hfr_px);
  for (int k = 0; k < nodes; ++k) {
    const double angle = analytic::kPi * (k + 0.5) / nodes;
    const double s = 0.5 * (low + high) - 0.5 * (high - low) * std::cos(angle);
    const double cosine = (s * s + r_px * r_px - disc_px * disc_px) / (2 * s * r_px);
    sum += analytic::kPi / nodes * 0.5 * (high - low) * std::sin(angle) * seeing_.density(s) * s *
           2 * std::acos(std::clamp(cosine, -1.0, 1.0));
  }
  return sum;
}

}  // namespace starwaist::bench::star_truth
