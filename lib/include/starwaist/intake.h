// What an input is: folders, frame files, tables and manifests, before anything is measured.
//
// Module: intake.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/statement.h"

namespace starwaist {

struct SkippedFile {
  std::string file;  // file name, or "table.csv row 7"
  Statement reason;
};

template <>
struct Fields<SkippedFile> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(SkippedFile, file, "", "file or table row"),
                      STARWAIST_FIELD(SkippedFile, reason, "", "why, and what to do"));
};
static_assert(describes_every_field<SkippedFile>());

// A file or row that failed, with the error's words and a code of kind `skipped` (codes.h).
SkippedFile skipped_by(std::string file, const Error& error);

// The columns of a table of sizes; tools/README.md has names, separators and bad rows.
struct TableOptions {
  // From --column hfr=NAME: documented name -> name in the file.
  std::vector<std::pair<std::string, std::string>> columns;
  std::optional<SizeMeasure> size;  // which column, where the table has both kinds
};

// A table is a file whose name ends in .csv, .tsv or .txt, in any case. In a folder a .txt file is
// one only where its header row is that of a table: most are notes.
bool is_table_name(const std::string& path);

// What a table is by its header row.
enum class TableKind {
  manifest,  // a column `file` and none of sizes, none of which the user names either
  sizes,     // `position` and one of `hfr` `hfd` `fwhm`
  history,   // a position and a temperature and none of sizes: one finished run a row (history.h)
  unknown    // none of them: reading it says what it lacks
};
TableKind table_kind(const std::string& path, const TableOptions& options = {});

// What a manifest says of one frame, in place of the frame's own facts; absent where it says
// nothing.
struct StatedFacts {
  std::optional<double> position_steps;
  std::optional<double> temperature_c;
  std::optional<std::string> filter;
  std::optional<double> exposure_s;
  std::optional<std::string> time_utc;  // as in HeaderFacts
};

// What INPUT turned out to be.
struct RunInput {
  // Paths, each file once, sorted by name; those of a manifest that stands alone in its order.
  std::vector<std::string> frames;
  std::optional<std::string> table;           // path of the one table
  std::vector<std::string> manifests;         // paths
  std::map<std::string, StatedFacts> stated;  // by the frame's canonical path
  std::vector<SkippedFile> skipped;           // rows and cells of manifests, by line number
};

// A folder of frames, frame files, or one table.
//
// In a folder
// - files of other kinds are passed over;
// - PNG files are frames only where there is no frame of another kind and no table, or where a
//   manifest names them: most are figures;
// - tables beside frames are passed over, save a manifest.
//
// A manifest is a table with a column `file` and none of sizes. It may stand in the frames' folder
// or be named with them.
// - Its columns `position` `temperature` `filter` `exposure` `time` go before what the files
//   themselves say; empty cells, and frames without a row, leave it as it is.
// - Alone, it stands for the frames it names.
// - File names are relative to its folder.
// - Rows that name no file, or one a second time, are passed over and named under `skipped`, and so
//   are cells that cannot be read; where that is the position, the frame is left out.
//
// `options`: names of columns, which distinguish tables from manifests.
// Errors: not_found, no_data (a folder with no frame, two tables, a table beside frames, no frame
// left), those of reading a manifest.
Result<RunInput> find_run_input(const std::vector<std::string>& inputs,
                                const TableOptions& options = {});

// The inputs that belong to one run each: a folder and a table are runs of their own; loose frame
// files, with the tables beside them that list them, are one run together.
std::vector<std::vector<std::string>> runs_of(const std::vector<std::string>& inputs);

// What a row of a table says beside position and size, as it stands there.
struct RowFacts {
  std::optional<double> time_s;  // since any start: only differences mean something
  std::optional<double> temperature_c;
  std::optional<double> exposure_s;
  std::optional<std::string> filter;
  std::optional<int> stars;
  std::optional<double> flux;  // in any unit
  std::optional<double> background_adu;
  std::optional<double> eccentricity;
};

// What is known of a run as a whole beside its curve.
struct RunFacts {
  std::optional<std::string> time_utc;
  std::optional<std::string> from_utc;  // the earliest time and the latest
  std::optional<std::string> until_utc;
  std::optional<std::string> filter;
  std::optional<double> altitude_deg;
  std::optional<double> temperature_c;
};

struct RunTable {
  std::string source;              // for messages: "t.csv", or "t.csv run 7"
  std::vector<CurvePoint> points;  // hfd already halved; rows in file order
  std::vector<RowFacts> facts;     // one a point
  RunFacts middle;                 // of the row in the middle, bad rows counted
  SizeMeasure size = SizeMeasure::hfr;
  std::vector<SkippedFile> skipped;  // bad rows, by line number
  std::vector<Statement> notes;      // e.g. diameters halved, a sigma taken as unknown
  // What its rows have in the column `telescope`, each once ("east, west"); absent: nothing.
  std::optional<std::string> telescope;
  bool named = false;  // the column `run` says that all rows are one run's
};

struct NamedTable {
  std::string run;
  RunTable table;
};

// Errors: not_found, unreadable, unsupported_format (no text, more rows than any table of runs
// has), no_data (no header, missing columns, no good row, more than one run in the column `run`),
// bad_value (a quotation mark that is never closed, two decimal marks in one table).
Result<RunTable> read_run_table(const std::string& path, const TableOptions& options = {});

// Many runs in one table, distinguished by its column `run`, in the order of their first rows; a
// run may have no good row. Errors: as read_run_table; no_data without that column.
Result<std::vector<NamedTable>> read_run_tables(const std::string& path,
                                                const TableOptions& options = {});

}  // namespace starwaist
