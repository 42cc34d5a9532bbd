// A run as a cause sees it: the record, less what causes accepted before it account for.
//
// Private header of module diagnosis.
#pragma once

#include <cstddef>
#include <memory>
#include <optional>
#include <vector>

#include "diagnosis/rivals.h"
#include "starwaist/diagnosis.h"

namespace starwaist::diagnosis {

// The even curve through the points that count, with the run's own noise. Sizes in px.
struct HealthyCurve {
  double best_focus_steps = 0;
  double smallest_px = 0;
  double slope_px_per_step = 0;
  std::vector<double> size_px;   // by point of the record: the curve there
  std::vector<double> sigma_px;  // by point: scatter expected of a good point
  double squares = 0;            // of the residuals over sigma, points that count
  int degrees = 0;               // of freedom

  // Distance from best focus at which the arms would reach the smallest size: the curve's width.
  [[nodiscard]] double core_steps() const { return smallest_px / slope_px_per_step; }
};

class RunView {
 public:
  explicit RunView(const RunRecord& record);

  [[nodiscard]] const RunRecord& record() const { return *record_; }
  [[nodiscard]] std::size_t count() const { return record_->fit.points.size(); }
  [[nodiscard]] const CurvePoint& point(std::size_t i) const { return record_->fit.points[i]; }
  [[nodiscard]] const PointFacts& facts(std::size_t i) const { return record_->facts[i]; }
  // The sky over the field of its frame, where that is known.
  [[nodiscard]] const SkyCells* sky(std::size_t i) const {
    return has_frames() && record_->frames[i].sky ? &*record_->frames[i].sky : nullptr;
  }
  [[nodiscard]] bool has_frames() const { return !record_->frames.empty(); }

  // Where the focus was, as far as accepted causes show; else the commanded position.
  [[nodiscard]] double position_steps(std::size_t i) const {
    return point(i).position_steps + moved_[i];
  }
  // Accounted for by an accepted cause: not to be judged by.
  [[nodiscard]] bool spoiled(std::size_t i) const { return spoiled_[i]; }
  // Has a size that says something: not spoiled.
  [[nodiscard]] bool sized(std::size_t i) const { return point(i).size_px && !spoiled_[i]; }
  // Points of sized() in order.
  [[nodiscard]] const std::vector<std::size_t>& sized_points() const { return sized_; }

  // Absent where the points carry no curve. Points that the fit rejected do not count in it.
  [[nodiscard]] const std::optional<HealthyCurve>& curve() const { return curve_; }

  // What the order of the sizes says of the focuser; absent where the points are too few.
  [[nodiscard]] const std::optional<Rivals>& rivals() const { return rivals_; }

  // The same run with more accounted for.
  [[nodiscard]] RunView with(const std::vector<std::size_t>& spoiled,
                             const std::vector<double>& moved_steps) const;

 private:
  void prepare();

  const RunRecord* record_;
  std::vector<double> moved_;
  std::vector<bool> spoiled_;
  std::vector<std::size_t> sized_;
  std::optional<HealthyCurve> curve_;
  std::optional<Rivals> rivals_;
};

}  // namespace starwaist::diagnosis
