// What makes two runs the same run.
#pragma once

#include <string>

#include "starwaist/ledger.h"

namespace starwaist::ledger {

// 32 hexadecimal digits of the content: positions and sizes (to six digits) of the points in
// order of position; without sizes that of run_summary. Absent facts and zero differ.
std::string run_identity(const LedgerRun& run);

// Of time, filter, temperature and best focus (to nine digits).
std::string run_summary(const LedgerRun& run);

std::string measurement_identity(const LedgerMeasurement& measurement);

}  // namespace starwaist::ledger
