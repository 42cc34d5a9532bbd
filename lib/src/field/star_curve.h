// The size of one star of the field against its distance from its own best focus.
//
// Private header of module field.
#pragma once

#include <cmath>
#include <cstddef>
#include <optional>
#include <vector>

#include "starwaist/curve.h"

namespace starwaist::over_field {

// The size of one star of the field against its distance from its own best focus.
class StarCurve {
 public:
  StarCurve(const ModelFit& model, double centre_steps, double core_steps)
      : model_(model), centre_steps_(centre_steps), core_steps_(core_steps) {
    table_.reserve(2 * kReach * kPerCore + 1);
    for (int i = -kReach * kPerCore; i <= kReach * kPerCore; ++i) {
      table_.push_back(exact(centre_steps + core_steps * i / kPerCore));
    }
  }

  // From a table, to 1e-5: a cubic between four neighbours.
  [[nodiscard]] double log_size(double position_steps) const {
    const double place = at(position_steps);
    if (!inside(place)) return exact(position_steps);
    const auto i = static_cast<std::size_t>(place);
    const double t = place - static_cast<double>(i);
    const double* v = &table_[i - 1];
    return v[1] + 0.5 * t *
                      (v[2] - v[0] +
                       t * (2 * v[0] - 5 * v[1] + 4 * v[2] - v[3] +
                            t * (3 * (v[1] - v[2]) + v[3] - v[0])));
  }
  // d ln size / d position.
  [[nodiscard]] double slope(double position_steps) const {
    const double h = core_steps_ / kPerCore;
    return (log_size(position_steps + h) - log_size(position_steps - h)) / (2 * h);
  }
  // How strongly a size follows the star's in-focus size there: that of variances that add.
  [[nodiscard]] double sharpness_share(double position_steps) const {
    const double u = (position_steps - centre_steps_) / core_steps_;
    return 1 / (1 + u * u);
  }
  [[nodiscard]] double centre_steps() const { return centre_steps_; }
  [[nodiscard]] double core_steps() const { return core_steps_; }

 private:
  static constexpr int kReach = 12;  // cores to either side
  static constexpr int kPerCore = 25;
  [[nodiscard]] double exact(double position_steps) const {
    return std::log(*curve_size_px(model_, position_steps));
  }
  [[nodiscard]] double at(double position_steps) const {
    return (position_steps - centre_steps_) / core_steps_ * kPerCore + kReach * kPerCore;
  }
  [[nodiscard]] bool inside(double place) const {
    return place >= 1 && place < static_cast<double>(table_.size()) - 3;
  }

  ModelFit model_;
  double centre_steps_;
  double core_steps_;
  std::vector<double> table_;
};

// By the fit's heaviest model that has arms and a core; absent without one.
std::optional<StarCurve> star_curve(const FitResult& fit);

}  // namespace starwaist::over_field
