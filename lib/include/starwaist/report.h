// Answers as text: JSON, CSV, tables, figures. Takes no decisions.
//
// Module: report.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/backlash.h"
#include "starwaist/diagnosis.h"
#include "starwaist/error.h"
#include "starwaist/live.h"
#include "starwaist/past_runs.h"
#include "starwaist/plan.h"
#include "starwaist/render.h"
#include "starwaist/run.h"
#include "starwaist/session.h"
#include "starwaist/stars.h"

namespace starwaist {

// How an answer is laid out for a person. Text is UTF-8 and ends with a line break.
struct TextOptions {
  std::size_t width = 79;  // no line is longer, but for a name that cannot be broken
  bool details = true;     // tables and remarks too, not only the answer and its reasons
};

// Words made safe to show and broken at the width.
std::string paragraph(const std::string& text, const TextOptions& options = {});

// Answers as JSON, UTF-8, two-space indented, ending with a line break. A number that is not
// finite is an error (numerical): it never reaches a file.
struct MeasureJsonOptions {
  bool stars = false;
};
Result<std::string> measure_json(const MeasuredRun& run, const MeasureJsonOptions& options = {});
Result<std::string> fit_json(const RunAnswer& answer);
// The same on one line, with the run's name, for many runs in one file.
Result<std::string> fit_json_line(const std::string& run_name, const RunAnswer& answer);

// One row a frame; the headings are the JSON keys.
std::string measure_csv(const MeasuredRun& run);

// What was left out and why, "file: reason" a line; three or more with the same reason are one
// line: "first to last (11 in all): reason".
std::vector<std::string> reason_lines(const std::vector<SkippedFile>& skipped);

// For people: the answer in words, then a table of frames.
std::string measure_table(const MeasuredRun& run, const TextOptions& options = {});

// A run's answer for people. fit_table, field_text and diagnose_text all begin with what
// opening_text begins with: use it or not, what is wrong, what to do; without details that and the
// reasons are all they say.
std::string opening_text(const RunAnswer& answer, const TextOptions& options = {});
// Then interval, focus zone, tables of points and curves.
std::string fit_table(const RunAnswer& answer, const TextOptions& options = {});
// One line for a list of many runs.
std::string fit_line(const std::string& run_name, const RunAnswer& answer);

// Answers in one line of at most kShortLineWidth characters, with its line break: position in whole
// steps (with decimals where the focuser counts them), from which side, use it or not. Of a run the
// same for every command.
inline constexpr std::size_t kShortLineWidth = 60;
std::string short_line(const RunAnswer& answer);
// The same while the run is taken, with where to go next.
std::string watch_short_line(const WatchAnswer& watched, const RunAnswer& answer);
std::string night_watch_short_line(const NightWatchAnswer& answer);
std::string backlash_short_line(const BacklashResult& result);
std::string drift_short_line(const DriftFit& fit);
std::string night_short_line(const SessionAnswer& answer);

// starwaist/field/1, and for a person: the zones, tilt, curvature, collimation.
Result<std::string> field_json(const RunAnswer& answer);
std::string field_text(const RunAnswer& answer, const TextOptions& options = {});

// starwaist/diagnose/1, with the whole answer of the fit under `fit`.
Result<std::string> diagnose_json(const RunAnswer& answer);
// The same on one line, with the run's name.
Result<std::string> diagnose_json_line(const std::string& run_name, const RunAnswer& answer);
// For people: each finding with its figures, what is only suspected as a note.
std::string diagnose_text(const RunAnswer& answer, const TextOptions& options = {});
// One line for a list of many runs.
std::string diagnose_line(const std::string& run_name, const RunAnswer& answer);
// The page of a cause, and the list of all.
std::string explain_text(const CausePage& page, const TextOptions& options = {});
std::string explain_list(const std::vector<CausePage>& pages, const TextOptions& options = {});

// The answer of plan: JSON, and for people.
Result<std::string> plan_json(const FocusPlan& plan);
std::string plan_text(const FocusPlan& plan, const TextOptions& options = {});

// The answer of backlash: JSON, and for people.
Result<std::string> backlash_json(const BacklashResult& result,
                                  const std::vector<SkippedFile>& skipped = {});
std::string backlash_text(const BacklashResult& result, const TextOptions& options = {});

// A rig as a file for --config: 'f-number = 5' and so on, what is known; `remarks` on top as
// comments, `more` options by their long names without dashes.
std::string rig_file(const Rig& rig, const std::vector<std::string>& remarks = {},
                     const std::vector<std::pair<std::string, double>>& more = {});

// starwaist/watch/1 on one line, and for people: the frame, best focus so far, what to do next.
Result<std::string> watch_json_line(const WatchAnswer& answer);
std::string watch_text(const WatchAnswer& answer, const TextOptions& options = {});

enum class FigureFormat { png, svg };

// By the ending .png or .svg, in any case; absent for others.
std::optional<FigureFormat> figure_format(const std::string& path);

// Whether the program gnuplot can be run; for use before the work. Errors: cannot_write.
Result<void> check_gnuplot();

// The focus curve as the bytes of a picture: points with error bars, the curve, best focus with its
// interval, the critical focus zone, rejected points marked, residuals below. Drawn by the program
// gnuplot, found on PATH. Errors: cannot_write where gnuplot is absent or fails.
Result<std::string> focus_plot(const RunAnswer& answer, FigureFormat format);

// focus_plot into a file, by write_whole_file. Errors: invalid_argument for another ending,
// cannot_write.
Result<void> write_focus_plot(const RunAnswer& answer, const std::string& path,
                              const std::vector<std::string>& protected_paths = {});

// Drift: the answer as JSON with the skipped rows; in words and tables; focus against
// temperature with the line, its 95 % band for one run, filters by colour and the runs left out.
Result<std::string> drift_json(const DriftFit& fit, const std::vector<SkippedFile>& skipped = {});
std::string drift_table(const DriftFit& fit, const TextOptions& options = {});
Result<std::string> drift_plot(const DriftFit& fit, FigureFormat format);
Result<void> write_drift_plot(const DriftFit& fit, const std::string& path,
                              const std::vector<std::string>& protected_paths = {});

// The ledger's runs: schema starwaist/log/1, with `details` their points;
// CSV that `drift` and `log add` read back; one line a run.
struct LogJsonOptions {
  bool details = false;
};
Result<std::string> log_json(const std::vector<LedgerRun>& runs,
                             const LogJsonOptions& options = {});
std::string log_csv(const std::vector<LedgerRun>& runs);
std::string log_table(const std::vector<LedgerRun>& runs, const TextOptions& options = {});
std::string log_line(const LedgerRun& run);

// What `log check` found: schema starwaist/log/1 with `whole`, `faults` (sentences) and
// `counts` (`rigs`, `runs`, `points`, `measurements`).
Result<std::string> log_check_json(const std::vector<std::string>& faults,
                                   const LedgerCounts& counts);

// The answer of night: the frames as in measure with what became of each, the periods, the rule;
// one row a frame; for people; the night's timeline (sizes, shape, star light, sky, temperature
// against time, periods shaded, refocuses marked).
Result<std::string> night_json(const SessionAnswer& answer);
std::string night_csv(const SessionAnswer& answer);
std::string night_text(const SessionAnswer& answer, const TextOptions& options = {});
Result<std::string> night_plot(const SessionAnswer& answer, FigureFormat format);
Result<void> write_night_plot(const SessionAnswer& answer, const std::string& path,
                              const std::vector<std::string>& protected_paths = {});

// A night while it is taken: starwaist/watch/1 on one line with `mode` "night", and for people.
Result<std::string> night_watch_json_line(const NightWatchAnswer& answer);
std::string night_watch_text(const NightWatchAnswer& answer, const TextOptions& options = {});

// A PNG of the frame, stretched for the eye, with the measured stars marked: a green circle (1.5
// half-flux radii and 2 px more) for a star that counts, an orange square for a saturated one, a
// blue square for a blended one, a grey circle for one at the edge. Large frames are halved until
// their longer side is at most 4096 px. Errors: those of read_frame and write_whole_file.
Result<void> write_overlay(const MeasuredFrame& frame, const std::string& png_path,
                           const std::vector<std::string>& protected_paths = {});

// Whether write_whole_file could write `path`, without touching anything; for use before the work.
// Refused (cannot_write): a folder, a special file, any of `protected_paths` (the inputs; compared
// by resolved name and by inode), any frame or ledger, a folder that is absent or not writable.
Result<void> check_output_file(const std::string& path,
                               const std::vector<std::string>& protected_paths = {});

// Writes `content` under another name beside `path` and renames it, so that the file is whole or
// absent, after the checks of check_output_file. A symbolic link is followed.
Result<void> write_whole_file(const std::string& path, const std::string& content,
                              const std::vector<std::string>& protected_paths = {});

}  // namespace starwaist
