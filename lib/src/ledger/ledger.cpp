#include "starwaist/ledger.h"

#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <chrono>
#include <cmath>
#include <fstream>
#include <map>
#include <string_view>
#include <thread>

#include "core/replace_file.h"
#include "ledger/database.h"
#include "ledger/identity.h"
#include "ledger/schema.h"
#include "starwaist/numbers.h"

namespace starwaist {

using ledger::Connection;
using ledger::Statement;
using ledger::Transaction;

class Ledger::Database {
 public:
  Database(std::string name, sqlite3* handle) : path(std::move(name)), connection(handle) {}
  std::string path;
  // Reading changes nothing that a caller of a const function sees.
  mutable Connection connection;
  bool read_only = false;
};

namespace {

// How long a writer waits for the others.
constexpr int kPatienceMilliseconds = 30000;

tl::unexpected<Error> no_ledger(const std::string& path) {
  return fail(ErrorCode::unsupported_format, path + ": this file is no ledger; it is left as it is",
              "Name the ledger, or a new file for 'log add' to make");
}

tl::unexpected<Error> reading_failed(const std::string& path, const Connection& connection) {
  return fail(ErrorCode::unreadable, path + ": the ledger cannot be read: " + connection.words(),
              "Check it with 'starwaist log check', or take a copy of it from a backup");
}

tl::unexpected<Error> writing_failed(const std::string& path, const Connection& connection) {
  const int code = sqlite3_errcode(connection.get());
  if (code == SQLITE_BUSY || code == SQLITE_LOCKED) {
    return fail(ErrorCode::cannot_write, path + ": another program holds the ledger",
                "Try again when it is done");
  }
  return fail(ErrorCode::cannot_write,
              path + ": the ledger cannot be written: " + connection.words(),
              "Check the free space and the rights of the file and its folder");
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
  for (int waited = 0; waited < kPatienceMilliseconds; waited += 10) {
    const int status = connection.run("PRAGMA journal_mode = WAL");
    if (status == SQLITE_OK) return true;
    if (status != SQLITE_BUSY && status != SQLITE_LOCKED) return false;
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  return false;
}

Result<void> migrate(const std::string& path, Connection& connection) {
  Transaction transaction(connection);
  if (!transaction.begun()) return writing_failed(path, connection);
  // Another process may have been quicker.
  const std::int64_t version = connection.integer("PRAGMA user_version");
  if (version >= kLedgerVersion) return {};
  for (auto step = static_cast<std::size_t>(version); step < ledger::kMigrations.size(); ++step) {
    if (connection.run(ledger::kMigrations.at(step)) != SQLITE_OK) {
      return writing_failed(path, connection);
    }
  }
  if (connection.run("PRAGMA application_id = " + std::to_string(ledger::kApplication)) !=
          SQLITE_OK ||
      connection.run("PRAGMA user_version = " + std::to_string(kLedgerVersion)) != SQLITE_OK ||
      !transaction.commit()) {
    return writing_failed(path, connection);
  }
  return {};
}

std::string joined(const std::vector<std::string>& lines) {
  std::string text;
  for (std::string line : lines) {
    for (char& c : line) {
      if (c == '\n') c = ' ';
    }
    text += (text.empty() ? "" : "\n") + line;
  }
  return text;
}

std::vector<std::string> split_lines(const std::string& text) {
  std::vector<std::string> lines;
  std::size_t begin = 0;
  while (begin < text.size()) {
    const std::size_t end = std::min(text.find('\n', begin), text.size());
    lines.push_back(text.substr(begin, end - begin));
    begin = end + 1;
  }
  return lines;
}

Result<void> check_finite(const LedgerRun& run) {
  const auto good = [](const std::optional<double>& value) {
    return !value || std::isfinite(*value);
  };
  bool finite = good(run.temperature_c) && good(run.altitude_deg) && good(run.best_focus_steps) &&
                good(run.sigma_steps) && good(run.interval_95_steps.low) &&
                good(run.interval_95_steps.high);
  for (const auto& point : run.points) {
    finite = finite && std::isfinite(point.position_steps) && good(point.size_px) &&
             good(point.sigma_px) && good(point.temperature_c);
  }
  if (finite) return {};
  return fail(ErrorCode::invalid_argument, run.source + ": a number of the run is not finite",
              "Leave it out where it is unknown");
}

std::int64_t rig_id(Connection& connection, const std::string& name) {
  Statement make(connection.get(), "INSERT OR IGNORE INTO rigs (name) VALUES (?1)");
  make.bind(1, name).step();
  Statement find(connection.get(), "SELECT id FROM rigs WHERE name = ?1");
  find.bind(1, name);
  return find.step() == SQLITE_ROW ? find.integer(0) : 0;
}

constexpr const char* kAddRun = R"(
INSERT INTO runs (identity, summary, rig_id, time_utc, filter, temperature_c, altitude_deg,
  best_focus_steps, sigma_steps, interval_low_steps, interval_high_steps, verdict, source, reasons,
  findings)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15))";

// Facts that the run lacked; what is there stays.
constexpr const char* kFillIn = R"(
UPDATE runs SET time_utc = coalesce(time_utc, ?2), filter = coalesce(filter, ?3),
  temperature_c = coalesce(temperature_c, ?4), altitude_deg = coalesce(altitude_deg, ?5),
  best_focus_steps = coalesce(best_focus_steps, ?6), sigma_steps = coalesce(sigma_steps, ?7),
  verdict = coalesce(verdict, ?8), findings = CASE findings WHEN '' THEN ?9 ELSE findings END
WHERE id = ?1)";

constexpr const char* kAddPoint = R"(
INSERT INTO points (run_id, place, file, position_steps, size_px, sigma_px, temperature_c, used)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8))";

// Adds runs within one transaction.
class Adder {
 public:
  explicit Adder(Connection& connection)
      : connection_(connection),
        find_(connection.get(), "SELECT id FROM runs WHERE identity = ?1"),
        find_summary_(connection.get(), "SELECT id FROM runs WHERE summary = ?1"),
        add_(connection.get(), kAddRun),
        fill_in_(connection.get(), kFillIn),
        add_point_(connection.get(), kAddPoint) {}

  // False where SQLite refused; its words are the connection's.
  bool add(const LedgerRun& run, LedgerAdded& added) {
    std::string identity = ledger::run_identity(run);
    const std::string summary = ledger::run_summary(run);
    const bool bare = identity == summary;
    if (bare && !run.time_utc) {
      // Rows of one table that say no time may be alike and still be different runs.
      const int before = repeats_[summary]++;
      if (before > 0) identity += "#" + std::to_string(before);
    }
    auto known = id_of(find_, identity);
    if (!known && bare && run.time_utc) known = id_of(find_summary_, summary);
    if (known) {
      added = {*known, true};
      fill_in_.reset();
      fill_in_.bind(1, *known)
          .bind(2, run.time_utc)
          .bind(3, run.filter)
          .bind(4, run.temperature_c)
          .bind(5, run.altitude_deg)
          .bind(6, run.best_focus_steps)
          .bind(7, run.sigma_steps)
          .bind(8, run.verdict)
          .bind(9, joined(run.findings));
      return fill_in_.step() == SQLITE_DONE;
    }
    const auto [rig, fresh] = rigs_.try_emplace(run.rig, 0);
    if (fresh) rig->second = rig_id(connection_, run.rig);
    add_.reset();
    add_.bind(1, identity)
        .bind(2, summary)
        .bind(3, rig->second)
        .bind(4, run.time_utc)
        .bind(5, run.filter)
        .bind(6, run.temperature_c)
        .bind(7, run.altitude_deg)
        .bind(8, run.best_focus_steps)
        .bind(9, run.sigma_steps)
        .bind(10, run.interval_95_steps.low)
        .bind(11, run.interval_95_steps.high)
        .bind(12, run.verdict)
        .bind(13, run.source)
        .bind(14, joined(run.reasons))
        .bind(15, joined(run.findings));
    if (add_.step() != SQLITE_DONE) return false;
    added = {sqlite3_last_insert_rowid(connection_.get()), false};
    std::int64_t place = 0;
    for (const auto& point : run.points) {
      add_point_.reset();
      add_point_.bind(1, added.id)
          .bind(2, place++)
          .bind(3, point.file)
          .bind(4, point.position_steps)
          .bind(5, point.size_px)
          .bind(6, point.sigma_px)
          .bind(7, point.temperature_c)
          .bind(8, static_cast<std::int64_t>(point.used ? 1 : 0));
      if (add_point_.step() != SQLITE_DONE) return false;
    }
    return true;
  }

 private:
  static std::optional<std::int64_t> id_of(Statement& statement, const std::string& key) {
    statement.reset();
    statement.bind(1, key);
    std::optional<std::int64_t> id;
    if (statement.step() == SQLITE_ROW) id = statement.integer(0);
    statement.reset();
    return id;
  }

  Connection& connection_;
  Statement find_;
  Statement find_summary_;
  Statement add_;
  Statement fill_in_;
  Statement add_point_;
  std::map<std::string, std::int64_t> rigs_;
  std::map<std::string, int> repeats_;
};

// The conditions of a filter, all parameters always bound: absent ones are null and let all pass.
constexpr const char* kConditions = R"(
WHERE (?1 IS NULL OR t.time_utc >= ?1) AND (?2 IS NULL OR t.time_utc <= ?2 || '~')
  AND (?3 IS NULL OR rigs.name = ?3) AND (?4 IS NULL OR lower(t.filter) = lower(?4)))";

void bind_filter(Statement& statement, const LedgerFilter& filter) {
  statement.bind(1, filter.from).bind(2, filter.until).bind(3, filter.rig).bind(4, filter.filter);
}

LedgerRun run_of(const Statement& row) {
  LedgerRun run;
  run.id = row.integer(0);
  run.rig = row.text(1);
  run.time_utc = row.optional_text(2);
  run.filter = row.optional_text(3);
  run.temperature_c = row.number(4);
  run.altitude_deg = row.number(5);
  run.best_focus_steps = row.number(6);
  run.sigma_steps = row.number(7);
  run.interval_95_steps = {row.number(8), row.number(9)};
  run.verdict = enum_from_name<Verdict>(row.text(10));
  run.source = row.text(11);
  return run;
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
  database->read_only = !may_write;
  sqlite3_busy_timeout(handle, kPatienceMilliseconds);
  // FULL: a commit is on the disk before it is told.
  if (connection.run("PRAGMA foreign_keys = ON; PRAGMA synchronous = FULL;") != SQLITE_OK) {
    return reading_failed(path, connection);
  }
  Statement tables(handle, "SELECT count(*) FROM sqlite_master");
  if (tables.step() != SQLITE_ROW) return reading_failed(path, connection);
  const bool blank = tables.integer(0) == 0;
  tables.reset();
  const std::int64_t application = connection.integer("PRAGMA application_id");
  const std::int64_t version = connection.integer("PRAGMA user_version");
  // A process that ended while it made the file leaves a database without tables.
  if (application != ledger::kApplication &&
      !(blank && application == 0 && version == 0 && access == Access::create)) {
    return no_ledger(path);
  }
  if (version > kLedgerVersion) {
    return fail(ErrorCode::unsupported_format,
                path + ": the ledger is of version " + std::to_string(version) +
                    ", this program knows up to " + std::to_string(kLedgerVersion),
                "Use the newer program that wrote it");
  }
  if (version < kLedgerVersion) {
    if (!may_write) {
      return fail(ErrorCode::unreadable,
                  path + ": the ledger is of version " + std::to_string(version) +
                      " and must be brought up to date, which its rights forbid",
                  "Copy it to a place where it can be written to");
    }
    if (!use_write_ahead_log(connection)) return writing_failed(path, connection);
    if (auto done = migrate(path, connection); !done) return tl::unexpected<Error>(done.error());
  }
  return Ledger(std::move(database));
}

Result<std::vector<LedgerAdded>> Ledger::add(std::span<const LedgerRun> runs) {
  for (const auto& run : runs) {
    if (auto finite = check_finite(run); !finite) return tl::unexpected<Error>(finite.error());
  }
  Connection& connection = database_->connection;
  Transaction transaction(connection);
  if (!transaction.begun()) return writing_failed(database_->path, connection);
  std::vector<LedgerAdded> added(runs.size());
  {
    Adder adder(connection);
    for (std::size_t i = 0; i < runs.size(); ++i) {
      if (!adder.add(runs[i], added[i])) return writing_failed(database_->path, connection);
    }
  }
  if (!transaction.commit()) return writing_failed(database_->path, connection);
  return added;
}

Result<int> Ledger::add_measurements(std::span<const LedgerMeasurement> measurements) {
  Connection& connection = database_->connection;
  Transaction transaction(connection);
  if (!transaction.begun()) return writing_failed(database_->path, connection);
  int fresh = 0;
  {
    std::map<std::string, std::int64_t> rigs;
    Statement add(connection.get(), R"(
INSERT OR IGNORE INTO measurements (identity, rig_id, file, time_utc, filter, exposure_s,
  temperature_c, position_steps, hfr_px, hfr_sigma_px, fwhm_px, eccentricity, star_count,
  background_adu)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14))");
    for (const auto& m : measurements) {
      const auto [rig, new_rig] = rigs.try_emplace(m.rig, 0);
      if (new_rig) rig->second = rig_id(connection, m.rig);
      std::optional<std::int64_t> stars;
      if (m.star_count) stars = *m.star_count;
      add.reset();
      add.bind(1, ledger::measurement_identity(m))
          .bind(2, rig->second)
          .bind(3, m.file)
          .bind(4, m.time_utc)
          .bind(5, m.filter)
          .bind(6, m.exposure_s)
          .bind(7, m.temperature_c)
          .bind(8, m.position_steps)
          .bind(9, m.hfr_px)
          .bind(10, m.hfr_sigma_px)
          .bind(11, m.fwhm_px)
          .bind(12, m.eccentricity)
          .bind(13, stars)
          .bind(14, m.background_adu);
      if (add.step() != SQLITE_DONE) return writing_failed(database_->path, connection);
      fresh += sqlite3_changes(connection.get());
    }
  }
  if (!transaction.commit()) return writing_failed(database_->path, connection);
  return fresh;
}

Result<std::vector<LedgerRun>> Ledger::runs(const LedgerFilter& filter) const {
  Connection& connection = database_->connection;
  const std::string from = std::string(" FROM runs AS t JOIN rigs ON rigs.id = t.rig_id ") +
                           kConditions + " AND (?5 IS NULL OR t.verdict = ?5)";
  std::string columns =
      "SELECT t.id, rigs.name, t.time_utc, t.filter, t.temperature_c, t.altitude_deg, "
      "t.best_focus_steps, t.sigma_steps, t.interval_low_steps, t.interval_high_steps, t.verdict, "
      "t.source";
  if (filter.details) columns += ", t.reasons, t.findings";
  // One view of the file for both questions.
  if (connection.run("BEGIN") != SQLITE_OK) return reading_failed(database_->path, connection);
  std::vector<LedgerRun> runs;
  int status = SQLITE_ERROR;
  {
    Statement rows(connection.get(),
                   columns + from + " ORDER BY t.time_utc IS NULL, t.time_utc, t.id");
    bind_filter(rows, filter);
    rows.bind(5, filter.verdict);
    while ((status = rows.step()) == SQLITE_ROW) {
      runs.push_back(run_of(rows));
      if (!filter.details) continue;
      runs.back().reasons = split_lines(rows.text(12));
      runs.back().findings = split_lines(rows.text(13));
    }
  }
  if (status == SQLITE_DONE && filter.details) {
    std::map<std::int64_t, std::size_t> place;
    for (std::size_t i = 0; i < runs.size(); ++i) place[runs[i].id] = i;
    Statement rows(connection.get(),
                   "SELECT p.run_id, p.file, p.position_steps, p.size_px, p.sigma_px, "
                   "p.temperature_c, p.used FROM points AS p WHERE p.run_id IN (SELECT t.id" +
                       from + ") ORDER BY p.run_id, p.place");
    bind_filter(rows, filter);
    rows.bind(5, filter.verdict);
    while ((status = rows.step()) == SQLITE_ROW) {
      const auto run = place.find(rows.integer(0));
      if (run == place.end()) continue;
      LedgerPoint point;
      point.file = rows.text(1);
      point.position_steps = rows.number(2).value_or(0);
      point.size_px = rows.number(3);
      point.sigma_px = rows.number(4);
      point.temperature_c = rows.number(5);
      point.used = rows.integer(6) != 0;
      runs[run->second].points.push_back(std::move(point));
    }
  }
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
    if (stored.substr(0, stored.find('#')) != ledger::run_identity(run)) {
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
