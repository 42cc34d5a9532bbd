#include <map>

#include "ledger/identity.h"
#include "ledger/ledger_file.h"
#include "ledger/rows.h"
#include "starwaist/ledger.h"

namespace starwaist {

using ledger::Connection;
using ledger::reading_failed;
using ledger::Statement;

namespace {

// The conditions of a filter, all parameters always bound: absent ones are null and let all pass.
constexpr const char* kConditions = R"(
WHERE (?1 IS NULL OR t.time_utc >= ?1) AND (?2 IS NULL OR t.time_utc <= ?2 || '~')
  AND (?3 IS NULL OR rigs.name = ?3) AND (?4 IS NULL OR lower(t.filter) = lower(?4)))";

void bind_filter(Statement& statement, const LedgerFilter& filter) {
  statement.bind(1, filter.from).bind(2, filter.until).bind(3, filter.rig).bind(4, filter.filter);
}

// What a list takes from where, with its parameters bound by bind_filter and ?5.
std::string runs_that_pass() {
  return std::string(ledger::kRunTables) + kConditions + " AND (?5 IS NULL OR t.verdict = ?5)";
}

// SQLITE_DONE or an error.
int read_runs(Connection& connection, const LedgerFilter& filter, std::vector<LedgerRun>& runs) {
  Statement rows(connection.get(), std::string("SELECT ") + ledger::kRunColumns + runs_that_pass() +
                                       " ORDER BY t.time_utc IS NULL, t.time_utc, t.id");
  bind_filter(rows, filter);
  rows.bind(5, filter.verdict);
  int status = SQLITE_ERROR;
  while ((status = rows.step()) == SQLITE_ROW) runs.push_back(ledger::run_of(rows));
  return status;
}

// SQLITE_DONE or an error.
int read_points(Connection& connection, const LedgerFilter& filter, std::vector<LedgerRun>& runs) {
  std::map<std::int64_t, std::size_t> place;
  for (std::size_t i = 0; i < runs.size(); ++i) place[runs[i].id] = i;
  Statement rows(connection.get(), std::string("SELECT ") + ledger::kPointColumns +
                                       " FROM points AS p WHERE p.run_id IN (SELECT t.id" +
                                       runs_that_pass() + ") ORDER BY p.run_id, p.place");
  bind_filter(rows, filter);
  rows.bind(5, filter.verdict);
  int status = SQLITE_ERROR;
  while ((status = rows.step()) == SQLITE_ROW) {
    const auto run = place.find(rows.integer(ledger::kPointRunId));
    if (run != place.end()) runs[run->second].points.push_back(ledger::point_of(rows));
  }
  return status;
}

}  // namespace

Result<std::vector<LedgerRun>> Ledger::runs(const LedgerFilter& filter) const {
  Connection& connection = database_->connection;
  // One view of the file for both questions.
  if (connection.run("BEGIN") != SQLITE_OK) return reading_failed(database_->path, connection);
  std::vector<LedgerRun> runs;
  int status = read_runs(connection, filter, runs);
  if (status == SQLITE_DONE && filter.details) status = read_points(connection, filter, runs);
  if (status != SQLITE_DONE) {
    const auto failure = reading_failed(database_->path, connection);
    connection.run("ROLLBACK");
    return failure;
  }
  connection.run("COMMIT");
  return runs;
}

Result<std::vector<LedgerMeasurement>> Ledger::measurements(const LedgerFilter& filter) const {
  Connection& connection = database_->connection;
  Statement rows(connection.get(),
                 std::string("SELECT rigs.name, t.file, t.time_utc, t.filter, t.exposure_s, "
                             "t.temperature_c, t.position_steps, t.hfr_px, t.hfr_sigma_px, "
                             "t.fwhm_px, t.eccentricity, t.star_count, t.background_adu "
                             "FROM measurements AS t JOIN rigs ON rigs.id = t.rig_id ") +
                     kConditions + " ORDER BY t.time_utc IS NULL, t.time_utc, t.id");
  bind_filter(rows, filter);
  std::vector<LedgerMeasurement> found;
  int status = SQLITE_ERROR;
  while ((status = rows.step()) == SQLITE_ROW) {
    LedgerMeasurement m;
    m.rig = rows.text(0);
    m.file = rows.text(1);
    m.time_utc = rows.optional_text(2);
    m.filter = rows.optional_text(3);
    m.exposure_s = rows.number(4);
    m.temperature_c = rows.number(5);
    m.position_steps = rows.number(6);
    m.hfr_px = rows.number(7);
    m.hfr_sigma_px = rows.number(8);
    m.fwhm_px = rows.number(9);
    m.eccentricity = rows.number(10);
    if (const auto stars = rows.number(11)) m.star_count = static_cast<int>(*stars);
    m.background_adu = rows.number(12);
    found.push_back(std::move(m));
  }
  if (status != SQLITE_DONE) return reading_failed(database_->path, connection);
  return found;
}

Result<std::vector<std::string>> Ledger::check() const {
  Connection& connection = database_->connection;
  std::vector<std::string> faults;
  {
    Statement rows(connection.get(), "PRAGMA integrity_check");
    int status = SQLITE_ERROR;
    while ((status = rows.step()) == SQLITE_ROW) {
      if (rows.text(0) != "ok") faults.push_back("the file is damaged: " + rows.text(0));
    }
    if (status != SQLITE_DONE) return reading_failed(database_->path, connection);
  }
  {
    Statement rows(connection.get(), "PRAGMA foreign_key_check");
    while (rows.step() == SQLITE_ROW) {
      faults.push_back("a row of '" + rows.text(0) + "' belongs to none of '" + rows.text(2) + "'");
    }
  }
  if (!faults.empty()) return faults;
  const auto all = runs();
  if (!all) return tl::unexpected<Error>(all.error());
  Statement find(connection.get(), "SELECT identity FROM runs WHERE id = ?1");
  for (const auto& run : *all) {
    find.reset();
    find.bind(1, run.id);
    if (find.step() != SQLITE_ROW) continue;
    const std::string stored = find.text(0);
    // What was filled in later is no part of the identity of a run with points.
    if (ledger::without_repeat(stored) != ledger::run_identity(run)) {
      faults.push_back("run " + std::to_string(run.id) +
                       " is not what was added: its points or facts were changed");
    }
  }
  return faults;
}

Result<LedgerCounts> Ledger::counts() const {
  Connection& connection = database_->connection;
  Statement row(connection.get(),
                "SELECT (SELECT count(*) FROM rigs), (SELECT count(*) FROM runs), "
                "(SELECT count(*) FROM points), (SELECT count(*) FROM measurements)");
  if (row.step() != SQLITE_ROW) return reading_failed(database_->path, connection);
  return LedgerCounts{row.integer(0), row.integer(1), row.integer(2), row.integer(3)};
}

}  // namespace starwaist
