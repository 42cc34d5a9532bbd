// How to find focus before the sweep.
//
// In: the setting of a plan. Out: the search's own way from where no frame shows a star.
#pragma once

#include <optional>

#include "advice/plan_setting.h"

namespace starwaist::advice {

// `exposure_s`: of the sweep's frames. Absent where best focus lies where the sweep forgives it.
std::optional<CoarseSearch> coarse_search(const PlanSetting& setting, double exposure_s);

}  // namespace starwaist::advice
