// starwaist watch: best focus and the next position while a run is being taken; when to refocus
// while a night's light frames are.
#include <chrono>
#include <utility>

#include "job.h"
#include "starwaist/live.h"
#include "starwaist/next_sample.h"
#include "starwaist/page.h"
#include "starwaist/report.h"
#include "starwaist/session.h"

namespace starwaist::tool {

namespace {

constexpr const char* kWatchExamples = R"(Examples:
  starwaist watch tonight/focus --config rig.conf
      After every frame best focus so far, its uncertainty, and the position that adds most.
  starwaist watch tonight/focus --config rig.conf --json - --until-enough
      One JSON object a line for a script that moves the focuser; ends once no frame is needed.
  starwaist watch tonight/focus --like last-night/focus --once
      What the frames that are there say; the shape of the curve from an earlier run.
  starwaist watch tonight/lights --night
      Light frames: after each its size against the best so far, and when to refocus. Frames of a
      minute or more (or three of 15 s) at one position are taken for these without --night too.
  starwaist watch tonight/focus --config rig.conf --page tonight/focus.html
      Also a page that is written anew after every frame and loads itself anew. For a phone, in
      another terminal: python3 -m http.server --directory tonight
Start anywhere: without stars it looks for them with growing steps, rings give the distance. Every
position is approached from one side; go to via_steps first where one is given. Without a known rig
or an earlier run the first moves are guesses. Positions keep to --min-position-steps and
--max-position-steps: give them. A focuser driven against its stop can be damaged; the maker's
manual goes first.
Exit status: 0 best focus can be trusted, or light frames were judged; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
frame; 130 ended by Ctrl-C.)";

constexpr double kSettleS = 1.0;     // of a file of which nobody says that it was closed
constexpr double kSecondTryS = 3.0;  // after a file could not be read
constexpr std::chrono::milliseconds kBetweenInterrupts{200};
constexpr double kReloadS = 5.0;  // of the page, while the run is taken

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
  std::optional<Error> no_page;  // why the page could not be written
  // The run has no next position: more frames of it are not waited for.
  [[nodiscard]] bool stopped() const { return run && run->stop_reason; }
};

// Where frames come from and answers go.
struct Followed {
  FolderFollower& follower;
  LinesOutput& lines;
  const ToolStreams& streams;
  TextOptions text;
  bool one_line = false;    // --short
  bool last_alone = false;  // nothing is said of the frames before the last
  std::string page;         // --page; empty: none
  std::string name;         // of the run, for the page
  bool once = false;        // the page is written at the end alone
};

// The run so far as a page; `ended`: it is not loaded anew any more.
void write_page(const Live& live, const WatchAnswer& answer, bool ended, Last& last,
                const Followed& to) {
  if (to.page.empty() || (to.once && !ended)) return;
  RunPage page;
  page.name = to.name;
  page.answer = live.run.judgement();
  page.watched = answer;
  if (!ended) page.reload_s = kReloadS;
  const auto written = page_html(page).and_then(
      [&to](const std::string& html) { return to.lines.writer().text(to.page, html); });
  if (!written) last.no_page = written.error();
}

// A file that cannot be used may still be on its way: it is named once that is ruled out.
void name_unusable(const std::string& path, const Error& error, const Followed& to) {
  if (error.code == ErrorCode::interrupted || to.follower.retry(path, kSecondTryS)) return;
  print_error(to.streams, error);
}

void add_line(const WatchAnswer& answer, const LiveRun& run, const Followed& to) {
  to.lines.add(watch_json_line(answer), to.last_alone ? std::string()
                                        : to.one_line ? watch_short_line(answer, run.judgement())
                                                      : watch_text(answer, to.text));
}

void answer_held(Live& live, Last& last, MoreFrames more, const Followed& to) {
  const std::vector<std::string> held = std::exchange(live.held, {});
  for (const std::string& path : held) {
    if (is_interrupted(to.streams)) return;
    if (*live.is_night) {
      auto answer = live.night.add(path);
      if (!answer) {
        name_unusable(path, answer.error(), to);
        continue;
      }
      to.lines.add(night_watch_json_line(*answer), to.last_alone ? std::string()
                                                   : to.one_line
                                                       ? night_watch_short_line(*answer)
                                                       : night_watch_text(*answer, to.text));
      last.night = std::move(*answer);
    } else {
      auto answer = live.run.add(path, &path == &held.back() ? more : MoreFrames::wait);
      if (!answer) {
        name_unusable(path, answer.error(), to);
        continue;
      }
      add_line(*answer, live.run, to);
      if (!answer->position_steps) {
        print_error(to.streams,
                    {ErrorCode::no_data, answer->file + ": " + answer->advice.text, {}});
      }
      write_page(live, *answer, false, last, to);
      if (answer->frames > 0) last.run = std::move(*answer);
    }
  }
}

// What is said once no more frames come: the whole judgement of the run.
void conclude(Live& live, Last& last, const Followed& to) {
  if (last.run && !live.run.concluded()) {
    if (auto answer = live.run.conclude()) last.run = std::move(*answer);
  }
  if (to.one_line) {
    if (!to.last_alone) return;  // the line of the last frame said it
    if (last.night) to.lines.say(night_watch_short_line(*last.night));
    if (last.run) to.lines.say(watch_short_line(*last.run, live.run.judgement()));
  } else if (last.run) {
    to.lines.say("\n" + opening_text(live.run.judgement(), to.text));
  }
}

class WatchCommand : public Command {
 public:
  WatchCommand()
      : Command({"watch", "Follow a run or a night while it is taken and say what to do next",
                 kWatchExamples}) {
    add_input_options(app(), settings_.input);
    app().get_option("INPUT")->expected(1)->description("Folder into which the frames are written");
    add_common_options(app(), settings_.common);
    add_short_option(app(), settings_.common);
    const auto add_flag = [this](const std::string& option, bool& target, const std::string& help) {
      app().add_flag(option, target, help)->configurable(false);
    };
    add_flag("--once", once_, "Answer from the frames that are there and end");
    add_flag(
        "--until-enough", until_enough_,
        "End once there is no next position: best focus is known, or a stop_reason says why not");
    add_path(app(), "--like", like_, "An earlier run with this rig, for the shape of the curve",
             "RUN")
        ->configurable(false);
    add_path(app(), "--page", page_, "Write the run so far as a page, anew after every frame",
             "FILE.html")
        ->configurable(false);
    add_flag("--night", night_, "The frames are a night's light frames, not a focus run");
    add_number(app(), "--refocus-minutes", refocus_minutes_, kPositive,
               "Time that a refocus takes, for a night");
    add_number(app(), "--sigma-steps", next_.wanted_sigma_steps, kPositive,
               "Enough at this standard deviation [half the focus zone with 95 %]");
    add_integer(app(), "--most-points", next_.most_points, 5, 1000,
                "End at this many, whatever they show");
    add_rig_options(app(), settings_.rig);
  }

  int run(const ToolStreams& streams) override {
    return run_lines(
        {.check = [this] { return check_page(); },
         .inputs = settings_.input.inputs,
         .outputs = {{"--page", page_, OutputName::Kind::file}},
         .shows_progress = false,
         .work = [this](Work& work, LinesOutput& lines) { return watch(work, lines); }},
        settings_, streams);
  }

 private:
  [[nodiscard]] Result<void> check_page() const {
    if (page_ == "-") {
      return fail(ErrorCode::invalid_argument, "--page: a page that is written anew is a file",
                  "Name a file");
    }
    if (night_ && !page_.empty()) return no_page_of_a_night();
    return {};
  }

  static tl::unexpected<Error> no_page_of_a_night() {
    return fail(ErrorCode::invalid_argument, "--page shows a focus run, not a night's light frames",
                "Leave it out");
  }

  [[nodiscard]] const std::string& folder() const { return settings_.input.inputs.front(); }

  Result<int> watch(Work& work, LinesOutput& lines) const {
    LiveRunOptions options;
    options.run = work.options;
    options.next = next_;
    if (!like_.empty()) {
      const auto conditions = conditions_like(options.run);
      if (!conditions) return tl::unexpected<Error>(conditions.error());
      options.conditions = *conditions;
    }
    auto follower = FolderFollower::open(folder(), kSettleS);
    if (!follower) return tl::unexpected<Error>(follower.error());
    if (!once_ && !settings_.common.quiet) {
      print_line(work.streams, "watching " + folder() + "; Ctrl-C ends");
    }
    Live live{LiveRun(options), LiveNight({options.run, refocus_minutes_}), {}, {}, {}};
    if (night_) {
      live.is_night = true;
    } else if (until_enough_ || !like_.empty()) {
      live.is_night = false;
    }
    const bool one_line = settings_.common.one_line;
    return follow(live, {.follower = *follower,
                         .lines = lines,
                         .streams = work.streams,
                         .text = text_options(settings_.common, work.streams),
                         .one_line = one_line,
                         .last_alone = one_line && once_,
                         .page = page_,
                         .name = name_of_run(folder()),
                         .once = once_});
  }

  [[nodiscard]] Result<ObservingConditions> conditions_like(const RunOptions& options) const {
    const auto runs = judge_runs(find_runs({like_}, options.table).input, options);
    if (!runs) return tl::unexpected<Error>(runs.error());
    std::vector<FitResult> fits;
    for (const RunAnswer& run : *runs) fits.push_back(run.fit);
    return conditions_from_runs(fits, completed(options.rig, runs->front().rig));
  }

  Result<int> follow(Live& live, const Followed& to) const {
    Last last;
    const auto followed = answer_frames(live, last, to);
    if (!live.is_night && !is_interrupted(to.streams)) {  // too few to decide
      live.is_night = false;
      answer_held(live, last, MoreFrames::none, to);
    }
    conclude(live, last, to);
    if (auto finished = to.lines.finish(); !finished) {
      return tl::unexpected<Error>(finished.error());
    }
    if (!followed) return tl::unexpected<Error>(followed.error());
    if (last.run) write_page(live, *last.run, true, last, to);
    if (last.no_page) return tl::unexpected<Error>(*last.no_page);
    if (last.night) return last.night->loss_percent ? kTrusted : kNotTrusted;
    if (last.run) return status_of(last.run->verdict);
    return fail(ErrorCode::no_data, folder() + ": no frame could be used",
                "Name the folder into which the frames are written");
  }

  Result<void> answer_frames(Live& live, Last& last, const Followed& to) const {
    while (!is_interrupted(to.streams) && !(until_enough_ && last.stopped())) {
      const auto whole = to.follower.next(kBetweenInterrupts);
      if (!whole) return tl::unexpected<Error>(whole.error());
      for (const std::string& path : *whole) {
        if (is_interrupted(to.streams)) break;
        add(path, more_after(&path == &whole->back(), to), live, last, to);
        if (until_enough_ && last.stopped()) break;
        if (last.no_page) return {};
        if (live.is_night.value_or(false) && !page_.empty()) return no_page_of_a_night();
      }
      if (once_ && whole->empty() && !to.follower.waiting()) break;
    }
    return {};
  }

  [[nodiscard]] MoreFrames more_after(bool last_there, const Followed& to) const {
    // Who moves the focuser by the answers takes no frame before the answer is there.
    if (until_enough_) return MoreFrames::may_come;
    if (!last_there || to.follower.waiting()) return MoreFrames::wait;
    return once_ ? MoreFrames::none : MoreFrames::may_come;
  }

  void add(const std::string& path, MoreFrames more, Live& live, Last& last,
           const Followed& to) const {
    live.held.push_back(path);
    if (!live.is_night) {
      const auto frame = read_frame(path, settings_.input.read);
      if (!frame) {
        live.held.pop_back();
        name_unusable(path, frame.error(), to);
        return;
      }
      live.headers.push_back(frame->facts);
      live.is_night = looks_like_night(live.headers);
    }
    if (live.is_night) answer_held(live, last, more, to);
  }

  NextSampleOptions next_;
  std::string like_;
  std::string page_;
  bool once_ = false;
  bool until_enough_ = false;
  bool night_ = false;
  double refocus_minutes_ = SessionOptions{}.refocus_minutes;
};

}  // namespace

std::unique_ptr<Command> make_watch_command() { return std::make_unique<WatchCommand>(); }

}  // namespace starwaist::tool
