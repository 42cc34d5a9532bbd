// The runs of many nights in one SQLite file.
//
// Module: ledger.
//
// The file is in write-ahead mode; what add() returns is on the disk and survives the end of the
// process at any moment. Several processes may add at once: they wait for each other.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/interval.h"
#include "starwaist/terms.h"

namespace starwaist {

struct LedgerPoint {
  std::string file;
  double position_steps = 0;
  std::optional<double> size_px;
  std::optional<double> sigma_px;
  std::optional<double> temperature_c;
  bool used = true;
};

template <>
struct Fields<LedgerPoint> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(LedgerPoint, file, "", "frame or table row"),
                      STARWAIST_FIELD(LedgerPoint, position_steps, "steps", "focuser position"),
                      STARWAIST_FIELD(LedgerPoint, size_px, "px", "star size"),
                      STARWAIST_FIELD(LedgerPoint, sigma_px, "px", "its standard error"),
                      STARWAIST_FIELD(LedgerPoint, temperature_c, "c", "temperature"),
                      STARWAIST_FIELD(LedgerPoint, used, "", "whether the fit used it"));
};
static_assert(describes_every_field<LedgerPoint>());

struct LedgerRun {
  std::int64_t id = 0;  // given by the ledger
  std::string rig;      // empty: the only one
  std::optional<std::string> time_utc;
  std::optional<std::string> from_utc;   // first exposure's start
  std::optional<std::string> until_utc;  // last exposure's end
  std::optional<std::string> filter;
  std::optional<double> temperature_c;
  std::optional<double> altitude_deg;
  std::optional<double> best_focus_steps;
  std::optional<double> sigma_steps;
  Interval interval_95_steps;
  std::optional<Verdict> verdict;     // absent: nobody said it
  std::string source;                 // folder or file, with the row of a table
  std::vector<std::string> reasons;   // why it is not trusted
  std::vector<std::string> findings;  // causes that a diagnosis named
  std::optional<std::string> note;    // the user's own words
  std::vector<LedgerPoint> points;
};

template <>
struct Fields<LedgerRun> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(LedgerRun, id, "", "number in the ledger"),
      STARWAIST_FIELD(LedgerRun, rig, "", "name of the rig"),
      STARWAIST_FIELD(LedgerRun, time_utc, "", "middle of the run"),
      STARWAIST_FIELD(LedgerRun, from_utc, "", "start of its first exposure"),
      STARWAIST_FIELD(LedgerRun, until_utc, "", "end of its last exposure"),
      STARWAIST_FIELD(LedgerRun, filter, "", "filter"),
      STARWAIST_FIELD(LedgerRun, temperature_c, "c", "temperature of the tube or the air"),
      STARWAIST_FIELD(LedgerRun, altitude_deg, "deg", "altitude of the telescope"),
      STARWAIST_FIELD(LedgerRun, best_focus_steps, "steps", "best focus"),
      STARWAIST_FIELD(LedgerRun, sigma_steps, "steps", "half of its 68 % interval"),
      STARWAIST_FIELD(LedgerRun, interval_95_steps, "steps", "95 % interval"),
      STARWAIST_FIELD(LedgerRun, verdict, "", "trusted, doubtful or unusable"),
      STARWAIST_FIELD(LedgerRun, source, "", "where the run came from"),
      STARWAIST_FIELD(LedgerRun, reasons, "", "why it is not trusted"),
      STARWAIST_FIELD(LedgerRun, findings, "", "causes that a diagnosis named"),
      STARWAIST_FIELD(LedgerRun, note, "", "what 'log note' put there"),
      STARWAIST_FIELD(LedgerRun, points, "", "the points of its curve"));
};
static_assert(describes_every_field<LedgerRun>());

// One sub-exposure of a session.
struct LedgerMeasurement {
  std::string rig;
  std::string file;
  std::optional<std::string> time_utc;
  std::optional<std::string> filter;
  std::optional<double> exposure_s;
  std::optional<double> temperature_c;
  std::optional<double> position_steps;
  std::optional<double> hfr_px;
  std::optional<double> hfr_sigma_px;
  std::optional<double> fwhm_px;
  std::optional<double> eccentricity;
  std::optional<int> star_count;
  std::optional<double> background_adu;
};

template <>
struct Fields<LedgerMeasurement> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(LedgerMeasurement, rig, "", "name of the rig"),
      STARWAIST_FIELD(LedgerMeasurement, file, "", "frame"),
      STARWAIST_FIELD(LedgerMeasurement, time_utc, "", "start of the exposure"),
      STARWAIST_FIELD(LedgerMeasurement, filter, "", "filter"),
      STARWAIST_FIELD(LedgerMeasurement, exposure_s, "s", "exposure"),
      STARWAIST_FIELD(LedgerMeasurement, temperature_c, "c", "temperature"),
      STARWAIST_FIELD(LedgerMeasurement, position_steps, "steps", "focuser position"),
      STARWAIST_FIELD(LedgerMeasurement, hfr_px, "px", "half-flux radius"),
      STARWAIST_FIELD(LedgerMeasurement, hfr_sigma_px, "px", "its standard error"),
      STARWAIST_FIELD(LedgerMeasurement, fwhm_px, "px", "full width at half maximum"),
      STARWAIST_FIELD(LedgerMeasurement, eccentricity, "", "0 round"),
      STARWAIST_FIELD(LedgerMeasurement, star_count, "", "stars"),
      STARWAIST_FIELD(LedgerMeasurement, background_adu, "adu", "sky"));
};
static_assert(describes_every_field<LedgerMeasurement>());

// What a list is limited to; absent: everything. Dates compare as text: "2027-02" is before every
// time of that month. Runs without a time are left out where a date is asked for.
struct LedgerFilter {
  std::optional<std::string> from;   // first date or time that counts
  std::optional<std::string> until;  // last date (the whole day, month or year) or time that counts
  std::optional<std::string> rig;
  std::optional<std::string> filter;  // compared without case
  std::optional<Verdict> verdict;
  bool details = true;  // points too
};

struct LedgerAdded {
  std::int64_t id = 0;
  bool already_there = false;  // the same run was added before; facts that it lacked were filled in
  bool replaced = false;       // what stood there before is gone
};

struct LedgerMerged {
  std::vector<LedgerAdded> runs;  // in the order of the other ledger's list
  int measurements = 0;           // that are new
};

struct LedgerCounts {
  std::int64_t rigs = 0;
  std::int64_t runs = 0;
  std::int64_t points = 0;
  std::int64_t measurements = 0;
};

// The version of the file's tables. Older files are brought up to it when they are opened for
// writing or reading; newer ones are refused.
inline constexpr int kLedgerVersion = 4;

class Ledger {
 public:
  enum class Access { create, existing };

  // Opens the file; with `create` it is made where it is absent. A file that is no ledger is
  // refused and left as it is. Errors: not_found, unreadable, unsupported_format (no ledger, a
  // newer version), cannot_write.
  static Result<Ledger> open(const std::string& path, Access access);
  ~Ledger();
  Ledger(Ledger&&) noexcept;
  Ledger& operator=(Ledger&&) noexcept;

  // Adds all of them or none, in order. A run is known by its content: positions and sizes of its
  // points, or, without points, time, filter, temperature, altitude and best focus; so the same run
  // twice is one, from whatever folder. A rig takes one run at a time: where exposures overlap with
  // those of runs of the same rig over the same positions (frames were deleted, facts of the rig
  // corrected), a run with sizes replaces them and keeps their note, and one without is there
  // already. `keep`: what is there stays. Errors: invalid_argument (a number not finite),
  // cannot_write (also when other writers hold the file for longer than half a minute).
  enum class Overlap { replace, keep };
  Result<std::vector<LedgerAdded>> add(std::span<const LedgerRun> runs,
                                       Overlap overlap = Overlap::replace);
  // The same for sub-exposures, known by rig, file, time and size. Returns how many were new.
  Result<int> add_measurements(std::span<const LedgerMeasurement> measurements);

  // Adds all runs and sub-exposures of another ledger; what is there stays, nothing comes twice.
  // Errors: as add; those of reading the other.
  Result<LedgerMerged> merge(const Ledger& other);
  // Takes runs away, all of them or none. Errors: not_found (no run of that number), cannot_write.
  Result<void> remove(std::span<const std::int64_t> ids);
  // Writes the note of a run, in place of an older one; empty: none. Errors: as remove.
  Result<void> note(std::int64_t id, const std::string& text);

  // In the order of time, those without one last. Errors: unreadable.
  Result<std::vector<LedgerRun>> runs(const LedgerFilter& filter = {}) const;
  Result<std::vector<LedgerMeasurement>> measurements(const LedgerFilter& filter = {}) const;

  // What is wrong with the file, in sentences; empty where nothing is: SQLite's own check, foreign
  // keys, and that every run's identity is that of its content. Errors: unreadable.
  Result<std::vector<std::string>> check() const;
  Result<LedgerCounts> counts() const;

 private:
  class Database;
  explicit Ledger(std::unique_ptr<Database> database);
  std::unique_ptr<Database> database_;
};

}  // namespace starwaist
