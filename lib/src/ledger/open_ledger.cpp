#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <chrono>
#include <fstream>
#include <string_view>
#include <thread>

#include "ledger/ledger_file.h"
#include "ledger/migrate.h"
#include "ledger/schema.h"
#include "starwaist/ledger.h"

namespace starwaist {

using ledger::Connection;
using ledger::reading_failed;
using ledger::Statement;
using ledger::writing_failed;

namespace {

tl::unexpected<Error> no_ledger(const std::string& path) {
  return fail(ErrorCode::unsupported_format, path + ": this file is no ledger; it is left as it is",
              "Name the ledger, or a new file for 'log add' to make");
}

// What stands at the path, by its first bytes: SQLite file format, section 1.3.
enum class Found { nothing, empty, database, other };
Found look_at(const std::string& path) {
  struct stat there {};
  if (::stat(path.c_str(), &there) != 0) return Found::nothing;
  if (!S_ISREG(there.st_mode)) return Found::other;
  if (there.st_size == 0) return Found::empty;
  constexpr std::string_view kSqlite = "SQLite format 3";
  std::ifstream file(path, std::ios::binary);
  std::array<char, 16> head{};
  file.read(head.data(), head.size());
  return std::string_view(head.data(), kSqlite.size()) == kSqlite ? Found::database : Found::other;
}

// Several processes that make the file at the same time: SQLite's own patience does not cover the
// change of the journal's kind.
bool use_write_ahead_log(Connection& connection) {
  for (int waited = 0; waited < ledger::kPatienceMilliseconds; waited += 10) {
    const int status = connection.run("PRAGMA journal_mode = WAL");
    if (status == SQLITE_OK) return true;
    if (status != SQLITE_BUSY && status != SQLITE_LOCKED) return false;
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  return false;
}

// Whether the open file is a ledger that this program knows, brought up to its version.
Result<void> take_up(const std::string& path, Connection& connection, Ledger::Access access,
                     bool may_write) {
  Statement tables(connection.get(), "SELECT count(*) FROM sqlite_master");
  if (tables.step() != SQLITE_ROW) return reading_failed(path, connection);
  const bool blank = tables.integer(0) == 0;
  tables.reset();
  const std::int64_t application = connection.integer("PRAGMA application_id");
  const std::int64_t version = connection.integer("PRAGMA user_version");
  // A process that ended while it made the file leaves a database without tables.
  if (application != ledger::kApplication &&
      !(blank && application == 0 && version == 0 && access == Ledger::Access::create)) {
    return no_ledger(path);
  }
  if (version > kLedgerVersion) {
    return fail(ErrorCode::unsupported_format,
                path + ": the ledger is of version " + std::to_string(version) +
                    ", this program knows up to " + std::to_string(kLedgerVersion),
                "Use the newer program that wrote it");
  }
  if (version == kLedgerVersion) return {};
  if (!may_write) {
    return fail(ErrorCode::unreadable,
                path + ": the ledger is of version " + std::to_string(version) +
                    " and must be brought up to date, which its rights forbid",
                "Copy it to a place where it can be written to");
  }
  if (!use_write_ahead_log(connection)) return writing_failed(path, connection);
  return ledger::migrate(path, connection);
}

}  // namespace

Ledger::Ledger(std::unique_ptr<Database> database) : database_(std::move(database)) {}
Ledger::~Ledger() = default;
Ledger::Ledger(Ledger&&) noexcept = default;
Ledger& Ledger::operator=(Ledger&&) noexcept = default;

Result<Ledger> Ledger::open(const std::string& path, Access access) {
  const Found found = look_at(path);
  if (path.empty() || found == Found::other) return no_ledger(path);
  if (found == Found::nothing && access == Access::existing) {
    return fail(ErrorCode::not_found, path + ": no such file",
                "Check the name; 'log add' makes it");
  }
  if (found == Found::empty && access == Access::existing) return no_ledger(path);
  // A plain name also where it begins like one of SQLite's special ones.
  const std::string name = path.front() == ':' ? "./" + path : path;
  const bool may_write = found == Found::nothing || ::access(path.c_str(), W_OK) == 0;
  if (!may_write && access == Access::create) {
    return fail(ErrorCode::cannot_write, path + ": the ledger cannot be written to",
                "Check its rights");
  }
  int flags = may_write ? SQLITE_OPEN_READWRITE : SQLITE_OPEN_READONLY;
  if (access == Access::create) flags |= SQLITE_OPEN_CREATE;
  sqlite3* handle = nullptr;
  const int opened = sqlite3_open_v2(name.c_str(), &handle, flags, nullptr);
  auto database = std::make_unique<Database>(path, handle);
  Connection& connection = database->connection;
  if (opened != SQLITE_OK) {
    return access == Access::create ? writing_failed(path, connection)
                                    : reading_failed(path, connection);
  }
  sqlite3_busy_timeout(handle, ledger::kPatienceMilliseconds);
  // FULL: a commit is on the disk before it is acknowledged.
  if (connection.run("PRAGMA foreign_keys = ON; PRAGMA synchronous = FULL;") != SQLITE_OK) {
    return reading_failed(path, connection);
  }
  if (auto taken = take_up(path, connection, access, may_write); !taken) {
    return tl::unexpected<Error>(taken.error());
  }
  return Ledger(std::move(database));
}

}  // namespace starwaist
