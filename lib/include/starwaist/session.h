// A session of light frames: measured, the same stars followed, judged; and while it is taken.
//
// Module: session.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/frame.h"
#include "starwaist/ledger.h"
#include "starwaist/night.h"
#include "starwaist/rig.h"
#include "starwaist/run.h"
#include "starwaist/stars.h"
#include "starwaist/statement.h"

namespace starwaist {

struct SessionOptions {
  RunOptions run;  // `fit`, `arrived`, `follow` and `field` are not looked at
  double refocus_minutes = NightOptions{}.refocus_minutes;
};

// The answer of `night`: `frames` in the order taken, `facts` and `judgement.frames` one each.
struct SessionAnswer {
  std::vector<MeasuredFrame> frames;  // sizes of the same stars; only the brightest are kept
  std::vector<NightFrame> facts;
  NightJudgement judgement;
  std::vector<SkippedFile> skipped;
  Rig rig;  // as completed from the headers
};

// Measures the light frames, follows the same stars through those of each filter (also across a
// meridian flip; frames of another field are followed by themselves) and judges the night. Frames
// of a focus run in between (short exposures, each at another position) are left out, under
// `skipped`. Memory grows by some hundred stars a frame; at most one frame a thread is open.
// `input` was found, or `inputs` are names to find it by. Errors: those of find_run_input and
// measure_run; no_data for a table and for fewer than three frames with stars.
Result<SessionAnswer> judge_session(const RunInput& input, const SessionOptions& options);
Result<SessionAnswer> judge_session(const std::vector<std::string>& inputs,
                                    const SessionOptions& options);

// The sub-exposures as the ledger keeps them, for `rig`.
std::vector<LedgerMeasurement> ledger_measurements(const SessionAnswer& answer,
                                                   const std::string& rig);

// What is known once a light frame is in: starwaist/watch/1 with `mode` "night" and these fields;
// the fields of a focus run are then null.
struct NightWatchAnswer {
  std::string file;
  int frames = 0;  // of the night so far, this one included
  std::optional<std::string> time_utc;
  std::optional<std::string> filter;
  std::optional<double> temperature_c;
  std::optional<double> size_px;             // half-flux radius
  std::optional<double> best_size_px;        // reachable in this filter, by the frames so far
  std::optional<double> loss_percent;        // size against it
  std::optional<double> focus_loss_percent;  // part of it that lost focus accounts for
  std::optional<double> light_percent;       // of the stars against a clear sky
  std::optional<std::string> cause;          // what costs this frame most
  bool refocus = false;                      // a refocus pays now
  Statement advice;                          // in plain words
};

template <>
struct Fields<NightWatchAnswer> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(NightWatchAnswer, file, "", "the frame that came in"),
                      STARWAIST_FIELD(NightWatchAnswer, frames, "", "frames of the night so far"),
                      STARWAIST_FIELD(NightWatchAnswer, time_utc, "", "start of its exposure"),
                      STARWAIST_FIELD(NightWatchAnswer, filter, "", "filter"),
                      STARWAIST_FIELD(NightWatchAnswer, temperature_c, "c", "temperature"),
                      STARWAIST_FIELD(NightWatchAnswer, size_px, "px", "half-flux radius"),
                      STARWAIST_FIELD(NightWatchAnswer, best_size_px, "px",
                                      "reachable in this filter, by the frames so far"),
                      STARWAIST_FIELD(NightWatchAnswer, loss_percent, "", "size above the best"),
                      STARWAIST_FIELD(NightWatchAnswer, focus_loss_percent, "",
                                      "part of it that lost focus accounts for"),
                      STARWAIST_FIELD(NightWatchAnswer, light_percent, "",
                                      "light of the stars against a clear sky"),
                      STARWAIST_FIELD(NightWatchAnswer, cause, "", "what costs this frame most"),
                      STARWAIST_FIELD(NightWatchAnswer, refocus, "", "whether a refocus pays now"),
                      STARWAIST_FIELD(NightWatchAnswer, advice, "", "what to do, in plain words"));
};
static_assert(describes_every_field<NightWatchAnswer>());

// The night so far. Judged are the last kLiveFrames, so that a long night does not slow it down.
class LiveNight {
 public:
  static constexpr std::size_t kLiveFrames = 80;
  explicit LiveNight(SessionOptions options);

  // Measures the frame and judges the frames so far. Errors: those of reading and measuring it; it
  // then does not count.
  Result<NightWatchAnswer> add(const std::string& path);

 private:
  SessionOptions options_;
  MeasuredRun so_far_;
  int taken_ = 0;
};

// Whether these are light frames of a night, in the order taken: one exposure of a minute or more,
// or three of a quarter of a minute or more, at one position of the focuser. Absent: too early to
// say.
std::optional<bool> looks_like_night(const std::vector<HeaderFacts>& frames);

}  // namespace starwaist
