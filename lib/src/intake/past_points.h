// What the points of a past run say together.
//
// Private header of module intake.
#pragma once

#include <optional>
#include <vector>

#include "starwaist/ledger.h"

namespace starwaist::intake_detail {

// Over those that have one.
std::optional<double> mean_temperature_c(const std::vector<LedgerPoint>& points);

}  // namespace starwaist::intake_detail
