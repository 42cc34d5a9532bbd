#include "diagnosis/run_view.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/focus_samples.h"

namespace starwaist::diagnosis {

RunView::RunView(const RunRecord& record)
    : record_(&record), moved_(record.fit.points.size(), 0.0), spoiled_(moved_.size(), false) {
  prepare();
}

RunView RunView::with(const std::vector<std::size_t>& spoiled,
                      const std::vector<double>& moved_steps) const {
  RunView next = *this;
  for (const std::size_t i : spoiled) next.spoiled_[i] = true;
  for (std::size_t i = 0; i < moved_steps.size(); ++i) next.moved_[i] += moved_steps[i];
  next.prepare();
  return next;
}

void RunView::prepare() {
  sized_.clear();
  for (std::size_t i = 0; i < count(); ++i) {
    if (sized(i)) sized_.push_back(i);
  }
  curve_ = fit_healthy_curve(*this);
  rivals_ = weigh_rivals(*this);
}

}  // namespace starwaist::diagnosis
