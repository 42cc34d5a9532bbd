// starwaist report: the page of a run.
#include <span>
#include <utility>

#include "job.h"
#include "run_command.h"
#include "starwaist/conditions.h"
#include "starwaist/page.h"
#include "starwaist/plan.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kReportExamples = R"(Examples:
  starwaist report run-0203 --config rig.conf --output run.html
      One page of the run, for phone and desk: the answer, the curve, pictures of its stars, causes,
      settings for the next run and every number. It opens offline; its night view is red on black.
  starwaist report sizes.csv --um-per-step 2 --output run.html
      The same of a table of sizes, without pictures.
Exit status: 0 the answer can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

class ReportCommand : public Command {
 public:
  ReportCommand() : Command({"report", "Write one HTML page of a run", kReportExamples}) {
    add_run_command_options(app(), settings_, curve_);
    app().remove_option(app().get_option("--each"));
    add_path(app(), "--output", output_, "The page; - is standard output", "FILE.html")
        ->required()
        ->configurable(false);
  }

  int run(const ToolStreams& streams) override {
    return run_job(
        Job<RunInput, RunPage>{
            .find = [this] { return find_run(settings_); },
            .outputs = {{.name = {"--output", output_, OutputName::Kind::file},
                         .write =
                             [this](const RunPage& page, const Writer& writer) {
                               return page_html(page).and_then([&](const std::string& html) {
                                 return writer.text(output_, html);
                               });
                             }}},
            .work = [this](const RunInput& input, Work& work) { return make_page(input, work); },
            .json = [](const RunPage& page) { return diagnose_json(page.answer); },
            .text = [](const RunPage& page,
                       const TextOptions& options) { return opening_text(page.answer, options); },
            .short_line = [](const RunPage& page) { return short_line(page.answer); },
            .status = [](const RunPage& page) { return status_of(page.answer.fit.verdict); }},
        settings_, streams);
  }

 private:
  Result<RunPage> make_page(const RunInput& input, Work& work) const {
    use_curve_options(curve_, work.options);
    const auto recorded = record_run(input, work.options);
    if (!recorded) return tl::unexpected<Error>(recorded.error());
    RunPage page;
    page.name = name_of_run(settings_.input.inputs.front());
    page.answer = answer_of(*recorded);
    work.skipped = page.answer.skipped;
    std::optional<double> exposure_s;
    for (const MeasuredFrame& frame : recorded->record.frames) {
      if (!exposure_s) exposure_s = frame.facts.exposure_s;
      page.frames.push_back(frame.measurement);
      page.frames.back().stars.clear();
      page.frames.back().defects.clear();
    }
    page.pictures = run_pictures(recorded->record, work.options);
    page.plan = plan_after(page.answer, exposure_s);
    return page;
  }

  // What `plan` says of this run; absent where it says nothing.
  static std::optional<FocusPlan> plan_after(const RunAnswer& answer,
                                             const std::optional<double>& exposure_s) {
    const auto conditions = conditions_from_runs(std::span(&answer.fit, 1), answer.rig, exposure_s);
    if (!conditions) return std::nullopt;
    auto plan = plan_run(*conditions, rig_with_measured_step(answer.rig, *conditions), {});
    if (!plan) return std::nullopt;
    return std::move(*plan);
  }

  CurveOptions curve_;
  std::string output_;
};

}  // namespace

std::unique_ptr<Command> make_report_command() { return std::make_unique<ReportCommand>(); }

}  // namespace starwaist::tool
