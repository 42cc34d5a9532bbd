// What the answers of fit and plan and the table of measure are made of, before it is laid out as
// text or as a page.
//
// Private header of module report.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "starwaist/plan.h"
#include "starwaist/run.h"

namespace starwaist::report {

// Interval, focus zone, approach and arrival, those that are known.
std::vector<NamedLine> fit_lines(const RunAnswer& run);

// A row a point, a curve, a frame; names of files are shortened to `file_width`.
Table points_table(const FitResult& fit, std::size_t file_width);
Table models_table(const FitResult& fit);
Table frames_table(const std::vector<const FrameMeasurement*>& frames, std::size_t file_width);

// Which points do not count and why.
std::vector<std::string> rejection_lines(const FitResult& fit);

// Step, points, frames, time and what they give.
std::vector<NamedLine> plan_lines(const FocusPlan& plan);

}  // namespace starwaist::report
