#include "ledger/ledger_file.h"
#include "starwaist/ledger.h"

namespace starwaist {

using ledger::Connection;
using ledger::Statement;
using ledger::Transaction;
using ledger::writing_failed;

namespace {

// Runs a statement for a run that must be there: its number is the first parameter.
Result<void> change_run(const std::string& path, Connection& connection, Statement& change,
                        std::int64_t id) {
  if (change.step() != SQLITE_DONE) return writing_failed(path, connection);
  if (sqlite3_changes(connection.get()) > 0) return {};
  return fail(ErrorCode::not_found, path + ": there is no run " + std::to_string(id),
              "'log list' shows the numbers");
}

}  // namespace

Result<void> Ledger::remove(std::span<const std::int64_t> ids) {
  Connection& connection = database_->connection;
  Transaction transaction(connection);
  if (!transaction.begun()) return writing_failed(database_->path, connection);
  {
    Statement remove(connection.get(), "DELETE FROM runs WHERE id = ?1");
    for (const std::int64_t id : ids) {
      remove.reset();
      remove.bind(1, id);
      if (auto done = change_run(database_->path, connection, remove, id); !done) return done;
    }
  }
  if (!transaction.commit()) return writing_failed(database_->path, connection);
  return {};
}

Result<void> Ledger::note(std::int64_t id, const std::string& text) {
  Connection& connection = database_->connection;
  Statement write(connection.get(), "UPDATE runs SET note = ?2 WHERE id = ?1");
  write.bind(1, id).bind(2, text.empty() ? std::nullopt : std::optional<std::string>(text));
  return change_run(database_->path, connection, write, id);
}

Result<LedgerMerged> Ledger::merge(const Ledger& other) {
  const auto runs = other.runs();
  if (!runs) return tl::unexpected<Error>(runs.error());
  const auto measurements = other.measurements();
  if (!measurements) return tl::unexpected<Error>(measurements.error());
  LedgerMerged merged;
  auto added = add(*runs, Overlap::keep);
  if (!added) return tl::unexpected<Error>(added.error());
  merged.runs = std::move(*added);
  const auto fresh = add_measurements(*measurements);
  if (!fresh) return tl::unexpected<Error>(fresh.error());
  merged.measurements = *fresh;
  return merged;
}

}  // namespace starwaist
