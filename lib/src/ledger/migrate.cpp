#include "ledger/migrate.h"

#include <optional>
#include <utility>
#include <vector>

#include "ledger/identity.h"
#include "ledger/ledger_file.h"
#include "ledger/rows.h"
#include "ledger/schema.h"

namespace starwaist::ledger {

namespace {

// The first version in which a run without sizes is known by its altitude too.
constexpr std::int64_t kAltitudeInIdentity = 3;

// Summaries of all runs, and identities of those without sizes, by their present rule.
bool renew_identities(Connection& connection) {
  Statement rows(connection.get(),
                 std::string("SELECT ") + kRunColumns +
                     ", EXISTS (SELECT 1 FROM points AS p WHERE p.run_id = t.id AND "
                     "p.size_px IS NOT NULL)" +
                     kRunTables + "ORDER BY t.id");
  std::vector<std::pair<LedgerRun, bool>> runs;
  int status = SQLITE_ERROR;
  while ((status = rows.step()) == SQLITE_ROW) {
    runs.emplace_back(run_of(rows), rows.integer(kBehindRun) != 0);
  }
  if (status != SQLITE_DONE) return false;
  Statement renew(connection.get(),
                  "UPDATE runs SET summary = ?2, identity = coalesce(?3, identity) WHERE id = ?1");
  Repeats repeats;
  for (const auto& [run, sizes] : runs) {
    std::optional<std::string> identity;
    if (!sizes) identity = repeats.identity_of(run);
    renew.reset();
    renew.bind(1, run.id).bind(2, run_summary(run)).bind(3, identity);
    if (renew.step() != SQLITE_DONE) return false;
  }
  return true;
}

}  // namespace

Result<void> migrate(const std::string& path, Connection& connection) {
  Transaction transaction(connection);
  if (!transaction.begun()) return writing_failed(path, connection);
  // Another process may have been quicker.
  const std::int64_t version = connection.integer("PRAGMA user_version");
  if (version >= kLedgerVersion) return {};
  for (auto step = static_cast<std::size_t>(version); step < kMigrations.size(); ++step) {
    if (connection.run(kMigrations.at(step)) != SQLITE_OK) return writing_failed(path, connection);
  }
  if (version < kAltitudeInIdentity && !renew_identities(connection)) {
    return writing_failed(path, connection);
  }
  if (connection.run("PRAGMA application_id = " + std::to_string(kApplication)) != SQLITE_OK ||
      connection.run("PRAGMA user_version = " + std::to_string(kLedgerVersion)) != SQLITE_OK ||
      !transaction.commit()) {
    return writing_failed(path, connection);
  }
  return {};
}

}  // namespace starwaist::ledger
