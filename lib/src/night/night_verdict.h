// Stage: whether the answer can be trusted.
//
// In: the findings and the periods. Out: every reason against trust, and notes.
//
// Private header of module night.
#pragma once

#include <span>
#include <string>
#include <vector>

#include "night/findings.h"
#include "starwaist/night.h"
#include "starwaist/statement.h"

namespace starwaist::night {

// None: the answer is trusted.
std::vector<Statement> reasons_against(const Findings& found, std::span<const NightPeriod> periods);

std::vector<Statement> make_notes(const Findings& found);

}  // namespace starwaist::night
