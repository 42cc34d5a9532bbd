// The answer in words, shared by the table and the figure.
//
// Private header of module report.
#pragma once

#include <optional>
#include <string>

#include "starwaist/curve.h"
#include "starwaist/live.h"
#include "starwaist/move.h"
#include "starwaist/terms.h"

namespace starwaist::report {

// "5033.2 ± 1.9 steps", "5033.2 steps (uncertainty unknown)" or "not found".
std::string best_focus_words(const FitResult& fit);

// "5029.1 to 5037.3 steps", "above 5029.1 steps", "below 5037.3 steps"; empty where both are open.
std::string interval_words(const Interval& interval, std::optional<double> sigma);

// "go to 5156 first, then to 5231" or "go to 5231"
std::string move_words(const Move& move);

// A name of snake_case as it is read: "thermal drift".
std::string spaced(std::string name);

// "99 %", "over 99.9 %", "under 0.1 %": never a certainty that nobody has.
std::string percent_words(double probability);

// The parts of an answer in one line: "5231" in whole steps, with decimals where the positions have
// some (precondition: there is a best focus); " from below" or nothing; "use it".
std::string short_position_words(const FitResult& fit);
std::string short_side_words(const std::optional<Direction>& approach);
std::string short_use_words(Verdict verdict);
// "enough", "next 5300", or nothing where the run stopped without an answer.
std::string short_next_words(const WatchAnswer& watched);

}  // namespace starwaist::report
