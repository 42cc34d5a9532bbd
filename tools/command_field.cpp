// starwaist field: focus over the field, and whether the optics are centred.
#include "command.h"
#include "starwaist/report.h"
#include "starwaist/run.h"

namespace starwaist::tool {

namespace {

constexpr const char* kExamples = R"(Examples:
  starwaist field run-0203 --config rig.ini
      Best focus of nine zones, tilt, curvature, and where the shadow lies in out-of-focus stars.
  starwaist field run-0203 --f-number 5 --um-per-step 2 --json -
      The same as JSON on standard output.
Exit status: 0 the answer can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

class FieldCommand : public Command {
 public:
  FieldCommand() : Command("field", "Find tilt, curvature and collimation from a run") {
    add_input_options(app(), input_);
    add_common_options(app(), common_);
    add_rig_options(app(), rig_);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    const auto rig = checked(rig_);
    if (!rig) return report_failure(streams, rig.error());
    const auto found = find_run_input(input_.inputs);
    if (!found) return report_failure(streams, found.error());
    const auto protected_paths = protected_paths_of(*found);
    if (auto allowed = check_outputs({common_.json}, protected_paths); !allowed) {
      return report_failure(streams, allowed.error());
    }
    ProgressLine progress(streams, common_.quiet);
    const RunOptions options = run_options_of(common_, input_, *rig, progress, streams);
    const auto field = field_of_run(input_.inputs, options);
    progress.wipe();
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!field) return report_failure(streams, field.error());
    print_skipped(streams, field->skipped);
    if (!common_.json.empty()) {
      const auto json = field_json(*field);
      if (!json) return report_failure(streams, json.error());
      if (auto written = write_output(common_.json, *json, protected_paths, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!common_.json_to_stdout()) {
      RunField shown = *field;
      shown.skipped.clear();  // already named on standard error
      if (auto written = write_output("-", field_text(shown), {}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    return field->verdict == Verdict::trusted ? kTrusted : kNotTrusted;
  }

 private:
  InputOptions input_;
  CommonOptions common_;
  Rig rig_;
};

}  // namespace

std::unique_ptr<Command> make_field_command() { return std::make_unique<FieldCommand>(); }

}  // namespace starwaist::tool
