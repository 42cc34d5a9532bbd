// What makes two runs the same run.
#pragma once

#include <map>
#include <string>

#include "starwaist/ledger.h"

namespace starwaist::ledger {

// True where a point has a size: the run is then known by its points.
bool has_sizes(const LedgerRun& run);

// 32 hexadecimal digits of the content: positions (to ten digits) and sizes (to six) of the points
// that have one, in order of position; without sizes run_summary. Absent facts and zero differ.
std::string run_identity(const LedgerRun& run);

// Of time, filter, temperature, altitude and best focus (numbers to nine digits).
std::string run_summary(const LedgerRun& run);

// Rows of one table that say no time may be alike and still be different runs: from the second on
// their identities end in "#1", "#2" and so on.
class Repeats {
 public:
  // Of the next run of the table.
  std::string identity_of(const LedgerRun& run);

 private:
  std::map<std::string, int> seen_;
};
std::string without_repeat(const std::string& identity);

// Of rig, file, time and half-flux radius (to six digits).
std::string measurement_identity(const LedgerMeasurement& measurement);

}  // namespace starwaist::ledger
