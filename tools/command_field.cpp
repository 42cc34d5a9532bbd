// starwaist field: focus over the field, and whether the optics are centred.
#include "job.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kFieldExamples = R"(Examples:
  starwaist field run-0203 --config rig.conf
      Best focus of nine zones, tilt, curvature, and where the shadow lies in out-of-focus stars.
  starwaist field run-0203 --f-number 5 --um-per-step 2 --json -
      The same as JSON on standard output.
Exit status: 0 the answer can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

class FieldCommand : public Command {
 public:
  FieldCommand()
      : Command({"field", "Find tilt, curvature and collimation from a run", kFieldExamples}) {
    add_input_options(app(), settings_.input);
    add_common_options(app(), settings_.common);
    add_rig_options(app(), settings_.rig);
  }

  int run(const ToolStreams& streams) override {
    return run_job(Job<RunInput, RunAnswer>{.find = [this] { return find_run(settings_); },
                                            .work = look,
                                            .json = field_json,
                                            .text = shown,
                                            .status = status},
                   settings_, streams);
  }

 private:
  static Result<RunAnswer> look(const RunInput& input, Work& work) {
    if (input.table) {
      return fail(ErrorCode::no_data, "a table does not say where its stars are",
                  "Name the frames instead");
    }
    auto answer = judge_run(input, work.options);
    if (answer) work.skipped = answer->skipped;
    return answer;
  }

  static std::string shown(RunAnswer answer, const TextOptions& options) {
    answer.skipped.clear();  // already named on standard error
    return field_text(answer, options);
  }

  // A field whose shape is not known was not answered.
  static int status(const RunAnswer& answer) {
    return answer.field_focus ? status_of(answer.fit.verdict) : kNotTrusted;
  }
};

}  // namespace

std::unique_ptr<Command> make_field_command() { return std::make_unique<FieldCommand>(); }

}  // namespace starwaist::tool
