// starwaist plan: tonight's settings of a focus run.
#include "job.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/plan.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kPlanExamples = R"(Examples:
  starwaist plan --focal-length-mm 480 --f-number 5 --pixel-um 3.76 --um-per-step 2
      Step size, points and exposure for this rig, with three arc seconds of seeing.
  starwaist plan rough --config rig.conf
      The same from a rough run of tonight: its curve, its noise, its best focus.
  starwaist plan rough.csv --f-number 5 --pixel-um 3.76 --save rig.conf
      From a table; what was found is kept for the other commands (--config rig.conf).
  starwaist plan --config rig.conf --within-steps 2000
      Focus is lost, but not farther off than that: how to find it first. Without a run and without
      --centre-steps that is planned too, over all of the focuser's travel.
Every position lies within --min-position-steps and --max-position-steps: give them. A focuser
driven against its stop can be damaged; the maker's manual goes first.
Exit status: 0 a plan was made; 2 wrong usage; 3 no usable input, or an output that cannot be
written; 130 interrupted.)";

using Runs = std::vector<FoundRun>;

struct PlanAnswer {
  FocusPlan plan;
  Rig rig;  // as completed by the runs
};

class PlanCommand : public Command {
 public:
  PlanCommand()
      : Command({"plan", "Step size, points and exposure for tonight's focus run", kPlanExamples}) {
    add_input_options(app(), settings_.input);
    app().get_option("INPUT")->required(false);
    add_common_options(app(), settings_.common);
    add_table_options(app(), settings_.table);
    add_plan_options();
    add_path(app(), "--save", save_, "Write the rig's settings as a file for --config")
        ->configurable(false);
    add_rig_options(app(), settings_.rig);
  }

  int run(const ToolStreams& streams) override {
    return run_job(
        Job<Runs, PlanAnswer>{
            .find =
                [this] {
                  return Result<Found<Runs>>(find_runs(settings_.input.inputs, settings_.table));
                },
            .outputs = {{.name = {"--save", save_, OutputName::Kind::file},
                         .write =
                             [this](const PlanAnswer& answer, const Writer& writer) {
                               return writer.text(save_, saved(answer));
                             }}},
            .work = [this](const Runs& runs, Work& work) { return make_plan(runs, work); },
            .json = [](const PlanAnswer& answer) { return plan_json(answer.plan); },
            .text = [](const PlanAnswer& a,
                       const TextOptions& options) { return plan_text(a.plan, options); },
            .status = [](const PlanAnswer&) { return kTrusted; }},
        settings_, streams);
  }

 private:
  void add_plan_options() {
    const auto add = [this](const std::string& option, auto& target, const NumberLimits& limits,
                            const std::string& help) {
      add_number(app(), option, target, limits, help)->group("Plan");
    };
    add("--download-s", plan_.download_s, kNotNegative, "Time after each exposure");
    add("--move-s", plan_.move_s, kNotNegative, "Time to move to a position and settle");
    add("--exposure-s", plan_.exposure_s, kPositive,
        "Exposure to plan with; a table's run counts as taken with it too");
    add("--probability", plan_.probability, {0.01, 0.9999, false, false},
        "Of ending within half of the focus zone");
    add("--sigma-steps", plan_.wanted_sigma_steps, kPositive,
        "Wanted standard deviation of best focus, in place of the probability");
    add("--spoiled-share", plan_.spoiled_share, {0, 0.5, false, true},
        "Share of the frames that is lost to clouds, wind or a bad measurement");
    add_integer(app(), "--points", points_, 0, kMostPlannedPoints,
                "Positions of the sweep, at least 5; 0: as many as the goal needs, one to spare")
        ->group("Plan");
    add("--centre-steps", plan_.centre_steps, {}, "Middle of the sweep [best focus of the run]");
    add("--within-steps", plan_.within_steps, kPositive,
        "Best focus is at most so far from the middle, or from where the focuser stands");
    add("--tolerance", plan_.seeing_tolerance, {0.001, 1, false, false},
        "Growth of the star that the seeing's zone allows");
    add("--slope-px-per-step", slope_, kPositive,
        "Measured slope of the arms, half-flux radius, where um per step is not known");
  }

  [[nodiscard]] Result<PlanAnswer> make_plan(const Runs& runs, Work& work) const {
    Rig rig = work.options.rig;
    const auto conditions = find_conditions(runs, rig, work);
    if (!conditions) return tl::unexpected<Error>(conditions.error());
    if (slope_) rig.um_per_step.reset();  // the measured slope goes before it
    rig = rig_with_measured_step(rig, *conditions);
    PlanOptions options = plan_;
    if (points_ > 0) options.points = points_;
    auto plan = plan_run(*conditions, rig, options);
    if (!plan) return tl::unexpected<Error>(plan.error());
    return PlanAnswer{std::move(*plan), rig};
  }

  // Of the runs where there are any, else of the optics; completes the rig from the frames.
  Result<ObservingConditions> find_conditions(const Runs& runs, Rig& rig, Work& work) const {
    if (runs.empty()) return conditions_from_optics(rig, slope_);
    const auto fitted = judge_runs(runs, work.options);
    if (!fitted) return tl::unexpected<Error>(fitted.error());
    std::vector<FitResult> fits;
    for (const RunAnswer& run : *fitted) {
      work.skipped.insert(work.skipped.end(), run.skipped.begin(), run.skipped.end());
      rig = completed(rig, run.rig);
      fits.push_back(run.fit);
    }
    auto exposure = exposure_of_frames(runs);
    if (!exposure) exposure = plan_.exposure_s;
    auto conditions = conditions_from_runs(fits, rig, exposure);
    if (conditions) return conditions;
    auto optics = conditions_from_optics(rig, slope_);
    if (!optics) return conditions;
    optics->notes.insert(optics->notes.begin(),
                         {codes::planned_by_optics,
                          conditions.error().message + "; the plan rests on the optics alone"});
    return optics;
  }

  // Of the first frame that says it.
  [[nodiscard]] std::optional<double> exposure_of_frames(const Runs& runs) const {
    for (const FoundRun& run : runs) {
      if (!run.input) continue;
      for (const auto& [path, facts] : run.input->stated) {
        if (facts.exposure_s) return facts.exposure_s;
      }
      if (run.input->frames.empty()) continue;
      const auto frame = read_frame(run.input->frames.front(), settings_.input.read);
      if (frame && frame->facts.exposure_s) return frame->facts.exposure_s;
    }
    return std::nullopt;
  }

  [[nodiscard]] std::string saved(const PlanAnswer& answer) const {
    const FocusPlan& plan = answer.plan;
    std::vector<std::string> remarks = {
        "Rig for 'starwaist COMMAND --config FILE'",
        "The plan: " + std::to_string(plan.points) + " points, step " +
            format_like_sigma(plan.step_steps, std::nullopt) + " steps, " +
            std::to_string(plan.frames_per_point) + " x " +
            format_like_sigma(plan.exposure_s, std::nullopt) + " s at each"};
    for (const Statement& note : plan.notes) {
      if (note.code == codes::um_per_step_learnt) remarks.push_back(note.text);
    }
    return rig_file(answer.rig, remarks,
                    {{"download-s", plan_.download_s},
                     {"move-s", plan_.move_s},
                     {"exposure-s", plan.exposure_s}});
  }

  PlanOptions plan_;
  std::optional<double> slope_;
  int points_ = 0;  // not fixed
  std::string save_;
};

}  // namespace

std::unique_ptr<Command> make_plan_command() { return std::make_unique<PlanCommand>(); }

}  // namespace starwaist::tool
