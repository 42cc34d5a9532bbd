// From a folder of frames, some files or a table to measured frames and to a best focus: the one
// place where pixels and numbers meet.
//
// Module: run.
#pragma once

#include <functional>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/diagnosis.h"
#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/frame.h"
#include "starwaist/intake.h"
#include "starwaist/move.h"
#include "starwaist/rig.h"
#include "starwaist/stars.h"
#include "starwaist/statement.h"

namespace starwaist {

struct RunOptions {
  FrameReadOptions read;
  MeasureOptions measure;
  TableOptions table;
  Rig rig;  // as given by the user; completed from the frames' headers
  FitOptions fit;
  std::optional<std::string> arrived;  // path of a frame taken afterwards at best focus
  bool follow = false;  // measure_run: each star in every frame, also where it was not found
  bool sky = false;     // measure_run: each frame's sky over the field is kept
  // judge_each: no run is answered by what the others show.
  bool each_by_itself = false;
  int threads = 0;  // 0: all cores
  // Called after each frame with (done, total); never at the same time from two threads.
  std::function<void(int, int)> progress;
  // No further frame is begun once this returns true (an interrupt).
  std::function<bool()> stop;
};

// The frames of a run, all measured.
struct MeasuredRun {
  std::vector<MeasuredFrame> frames;  // in input order; the same bytes for any thread count
  std::vector<SkippedFile> skipped;
  Rig rig;  // as completed from the headers
};

// Measures every frame by itself, with what manifests say of it; with `follow`, stars that a frame
// should show and in which nothing was found are added where the other frames have them (each frame
// is then read a second time). Errors: no_data where none could be measured; the message then holds
// the first file's own; interrupted where `stop` came before the last frame.
Result<MeasuredRun> measure_run(const RunInput& input, const RunOptions& options);
Result<MeasuredRun> measure_run(const std::vector<std::string>& frames, const RunOptions& options);

// A frame taken afterwards at best focus, held against the curve.
struct Arrival {
  std::string file;
  std::optional<double> position_steps;  // the frame's own; absent: it counts as at best focus
  std::optional<double> size_px;         // of the run's stars, where they can be distinguished
  std::optional<double> expected_size_px;
  std::optional<double>
      sigma_px;                // of the difference: this size's and the run's scatter near focus
  std::optional<bool> agrees;  // not larger than expected by more than kArrivalSigmas
  std::optional<double> off_by_steps;  // distance from best focus of a star of this size
};
inline constexpr double kArrivalSigmas = 3;

template <>
struct Fields<Arrival> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(Arrival, file, "", "frame taken at best focus"),
      STARWAIST_FIELD(Arrival, position_steps, "steps", "its position, where it says it"),
      STARWAIST_FIELD(Arrival, size_px, "px", "size of its stars"),
      STARWAIST_FIELD(Arrival, expected_size_px, "px", "size that the curve promised"),
      STARWAIST_FIELD(Arrival, sigma_px, "px", "standard error of the difference"),
      STARWAIST_FIELD(Arrival, agrees, "", "whether the size is what was promised"),
      STARWAIST_FIELD(Arrival, off_by_steps, "steps",
                      "distance from best focus at which stars have this size"));
};
static_assert(describes_every_field<Arrival>());

// The one judgement of a run. Every command, the page and the ledger show more or less of it; none
// of them judges for itself.
struct RunAnswer {
  FitResult fit;  // points and curve; best focus, intervals, verdict and reasons as judged
  std::vector<Finding> findings;           // see Diagnosis; none: no cause was found
  std::optional<FieldFocus> field_focus;   // absent: `field_remarks` say why
  std::optional<Collimation> collimation;  // absent where no frame shows donuts
  std::vector<Statement> field_remarks;    // what limits the two, in plain words
  std::vector<SkippedFile> skipped;
  Rig rig;                         // as completed from the headers
  std::optional<Arrival> arrived;  // where RunOptions::arrived names a frame
  std::optional<Move> move;        // to best focus; absent where the run cannot be used

  [[nodiscard]] bool healthy() const { return findings.empty() && fit.verdict == Verdict::trusted; }
};

// Puts the sizes of the stars that the frames share in place of each frame's own (match_sizes).
void use_matched_sizes(MeasuredRun& run);

// A run as measured and fitted, with all that its judgement looks at.
struct RecordedRun {
  RunRecord record;
  std::vector<SkippedFile> skipped;
  // The frame that RunOptions::arrived names, with its size on the run's scale.
  struct ArrivedFrame {
    std::string file;
    std::optional<double> position_steps;
    MatchedSize size;
  };
  std::optional<ArrivedFrame> arrived;
  std::string why_no_field;  // of frames that do not show focus over the field; else empty
  std::optional<std::string> telescope;  // as in RunTable
};

// Input to points, curve and evidence, the same stars followed through the frames. Each of these
// functions takes an input that was found, or names to find it by; the folder is looked into once.
// Errors: those of find_run_input, read_run_table and measure_run.
Result<RecordedRun> record_run(const RunInput& input, const RunOptions& options);
Result<RecordedRun> record_run(const std::vector<std::string>& inputs, const RunOptions& options);

RunAnswer answer_of(const RecordedRun& recorded);

// record_run and answer_of.
Result<RunAnswer> judge_run(const RunInput& input, const RunOptions& options);
Result<RunAnswer> judge_run(const std::vector<std::string>& inputs, const RunOptions& options);

// Many runs at once. Each input is a folder of run folders (each with frames or one table) or a
// table with a column `run`; `consume` gets each run's name and answer in input order, as soon as
// it is there. A run that cannot be read is answered too: unusable, the reason in its words.
//
// A run of which its own points make nothing usable is answered by what the trusted runs of the
// same telescope show (learn_arms), doubtful at most; every other run has the answer that it has
// alone. Such a run, and those after it, are reported when all are read (or at an interrupt, as
// they are by themselves). Of one telescope are runs with the same name of it (the tables' column
// `telescope`) and the same rig; without a name, where the rig is not known, those of one input.
// Errors: those of reading an input itself; no_data for a folder without run folders; interrupted.
Result<void> judge_each(const std::vector<std::string>& inputs, const RunOptions& options,
                        const std::function<void(const std::string&, const RunAnswer&)>& consume);

}  // namespace starwaist
