// What a change of focus over the field must come to before it counts.
//
// Private header of module diagnosis.
#pragma once

#include <optional>
#include <string>

#include "diagnosis/cause.h"
#include "starwaist/diagnosis.h"

namespace starwaist::diagnosis {

struct FieldLimit {
  double steps = 0;
  bool of_zone = false;  // known from the rig; else from the curve's own width
};

// `share_of_zone` of the critical focus zone's full width where the rig is known. Otherwise half of
// the distance at which the curve's arms would reach its smallest size: from the field's middle to
// its edge a star then grows by 3 to 4 %.
FieldLimit field_limit(const RunRecord& record, double share_of_zone);

// ln of the odds that a figure of `sigma` and `degrees_of_freedom` lies beyond `limit`.
double log_odds_beyond(double value, double sigma, double degrees_of_freedom, double limit);

// What a change of focus by `change_steps` over the field means for best focus as fitted. Where the
// place at which the field's stars are smallest on the whole lies elsewhere, the fit is no more
// than a hint. So it is where no place is: with focus spread evenly over the change, the median of
// the stars' distances from it is the same a quarter of the change to either side of the middle.
Effect effect_of_field(const RunView& run, double change_steps);

// Where to focus until the field is mended: the run's own answer.
inline constexpr const char* kUntilMended =
    " Until then this run's best focus is where the field's stars are smallest on the whole.";

// "34.2 steps, 1.4 critical focus zones" or only the first.
std::string in_zones(double steps, const RunRecord& record);

}  // namespace starwaist::diagnosis
