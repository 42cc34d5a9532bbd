// starwaist watch: best focus and the next position while a run is being taken; when to refocus
// while a night's light frames are.
#include <chrono>
#include <utility>

#include "run_command.h"
#include "run_inputs.h"
#include "starwaist/next_sample.h"
#include "starwaist/report.h"
#include "starwaist/session.h"
#include "starwaist/live.h"

namespace starwaist::tool {

namespace {

constexpr const char* kExamples = R"(Examples:
  starwaist watch tonight/focus --config rig.conf
      After every frame best focus so far, its uncertainty, and the position that adds most.
  starwaist watch tonight/focus --config rig.conf --json - --until-enough
      One JSON object a line for a script that moves the focuser; ends once no frame is needed.
  starwaist watch tonight/focus --like last-night/focus --once
      What the frames that are there say; the shape of the curve from an earlier run.
  starwaist watch tonight/lights --night
      Light frames: after each its size against the best so far, and when to refocus. Frames of a
      minute or more (or three of 15 s) at one position are taken for these without --night too.
Without a known rig or an earlier run the next position can be told only once the frames so far show
the curve. Positions keep to --min-position-steps and --max-position-steps: give them. A focuser
driven against its stop can be damaged; the maker's manual goes first.
Exit status: 0 best focus can be trusted, or light frames were judged; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
frame; 130 ended by Ctrl-C.)";

constexpr double kSettleS = 1.0;     // of a file of which nobody says that it was closed
constexpr double kSecondTryS = 3.0;  // after a file could not be read
constexpr std::chrono::milliseconds kBetweenInterrupts{200};

class WatchCommand : public Command {
 public:
  WatchCommand()
      : Command("watch", "Follow a run or a night while it is taken and say what to do next") {
    add_input_options(app(), input_);
    app().get_option("INPUT")->expected(1)->description("Folder into which the frames are written");
    add_common_options(app(), common_);
    app()
        .add_flag("--once", once_, "Answer from the frames that are there and end")
        ->configurable(false);
    app()
        .add_flag("--until-enough", until_enough_, "End once best focus is known well enough")
        ->configurable(false);
    app()
        .add_option("--like", like_, "An earlier run with this rig, for the shape of the curve")
        ->type_name("RUN")
        ->configurable(false);
    app()
        .add_flag("--night", night_, "The frames are a night's light frames, not a focus run")
        ->configurable(false);
    add_number(app(), "--refocus-minutes", refocus_minutes_, kPositive,
               "Time that a refocus takes, for a night [5]");
    add_number(app(), "--sigma-steps", next_.wanted_sigma_steps, kPositive,
               "Enough at this standard deviation [half the focus zone with 95 %]");
    add_integer(app(), "--most-points", next_.most_points, 5, 1000, "Enough at this many [25]");
    add_rig_options(app(), rig_);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    const auto rig = checked(rig_);
    if (!rig) return report_failure(streams, rig.error());
    if (auto allowed = check_outputs({common_.json}, input_.inputs); !allowed) {
      return report_failure(streams, allowed.error());
    }
    ProgressLine silent(streams, true);
    LiveRunOptions options;
    options.run = run_options_of(common_, input_, *rig, silent, streams);
    options.next = next_;
    if (!like_.empty()) {
      const auto conditions = conditions_like(options.run);
      if (is_interrupted(streams)) return report_interrupt(streams);
      if (!conditions) return report_failure(streams, conditions.error());
      options.conditions = *conditions;
    }
    auto follower = FolderFollower::open(input_.inputs.front(), kSettleS);
    if (!follower) return report_failure(streams, follower.error());
    if (!once_ && !common_.quiet) {
      print_line(streams, "watching " + input_.inputs.front() + "; Ctrl-C ends");
    }
    Live live{LiveRun(options), LiveNight({options.run, refocus_minutes_}), {}, {}, {}};
    if (night_) {
      live.is_night = true;
    } else if (until_enough_ || !like_.empty()) {
      live.is_night = false;
    }
    return follow(*follower, std::move(live), streams);
  }

 private:
  [[nodiscard]] Result<ObservingConditions> conditions_like(const RunOptions& options) const {
    const auto runs = fit_runs({like_}, options);
    if (!runs) return tl::unexpected<Error>(runs.error());
    std::vector<FitResult> fits;
    for (const RunFit& run : *runs) fits.push_back(run.fit);
    return conditions_from_runs(fits, completed(options.rig, runs->front().rig));
  }

  // What is being followed; frames wait until it is known which of the two.
  struct Live {
    LiveRun run;
    LiveNight night;
    std::optional<bool> is_night;
    std::vector<HeaderFacts> headers;
    std::vector<std::string> held;
  };
  // The last answer.
  struct Last {
    std::optional<WatchAnswer> run;
    std::optional<NightWatchAnswer> night;
    [[nodiscard]] bool enough() const { return run && run->enough; }
  };

  int follow(FolderFollower& follower, Live live, const ToolStreams& streams) const {
    LinesOutput lines(common_, streams);
    Last last;
    std::optional<Error> failure;
    while (!is_interrupted(streams) && !(until_enough_ && last.enough())) {
      const auto whole = follower.next(kBetweenInterrupts);
      if (!whole) {
        failure = whole.error();
        break;
      }
      for (const std::string& path : *whole) {
        if (is_interrupted(streams)) break;
        add(path, live, last, lines, follower, streams);
        if (until_enough_ && last.enough()) break;
      }
      if (once_ && whole->empty() && !follower.waiting()) break;
    }
    if (!live.is_night && !is_interrupted(streams)) {  // too few to tell
      live.is_night = false;
      answer_held(live, last, lines, follower, streams);
    }
    if (auto finished = lines.finish(input_.inputs); !finished) {
      return report_failure(streams, finished.error());
    }
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (failure) return report_failure(streams, *failure);
    if (!last.run && !last.night) {
      return report_failure(
          streams, Error{ErrorCode::no_data, input_.inputs.front() + ": no frame could be used",
                         "Name the folder into which the frames are written"});
    }
    if (last.night) return last.night->loss_percent ? kTrusted : kNotTrusted;
    return last.run->verdict == Verdict::trusted ? kTrusted : kNotTrusted;
  }

  void add(const std::string& path, Live& live, Last& last, LinesOutput& lines,
           FolderFollower& follower, const ToolStreams& streams) const {
    live.held.push_back(path);
    if (!live.is_night) {
      const auto frame = read_frame(path, input_.read);
      if (!frame) {
        live.held.pop_back();
        tell_unusable(path, frame.error(), follower, streams);
        return;
      }
      live.headers.push_back(frame->facts);
      live.is_night = looks_like_night(live.headers);
    }
    if (live.is_night) answer_held(live, last, lines, follower, streams);
  }

  static void answer_held(Live& live, Last& last, LinesOutput& lines, FolderFollower& follower,
                          const ToolStreams& streams) {
    for (const std::string& path : std::exchange(live.held, {})) {
      if (is_interrupted(streams)) return;
      if (*live.is_night) {
        auto answer = live.night.add(path);
        if (!answer) {
          tell_unusable(path, answer.error(), follower, streams);
          continue;
        }
        lines.add(night_watch_json_line(*answer), night_watch_text(*answer));
        last.night = std::move(*answer);
      } else {
        auto answer = live.run.add(path);
        if (!answer) {
          tell_unusable(path, answer.error(), follower, streams);
          continue;
        }
        lines.add(watch_json_line(*answer), watch_text(*answer));
        last.run = std::move(*answer);
      }
    }
  }

  // A file that cannot be used may still be on its way: it is named once that is ruled out.
  static void tell_unusable(const std::string& path, const Error& error, FolderFollower& follower,
                            const ToolStreams& streams) {
    if (error.code == ErrorCode::interrupted || follower.retry(path, kSecondTryS)) return;
    print_error(streams, error);
  }

  InputOptions input_;
  CommonOptions common_;
  Rig rig_;
  NextSampleOptions next_;
  std::string like_;
  bool once_ = false;
  bool until_enough_ = false;
  bool night_ = false;
  double refocus_minutes_ = SessionOptions{}.refocus_minutes;
};

}  // namespace

std::unique_ptr<Command> make_watch_command() { return std::make_unique<WatchCommand>(); }

}  // namespace starwaist::tool
