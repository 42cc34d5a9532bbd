// What a plan's user should know beside its numbers.
//
// In: the setting, the chosen sweep, the plan's numbers. Out: remarks in plain words.
#pragma once

#include <string>
#include <vector>

#include "advice/plan_search.h"
#include "advice/plan_setting.h"
#include "starwaist/statement.h"

namespace starwaist::advice {

std::vector<Statement> plan_notes(const PlanSetting& setting, const PlannedSweep& chosen,
                                  const FocusPlan& plan);

}  // namespace starwaist::advice
