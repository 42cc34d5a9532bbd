// starwaist plan: tonight's settings of a focus run.
#include "command.h"
#include "run_inputs.h"
#include "starwaist/numbers.h"
#include "starwaist/plan.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kExamples = R"(Examples:
  starwaist plan --focal-length-mm 480 --f-number 5 --pixel-um 3.76 --um-per-step 2
      Step size, points and exposure for this rig, with three arc seconds of seeing.
  starwaist plan rough --config rig.conf
      The same from a rough run of tonight: its curve, its noise, its best focus.
  starwaist plan rough.csv --f-number 5 --pixel-um 3.76 --save rig.conf
      From a table; what was found is kept for the other commands (--config rig.conf).
Every position lies within --min-position-steps and --max-position-steps: give them. A focuser
driven against its stop can be damaged; the maker's manual goes first.
Exit status: 0 a plan was made; 2 wrong usage; 3 no usable input, or an output that cannot be
written; 130 interrupted.)";

class PlanCommand : public Command {
 public:
  PlanCommand() : Command("plan", "Step size, points and exposure for tonight's focus run") {
    add_input_options(app(), input_);
    app().get_option("INPUT")->required(false);
    add_common_options(app(), common_);
    add_table_options(app(), table_);
    const std::string group = "Plan";
    add_number(app(), "--download-s", plan_.download_s, kNotNegative, "Time after each exposure")
        ->group(group);
    add_number(app(), "--move-s", plan_.move_s, kNotNegative,
               "Time to move to a position and settle")
        ->group(group);
    add_number(app(), "--exposure-s", plan_.exposure_s, kPositive,
               "Exposure to plan with; a table's run counts as taken with it too")
        ->group(group);
    add_number(app(), "--probability", plan_.probability, {0.01, 0.9999, false, false},
               "Of ending within half of the focus zone")
        ->group(group);
    add_number(app(), "--sigma-steps", plan_.wanted_sigma_steps, kPositive,
               "Wanted standard deviation of best focus, in place of the probability")
        ->group(group);
    add_number(app(), "--centre-steps", plan_.centre_steps, {},
               "Middle of the sweep [best focus of the run]")
        ->group(group);
    add_number(app(), "--tolerance", plan_.seeing_tolerance, {0.001, 1, false, false},
               "Growth of the star that the seeing's zone allows")
        ->group(group);
    add_number(app(), "--slope-px-per-step", slope_, kPositive,
               "Measured slope of the arms, half-flux radius, where um per step is not known")
        ->group(group);
    app()
        .add_option("--save", save_, "Write the rig's settings as a file for --config")
        ->type_name("FILE")
        ->configurable(false);
    add_rig_options(app(), rig_);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    const auto checked_rig = checked(rig_);
    if (!checked_rig) return report_failure(streams, checked_rig.error());
    const auto protected_paths = protected_paths_of(input_.inputs, table_);
    if (auto allowed = check_outputs({common_.json, save_}, protected_paths); !allowed) {
      return report_failure(streams, allowed.error());
    }
    Rig rig = *checked_rig;
    const auto conditions = find_conditions(rig, streams);
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!conditions) return report_failure(streams, conditions.error());
    if (slope_) rig.um_per_step.reset();  // the measured slope goes before it
    rig = rig_with_measured_step(rig, *conditions);
    const auto plan = plan_run(*conditions, rig, plan_);
    if (!plan) return report_failure(streams, plan.error());
    const auto json = plan_json(*plan);
    if (!json) return report_failure(streams, json.error());
    if (!common_.json.empty()) {
      if (auto written = write_output(common_.json, *json, protected_paths, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!save_.empty()) {
      if (auto written = write_output(save_, saved(rig, *plan), protected_paths, streams);
          !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!common_.json_to_stdout()) {
      FocusPlan shown = *plan;
      if (common_.quiet) shown.notes.clear();
      if (auto written = write_output("-", plan_text(shown), {}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    return kTrusted;
  }

 private:
  // Of the runs where there are any, else of the optics; completes the rig from the frames.
  Result<ObservingConditions> find_conditions(Rig& rig, const ToolStreams& streams) {
    if (input_.inputs.empty()) return conditions_from_optics(rig, slope_);
    ProgressLine progress(streams, common_.quiet);
    RunOptions options = run_options_of(common_, input_, rig, progress, streams);
    options.table = table_;
    const auto runs = fit_runs(input_.inputs, options);
    progress.wipe();
    if (!runs) return tl::unexpected<Error>(runs.error());
    std::vector<FitResult> fits;
    for (const RunFit& run : *runs) {
      print_skipped(streams, run.skipped);
      rig = completed(rig, run.rig);
      fits.push_back(run.fit);
    }
    auto exposure = exposure_of_frames();
    if (!exposure) exposure = plan_.exposure_s;
    auto conditions = conditions_from_runs(fits, rig, exposure);
    if (conditions) return conditions;
    auto optics = conditions_from_optics(rig, slope_);
    if (!optics) return conditions;
    optics->notes.insert(optics->notes.begin(),
                         conditions.error().message + "; the plan rests on the optics alone");
    return optics;
  }

  // Of the first frame that says it.
  [[nodiscard]] std::optional<double> exposure_of_frames() const {
    for (const auto& run : runs_of(input_.inputs)) {
      const auto found = find_run_input(run, table_);
      if (!found) continue;
      for (const auto& [path, facts] : found->stated) {
        if (facts.exposure_s) return facts.exposure_s;
      }
      if (found->frames.empty()) continue;
      const auto frame = read_frame(found->frames.front(), input_.read);
      if (frame && frame->facts.exposure_s) return frame->facts.exposure_s;
    }
    return std::nullopt;
  }

  [[nodiscard]] std::string saved(const Rig& rig, const FocusPlan& plan) const {
    const std::vector<std::string> remarks = {
        "Rig for 'starwaist COMMAND --config FILE'",
        "The plan: " + std::to_string(plan.points) + " points, step " +
            format_like_sigma(plan.step_steps, std::nullopt) + " steps, " +
            std::to_string(plan.frames_per_point) + " x " +
            format_like_sigma(plan.exposure_s, std::nullopt) + " s at each"};
    return rig_file(rig, remarks,
                    {{"download-s", plan_.download_s},
                     {"move-s", plan_.move_s},
                     {"exposure-s", plan.exposure_s}});
  }

  InputOptions input_;
  CommonOptions common_;
  TableOptions table_;
  Rig rig_;
  PlanOptions plan_;
  std::optional<double> slope_;
  std::string save_;
};

}  // namespace

std::unique_ptr<Command> make_plan_command() { return std::make_unique<PlanCommand>(); }

}  // namespace starwaist::tool
