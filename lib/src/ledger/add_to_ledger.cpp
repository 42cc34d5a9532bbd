#include <algorithm>
#include <cmath>
#include <map>

#include "ledger/identity.h"
#include "ledger/ledger_file.h"
#include "ledger/rows.h"
#include "starwaist/ledger.h"

namespace starwaist {

using ledger::Connection;
using ledger::Statement;
using ledger::Transaction;
using ledger::writing_failed;

namespace {

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
  findings, from_utc, until_utc, note, id)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19))";

// Facts that the run lacked; what is there stays.
constexpr const char* kFillIn = R"(
UPDATE runs SET time_utc = coalesce(time_utc, ?2), filter = coalesce(filter, ?3),
  temperature_c = coalesce(temperature_c, ?4), altitude_deg = coalesce(altitude_deg, ?5),
  best_focus_steps = coalesce(best_focus_steps, ?6), sigma_steps = coalesce(sigma_steps, ?7),
  verdict = coalesce(verdict, ?8), findings = CASE findings WHEN '' THEN ?9 ELSE findings END,
  from_utc = coalesce(from_utc, ?10), until_utc = coalesce(until_utc, ?11),
  note = coalesce(note, ?12)
WHERE id = ?1)";

constexpr const char* kAddPoint = R"(
INSERT INTO points (run_id, place, file, position_steps, size_px, sigma_px, temperature_c, used)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8))";

// Runs of a rig whose exposures overlap with a time; those of one instant count as taken in it.
constexpr const char* kOverlapping = R"(
SELECT t.id, min(p.position_steps), max(p.position_steps), max(p.size_px IS NOT NULL), t.time_utc
FROM runs AS t LEFT JOIN points AS p ON p.run_id = t.id
WHERE t.rig_id = ?1 AND coalesce(t.until_utc, t.time_utc) > ?2
  AND coalesce(t.from_utc, t.time_utc) < ?3
GROUP BY t.id ORDER BY t.id)";

// What another answer for the same frames may change.
bool same_answer(const LedgerRun& a, const LedgerRun& b) {
  return ledger::run_summary(a) == ledger::run_summary(b) && a.sigma_steps == b.sigma_steps &&
         a.verdict == b.verdict && a.findings == b.findings;
}

// Adds runs within one transaction.
class Adder {
 public:
  Adder(Connection& connection, Ledger::Overlap overlap)
      : connection_(connection),
        overlap_(overlap),
        find_(connection.get(), "SELECT id FROM runs WHERE identity = ?1"),
        find_summary_(connection.get(), "SELECT id FROM runs WHERE summary = ?1"),
        add_(connection.get(), kAddRun),
        fill_in_(connection.get(), kFillIn),
        read_(connection.get(), std::string("SELECT ") + ledger::kRunColumns + ledger::kRunTables +
                                    "WHERE t.id = ?1"),
        renew_(connection.get(), "UPDATE runs SET summary = ?2 WHERE id = ?1"),
        overlapping_(connection.get(), kOverlapping),
        remove_(connection.get(), "DELETE FROM runs WHERE id = ?1"),
        add_point_(connection.get(), kAddPoint) {}

  // False where SQLite refused; its words are the connection's.
  bool add(const LedgerRun& run, LedgerAdded& added) {
    const std::string identity = repeats_.identity_of(run);
    const std::string summary = ledger::run_summary(run);
    auto known = id_of(find_, identity);
    if (!known && !ledger::has_sizes(run) && run.time_utc) known = id_of(find_summary_, summary);
    const std::vector<std::int64_t> there = taken_meanwhile(run);
    const bool same_time = known && std::find(there.begin(), there.end(), *known) != there.end();
    const auto old = same_time ? read(*known) : std::nullopt;
    const bool keeps = overlap_ == Ledger::Overlap::keep;
    if (known && (keeps || !old || !ledger::has_sizes(run) || same_answer(*old, run))) {
      added = {*known, true, false};
      return fill_in(*known, run);
    }
    if (there.empty()) return insert(run, identity, summary, added);
    if (keeps || !ledger::has_sizes(run)) {
      added = {there.front(), true, false};
      return true;
    }
    return replace(there, run, identity, summary, added);
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

  std::optional<LedgerRun> read(std::int64_t id) {
    read_.reset();
    read_.bind(1, id);
    std::optional<LedgerRun> run;
    if (read_.step() == SQLITE_ROW) run = ledger::run_of(read_);
    read_.reset();
    return run;
  }

  // Runs that cannot be others: the rig took them in the same time over the same positions. A row
  // of a table, which holds no sizes, is of a run where their times are the same: an export has it
  // from there. Rows may share a day: two of them never are of one run.
  std::vector<std::int64_t> taken_meanwhile(const LedgerRun& run) {
    const auto& from = run.from_utc ? run.from_utc : run.time_utc;
    const auto& until = run.until_utc ? run.until_utc : run.time_utc;
    std::vector<std::int64_t> ids;
    if (!from || !until) return ids;
    const bool sized = ledger::has_sizes(run);
    double low = 0;
    double high = 0;
    if (sized) {
      const auto [first, last] = std::minmax_element(
          run.points.begin(), run.points.end(), [](const LedgerPoint& a, const LedgerPoint& b) {
            return a.position_steps < b.position_steps;
          });
      low = first->position_steps;
      high = last->position_steps;
    }
    overlapping_.reset();
    overlapping_.bind(1, rig_of(run)).bind(2, *from).bind(3, *until);
    while (overlapping_.step() == SQLITE_ROW) {
      const bool other_sized = overlapping_.number(3).value_or(0) != 0;
      if (!sized && !other_sized) continue;
      if (sized != other_sized && overlapping_.optional_text(4) != run.time_utc) continue;
      const double other_low = overlapping_.number(1).value_or(low);
      const double other_high = overlapping_.number(2).value_or(high);
      if (sized && other_sized && (other_low > high || other_high < low)) continue;
      ids.push_back(overlapping_.integer(0));
    }
    overlapping_.reset();
    return ids;
  }

  // In the place of the first, with the notes of all.
  bool replace(const std::vector<std::int64_t>& there, LedgerRun run, const std::string& identity,
               const std::string& summary, LedgerAdded& added) {
    std::string note = run.note.value_or("");
    for (const std::int64_t id : there) {
      const auto old = read(id);
      if (!run.note && old && old->note) note += (note.empty() ? "" : "; ") + *old->note;
      remove_.reset();
      remove_.bind(1, id);
      if (remove_.step() != SQLITE_DONE) return false;
    }
    if (!note.empty()) run.note = note;
    if (!insert(run, identity, summary, added, there.front())) return false;
    added.replaced = true;
    return true;
  }

  // The summary follows the facts, so that the run is known by them too.
  bool fill_in(std::int64_t id, const LedgerRun& run) {
    fill_in_.reset();
    fill_in_.bind(1, id)
        .bind(2, run.time_utc)
        .bind(3, run.filter)
        .bind(4, run.temperature_c)
        .bind(5, run.altitude_deg)
        .bind(6, run.best_focus_steps)
        .bind(7, run.sigma_steps)
        .bind(8, run.verdict)
        .bind(9, joined(run.findings))
        .bind(10, run.from_utc)
        .bind(11, run.until_utc)
        .bind(12, run.note);
    if (fill_in_.step() != SQLITE_DONE) return false;
    const auto filled = read(id);
    if (!filled) return false;
    renew_.reset();
    renew_.bind(1, id).bind(2, ledger::run_summary(*filled));
    return renew_.step() == SQLITE_DONE;
  }

  std::int64_t rig_of(const LedgerRun& run) {
    const auto [rig, fresh] = rigs_.try_emplace(run.rig, 0);
    if (fresh) rig->second = rig_id(connection_, run.rig);
    return rig->second;
  }

  // `id`: of a run that is gone; absent: the next one.
  bool insert(const LedgerRun& run, const std::string& identity, const std::string& summary,
              LedgerAdded& added, std::optional<std::int64_t> id = std::nullopt) {
    add_.reset();
    add_.bind(1, identity)
        .bind(2, summary)
        .bind(3, rig_of(run))
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
        .bind(15, joined(run.findings))
        .bind(16, run.from_utc)
        .bind(17, run.until_utc)
        .bind(18, run.note)
        .bind(19, id);
    if (add_.step() != SQLITE_DONE) return false;
    added = {sqlite3_last_insert_rowid(connection_.get()), false, false};
    return insert_points(added.id, run);
  }

  bool insert_points(std::int64_t id, const LedgerRun& run) {
    std::int64_t place = 0;
    for (const auto& point : run.points) {
      add_point_.reset();
      add_point_.bind(1, id)
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

  Connection& connection_;
  Ledger::Overlap overlap_;
  Statement find_;
  Statement find_summary_;
  Statement add_;
  Statement fill_in_;
  Statement read_;
  Statement renew_;
  Statement overlapping_;
  Statement remove_;
  Statement add_point_;
  std::map<std::string, std::int64_t> rigs_;
  ledger::Repeats repeats_;
};

constexpr const char* kAddMeasurement = R"(
INSERT OR IGNORE INTO measurements (identity, rig_id, file, time_utc, filter, exposure_s,
  temperature_c, position_steps, hfr_px, hfr_sigma_px, fwhm_px, eccentricity, star_count,
  background_adu)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14))";

}  // namespace

Result<std::vector<LedgerAdded>> Ledger::add(std::span<const LedgerRun> runs, Overlap overlap) {
  for (const auto& run : runs) {
    if (auto finite = check_finite(run); !finite) return tl::unexpected<Error>(finite.error());
  }
  Connection& connection = database_->connection;
  Transaction transaction(connection);
  if (!transaction.begun()) return writing_failed(database_->path, connection);
  std::vector<LedgerAdded> added(runs.size());
  {
    Adder adder(connection, overlap);
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
    Statement add(connection.get(), kAddMeasurement);
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

}  // namespace starwaist
