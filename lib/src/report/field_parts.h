// What the answer of field is made of, before it is laid out as text or as a page.
//
// Private header of module report.
#pragma once

#include <optional>
#include <vector>

#include "report/answer_text.h"
#include "starwaist/run.h"

namespace starwaist::report {

// Tilt, curvature and what they cost, against the critical focus zone where it is known.
std::vector<NamedLine> shape_lines(const FieldFocus& focus,
                                   const std::optional<double>& zone_steps);

std::vector<NamedLine> collimation_lines(const Collimation& seen);

}  // namespace starwaist::report
