// A run while it is being taken: files as they become whole.
//
// Module: live.
#pragma once

#include <chrono>
#include <cstdint>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/interval.h"
#include "starwaist/next_sample.h"
#include "starwaist/run.h"
#include "starwaist/search.h"
#include "starwaist/statement.h"
#include "starwaist/terms.h"

namespace starwaist {

// Which version of a file this is.
struct FileState {
  std::uint64_t device = 0;
  std::uint64_t inode = 0;
  std::int64_t size_bytes = 0;
  std::int64_t changed_ns = 0;  // time of the last change of its content, since 1970

  friend bool operator==(const FileState&, const FileState&) = default;
};

// Distinguishes whole files from those still being written. A file is whole once its writer closed
// it or another name was moved to it, or once it has stayed the same for `settle_s`; an empty one
// never is. Each version of a file is reported once: one that gets another name afterwards is not
// reported again, one written anew under its old name is.
class WholeFiles {
 public:
  explicit WholeFiles(double settle_s) : settle_s_(settle_s) {}

  struct Listed {
    std::string name;
    FileState state;
    bool closed = false;  // since the last look
  };
  // One look at the folder at `now_s` (any clock that does not go back). Returns the names that
  // have become whole, in the order of their last change, then of their names.
  std::vector<std::string> look(const std::vector<Listed>& listed, double now_s);

  // A file that look() reported could not be read: it is reported again once it has changed, or,
  // where it stays as it is, after `later_s` for the last time. False where that was so already.
  bool retry(const std::string& name, double now_s, double later_s);

  // Files that are not whole yet, or wait for another try.
  [[nodiscard]] bool waiting() const;

 private:
  struct Known {
    FileState state;
    double since_s = 0;
    bool told = false;
    std::optional<double> again_s;
    bool retried = false;
  };
  double settle_s_;
  std::map<std::string, Known> known_;
};

// The frames of a folder as they become whole. Sub-folders and files of other kinds are passed
// over. Not for use from two threads.
class FolderFollower {
 public:
  // `settle_s`: for file systems that do not report when a file is closed (network shares).
  // Errors: not_found, unreadable.
  static Result<FolderFollower> open(const std::string& folder, double settle_s = 1.0);
  ~FolderFollower();
  FolderFollower(FolderFollower&&) noexcept;
  FolderFollower& operator=(FolderFollower&&) noexcept;

  // Waits until a frame is whole, at most `longest`; returns the paths of those that are. Errors:
  // unreadable (the folder went away).
  Result<std::vector<std::string>> next(std::chrono::milliseconds longest);
  // The frame could not be read; perhaps it is not whole after all (see WholeFiles::retry).
  bool retry(const std::string& path, double later_s);
  [[nodiscard]] bool waiting() const;

 private:
  struct State;
  explicit FolderFollower(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

// What is known once a frame is in.
struct WatchAnswer {
  std::string file;                      // the frame
  std::optional<double> position_steps;  // absent: the frame does not count, `advice` says why
  // Half-flux radius of the frame's stars, of rings too wide to be measured as stars about that;
  // absent: none was seen, `advice` says why.
  std::optional<double> size_px;
  int frames = 0;  // of the run so far, this one included
  std::optional<double> best_focus_steps;
  std::optional<double> best_focus_sigma_steps;
  Interval interval_95_steps;
  Verdict verdict = Verdict::unusable;  // of the run so far
  std::vector<Statement> reasons;       // why it is not trusted, in plain words
  std::optional<Direction> approach;    // from which side every position is approached
  // To the next position; to best focus once there is none, absent where that is not known.
  std::optional<Move> move;
  std::optional<std::int64_t> via_steps;            // the same as in `move`
  std::optional<std::int64_t> next_position_steps;  // whole steps; absent: `stop_reason` says why
  // Best focus is known as well as wanted; with a verdict other than trusted `advice` says why more
  // frames do not help.
  bool enough = false;
  std::optional<StopReason> stop_reason;
  Statement advice;              // in plain words
  std::vector<Statement> notes;  // what the run shows of the focuser beside it: slack
};

template <>
struct Fields<WatchAnswer> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(WatchAnswer, file, "", "the frame that came in"),
      STARWAIST_FIELD(WatchAnswer, position_steps, "steps",
                      "its position; a frame without one does not count"),
      STARWAIST_FIELD(WatchAnswer, size_px, "px", "size of its stars"),
      STARWAIST_FIELD(WatchAnswer, frames, "", "frames of the run so far"),
      STARWAIST_FIELD(WatchAnswer, best_focus_steps, "steps", "best focus so far"),
      STARWAIST_FIELD(WatchAnswer, best_focus_sigma_steps, "steps", "its standard error"),
      STARWAIST_FIELD(WatchAnswer, interval_95_steps, "steps", "95 % interval"),
      STARWAIST_FIELD(WatchAnswer, verdict, "", "of the run so far"),
      STARWAIST_FIELD(WatchAnswer, reasons, "", "why it is not trusted"),
      STARWAIST_FIELD(WatchAnswer, approach, "", "direction in which every position is reached"),
      STARWAIST_FIELD(WatchAnswer, move, "",
                      "to the next position; to best focus once there is none"),
      STARWAIST_FIELD(WatchAnswer, via_steps, "steps", "go there first, as in `move`"),
      STARWAIST_FIELD(WatchAnswer, next_position_steps, "steps", "where one more frame adds most"),
      STARWAIST_FIELD(WatchAnswer, enough, "",
                      "whether best focus is known as well as wanted; see the verdict too"),
      STARWAIST_FIELD(WatchAnswer, stop_reason, "",
                      "why there is no next position: enough, most_points, limits, no_stars, "
                      "no_motion, clouds"),
      STARWAIST_FIELD(WatchAnswer, advice, "", "what to do next"),
      STARWAIST_FIELD(WatchAnswer, notes, "", "what the run shows of the focuser: its slack"));
};
static_assert(describes_every_field<WatchAnswer>());

struct LiveRunOptions {
  RunOptions run;  // `threads`: within each frame
  NextSampleOptions next;
  // Tonight's curve from an earlier run with this rig; absent: from the rig's optics, else from
  // the points themselves once they show it.
  std::optional<ObservingConditions> conditions;
};

// Whether frames come after one.
enum class MoreFrames {
  may_come,
  wait,  // the next is there already: the run does not end here
  none
};

// The run so far. Each frame is measured once, when it comes in. While the run is being taken, the
// answer goes by the sizes of the frames' own stars, which says where to go next. Where the run
// ends or may end there, it is judge_run's answer for the frames so far: the same stars in all of
// them (frames that lack some are read again), focus over the field, rings.
class LiveRun {
 public:
  explicit LiveRun(LiveRunOptions options);

  // Measures the frame and answers from all frames so far. One that was taken at the same time and
  // position as an earlier one of its name takes that one's place. One without a position does not
  // count: what was known of the run stays, and so does the next position. Errors: those of reading
  // and measuring it; it then does not count.
  Result<WatchAnswer> add(const std::string& path, MoreFrames more = MoreFrames::may_come);

  // No more frames come after all: the last answer by judge_run's judgement. Errors: no_data where
  // no frame counts.
  Result<WatchAnswer> conclude();
  // Whether the last answer was that.
  [[nodiscard]] bool concluded() const { return concluded_; }

  // The judgement behind the last answer; empty before the first.
  [[nodiscard]] const RunAnswer& judgement() const { return judged_; }

 private:
  Result<WatchAnswer> answer_by(const RecordedRun& recorded);
  Result<WatchAnswer> judge_whole(const RunOptions& options);

  LiveRunOptions options_;
  MeasuredRun so_far_;
  std::size_t newest_ = 0;  // of its frames
  RunAnswer judged_;
  bool concluded_ = false;
  WatchAnswer last_;           // of the frames that count
  bool whole_is_due_ = false;  // by the last answer
  SearchMemory kept_;
};

}  // namespace starwaist
