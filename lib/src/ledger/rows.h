// Rows of the runs' tables as values.
//
// Private header of module ledger.
#pragma once

#include "ledger/database.h"
#include "starwaist/ledger.h"

namespace starwaist::ledger {

// SELECT kRunColumns kRunTables: what run_of reads.
inline constexpr const char* kRunColumns =
    "t.id, rigs.name, t.time_utc, t.filter, t.temperature_c, t.altitude_deg, t.best_focus_steps, "
    "t.sigma_steps, t.interval_low_steps, t.interval_high_steps, t.verdict, t.source, "
    "t.from_utc, t.until_utc, t.note, t.reasons, t.findings";
inline constexpr int kBehindRun = 17;  // the place of a column behind them
inline constexpr const char* kRunTables = " FROM runs AS t JOIN rigs ON rigs.id = t.rig_id ";
// Without points.
LedgerRun run_of(const Statement& row);

// Of `points AS p`: what point_of reads, and behind it the run's id.
inline constexpr const char* kPointColumns =
    "p.file, p.position_steps, p.size_px, p.sigma_px, p.temperature_c, p.used, p.run_id";
inline constexpr int kPointRunId = 6;  // its place among them
LedgerPoint point_of(const Statement& row);

}  // namespace starwaist::ledger
