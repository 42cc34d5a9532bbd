#include <algorithm>
#include <deque>
#include <filesystem>
#include <map>
#include <system_error>

#include "intake/folder.h"
#include "run/record_table.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

// The answer of a run that could not be read or fitted.
RecordedRun refused(const Error& error, const RunOptions& options) {
  RecordedRun answer;
  if (auto fit = fit_curve({}, options.rig, options.fit)) answer.record.fit = std::move(*fit);
  answer.record.fit.reasons = {{codes::run_not_read, error.text()}};
  answer.record.rig = options.rig;
  return answer;
}

Result<void> stopped(const RunOptions& options) {
  if (options.stop && options.stop()) return fail(ErrorCode::interrupted, "interrupted");
  return {};
}

// With the input that the run is from and its name.
using Consume = std::function<void(const std::string&, const std::string&, const RecordedRun&)>;

Result<void> each_of_table(const std::string& path, const RunOptions& options,
                           const Consume& consume) {
  auto tables = read_run_tables(path, options.table);
  if (!tables) return tl::unexpected<Error>(tables.error());
  int done = 0;
  for (NamedTable& named : *tables) {
    if (auto go_on = stopped(options); !go_on) return go_on;
    std::vector<SkippedFile> skipped = named.table.skipped;
    const auto answer = run_detail::record_table(std::move(named.table), options);
    if (answer) {
      consume(path, named.run, *answer);
    } else {
      RecordedRun none = refused(answer.error(), options);
      none.skipped = std::move(skipped);
      consume(path, named.run, none);
    }
    if (options.progress) options.progress(++done, static_cast<int>(tables->size()));
  }
  return {};
}

Result<std::vector<fs::path>> run_folders(const std::string& folder) {
  const auto entries = intake_detail::visible_entries(folder);
  if (!entries) return tl::unexpected<Error>(entries.error());
  std::vector<fs::path> folders;
  for (const fs::directory_entry& entry : *entries) {
    std::error_code ignored;
    if (entry.is_directory(ignored)) folders.push_back(entry.path());
  }
  if (folders.empty()) {
    return fail(ErrorCode::no_data, folder + ": the folder holds no run folders",
                "Name a folder whose folders are runs, or leave out --each");
  }
  intake_detail::sort_naturally(folders);
  return folders;
}

Result<void> each_of_folder(const std::string& folder, const RunOptions& options,
                            const Consume& consume) {
  const auto folders = run_folders(folder);
  if (!folders) return tl::unexpected<Error>(folders.error());
  for (const fs::path& run : *folders) {
    if (auto go_on = stopped(options); !go_on) return go_on;
    const auto answer = record_run({run.string()}, options);
    if (!answer && answer.error().code == ErrorCode::interrupted) {
      return tl::unexpected<Error>(answer.error());
    }
    consume(folder, run.filename().string(), answer ? *answer : refused(answer.error(), options));
  }
  return {};
}

Result<void> record_each(const std::vector<std::string>& inputs, const RunOptions& options,
                         const Consume& consume) {
  if (inputs.empty()) {
    return fail(ErrorCode::no_data, "no input was given",
                "Name a folder of run folders or a table with a column 'run'");
  }
  for (const std::string& input : inputs) {
    std::error_code error;
    const fs::file_status status = fs::status(input, error);
    if (!fs::exists(status)) {
      return fail(ErrorCode::not_found, input + ": no such file or folder", "Check the name");
    }
    auto done = fs::is_directory(status) ? each_of_folder(input, options, consume)
                                         : each_of_table(input, options, consume);
    if (!done) return done;
  }
  return {};
}

// What a run must share with another to be of the same telescope.
std::string telescope_of(const std::string& input, const RecordedRun& run) {
  const Rig& rig = run.record.rig;
  std::string key = enum_name(run.record.fit.size_measure);
  for (const auto& fact :
       {rig.focal_length_mm, rig.focal_ratio(), rig.obstruction, rig.pixel_um, rig.um_per_step}) {
    key += "|" + (fact ? format_short(*fact) : std::string());
  }
  if (run.telescope) return key + "|telescope " + *run.telescope;
  return rig.known() ? key : key + "|input " + input;
}

// Hands runs out in their order. From the first on that the others may help, they are held until
// all are there: their points and answers, not their frames.
class Together {
 public:
  Together(const RunOptions& options,
           const std::function<void(const std::string&, const RunAnswer&)>& consume)
      : options_(options), consume_(consume) {}

  void add(const std::string& input, const std::string& name, const RecordedRun& run) {
    const std::string telescope = telescope_of(input, run);
    RunAnswer answer = answer_of(run);
    if (const auto arms = arms_of(answer.fit)) arms_[telescope].push_back(*arms);
    const bool waits = wants_help(run.record.fit);
    if (held_.empty() && !waits) {
      consume_(name, answer);
      return;
    }
    held_.push_back({name, std::move(answer), telescope, {}});
    if (waits) held_.back().alone = run;
  }

  void hand_out_held(bool with_help) {
    for (; !held_.empty(); held_.pop_front()) {
      Held& run = held_.front();
      if (with_help && run.alone) {
        if (const auto arms = learn_arms(arms_[run.telescope])) help(*arms, run);
      }
      consume_(run.name, run.answer);
    }
  }

 private:
  struct Held {
    std::string name;
    RunAnswer answer;
    std::string telescope;
    std::optional<RecordedRun> alone;  // where it wants help
  };

  static bool wants_help(const FitResult& fit) {
    return fit.verdict == Verdict::unusable &&
           std::any_of(fit.points.begin(), fit.points.end(),
                       [](const CurvePoint& p) { return p.size_px.has_value(); });
  }

  // Fits the run's points once more. What is noted beside the fit is kept.
  void help(const KnownArms& arms, Held& held) const {
    RunRecord& record = held.alone->record;
    std::vector<CurvePoint> points = record.fit.points;
    for (CurvePoint& p : points) {
      if (!p.size_px) continue;
      p.used = true;  // a run's measured points all go into its fit
      p.reason.reset();
    }
    FitOptions fit = options_.fit;
    fit.size = arms.size;
    const auto alone = fit_curve(points, record.rig, fit);
    fit.known_arms = arms;
    auto helped = fit_curve(points, record.rig, fit);
    if (!alone || !helped) return;
    const auto beside = static_cast<std::ptrdiff_t>(alone->notes.size());
    helped->notes.insert(helped->notes.end(), record.fit.notes.begin() + beside,
                         record.fit.notes.end());
    record.fit = std::move(*helped);
    record.options = fit;
    held.answer = answer_of(*held.alone);
  }

  const RunOptions& options_;
  const std::function<void(const std::string&, const RunAnswer&)>& consume_;
  std::map<std::string, std::vector<ArmsOfRun>> arms_;  // by telescope
  std::deque<Held> held_;
};

}  // namespace

Result<void> judge_each(const std::vector<std::string>& inputs, const RunOptions& options,
                        const std::function<void(const std::string&, const RunAnswer&)>& consume) {
  if (options.each_by_itself) {
    return record_each(inputs, options,
                       [&](const std::string&, const std::string& name, const RecordedRun& run) {
                         consume(name, answer_of(run));
                       });
  }
  Together together(options, consume);
  auto done = record_each(inputs, options,
                          [&](const std::string& input, const std::string& name,
                              const RecordedRun& run) { together.add(input, name, run); });
  together.hand_out_held(done.has_value());
  return done;
}

}  // namespace starwaist
