#include "starwaist/past_runs.h"

#include <filesystem>
#include <system_error>

#include "core/clock.h"
#include "intake/csv.h"
#include "intake/folder.h"
#include "intake/past_points.h"
#include "run/record_table.h"
#include "starwaist/codes.h"
#include "starwaist/history.h"
#include "starwaist/numbers.h"

namespace starwaist {

namespace {

namespace fs = std::filesystem;

// Of the frame in the middle of those that were fitted.
RunFacts facts_of_frames(const std::vector<MeasuredFrame>& frames) {
  const HeaderFacts& middle = frames[frames.size() / 2].facts;
  RunFacts facts;
  facts.time_utc = middle.time_utc;
  facts.filter = middle.filter;
  facts.altitude_deg = middle.altitude_deg;
  facts.temperature_c = middle.temperature_c;
  for (const MeasuredFrame& frame : frames) {
    const auto& time = frame.facts.time_utc;
    const auto start = time ? core::parse_utc(*time) : std::nullopt;
    if (!start) continue;
    const std::string end = core::format_utc(*start + frame.facts.exposure_s.value_or(0));
    if (!facts.from_utc || *time < *facts.from_utc) facts.from_utc = time;
    if (!facts.until_utc || end > *facts.until_utc) facts.until_utc = end;
  }
  return facts;
}

LedgerRun run_of_fit(const FitResult& fit, const RunFacts& facts, const std::string& source,
                     const std::string& rig) {
  LedgerRun run;
  run.rig = rig;
  run.source = source;
  run.time_utc = facts.time_utc;
  run.from_utc = facts.from_utc;
  run.until_utc = facts.until_utc;
  run.filter = facts.filter;
  run.altitude_deg = facts.altitude_deg;
  for (const auto& point : fit.points) {
    run.points.push_back({point.file, point.position_steps, point.size_px, point.sigma_px,
                          point.temperature_c, point.used});
  }
  run.temperature_c = intake_detail::mean_temperature_c(run.points);
  if (!run.temperature_c) run.temperature_c = facts.temperature_c;
  run.best_focus_steps = fit.best_focus_steps;
  run.sigma_steps = fit.best_focus_sigma_steps;
  if (run.sigma_steps && !(*run.sigma_steps > 0)) run.sigma_steps.reset();
  run.interval_95_steps = fit.interval_95_steps;
  run.verdict = fit.verdict;
  run.reasons = texts_of(fit.reasons);
  return run;
}

bool is_answer_name(const fs::path& path) {
  const std::string ending = lower_case(path.extension().string());
  return ending == ".json" || ending == ".jsonl";
}

// Goes through the inputs and hands runs on.
class Walk {
 public:
  Walk(const HistoryOptions& options, const std::function<Result<void>(const PastRuns&)>& consume)
      : options_(options), consume_(consume) {}

  Result<void> go(const std::vector<std::string>& inputs) {
    std::vector<std::string> frames;
    for (const std::string& input : inputs) {
      std::error_code error;
      const auto status = fs::status(input, error);
      if (!fs::exists(status)) {
        return fail(ErrorCode::not_found, input + ": no such file or folder", "Check the name");
      }
      Result<void> done;
      if (fs::is_directory(status)) {
        done = folder(input, 0);
      } else if (is_answer_name(input)) {
        done = answers(input);
      } else if (is_table_name(input) &&
                 table_kind(input, options_.run.table) != TableKind::manifest) {
        done = table(input);
      } else {
        frames.push_back(input);
      }
      if (!done) return done;
    }
    if (!frames.empty()) {
      if (auto done = frame_run(frames, frames.front()); !done) return done;
    }
    if (count_ == 0) {
      return fail(ErrorCode::no_data,
                  inputs.empty() ? "no input was given" : inputs.front() + ": no run was found",
                  first_trouble_.empty()
                      ? "Name run folders, a folder of them, a table or a fit's JSON"
                      : first_trouble_);
    }
    return {};
  }

 private:
  Result<void> hand_on(PastRuns past) {
    if (past.rows.empty()) {
      for (std::size_t i = 0; i < past.runs.size(); ++i) {
        past.rows.push_back(static_cast<int>(count_ + i) + 1);
      }
    }
    count_ += past.runs.size();
    return consume_(past);
  }

  Result<void> skip(const std::string& what, const Error& error) {
    if (first_trouble_.empty()) first_trouble_ = error.text();
    PastRuns past;
    past.skipped.push_back(skipped_by(what, error));
    return consume_(past);
  }

  Result<void> stopped() const {
    if (options_.run.stop && options_.run.stop()) {
      return fail(ErrorCode::interrupted, "interrupted");
    }
    return {};
  }

  Result<void> frame_run(const std::vector<std::string>& inputs, const std::string& source) {
    if (auto go_on = stopped(); !go_on) return go_on;
    const auto input = find_run_input(inputs, options_.run.table);
    if (!input) return skip(source, input.error());
    if (input->table) return table(*input->table);
    const auto recorded = record_run(*input, options_.run);
    if (!recorded) {
      if (recorded.error().code == ErrorCode::interrupted) {
        return tl::unexpected<Error>(recorded.error());
      }
      return skip(source, recorded.error());
    }
    return judged(*recorded, facts_of_frames(recorded->record.frames), source);
  }

  // With the verdict and the causes that a diagnosis finds.
  Result<void> judged(const RecordedRun& recorded, const RunFacts& facts,
                      const std::string& source) {
    const RunAnswer answer = answer_of(recorded);
    PastRuns past;
    past.runs.push_back(run_of_fit(answer.fit, facts, source, options_.rig));
    for (const Finding& finding : answer.findings) {
      past.runs.back().findings.push_back(finding.cause);
    }
    past.skipped = recorded.skipped;
    return hand_on(std::move(past));
  }

  // A folder that holds frames or a table is a run; its folders are looked through all the same.
  Result<void> folder(const std::string& path, int depth) {
    constexpr int kDeepest = 12;  // a link that leads back up must end
    if (depth > kDeepest) return {};
    const auto entries = intake_detail::visible_entries(path);
    if (!entries) return skip(path, entries.error());
    std::vector<fs::path> folders;
    bool has_files = false;
    for (const auto& entry : *entries) {
      std::error_code ignored;
      if (entry.is_directory(ignored)) {
        folders.push_back(entry.path());
      } else if (is_frame_name(entry.path().string()) || is_png_name(entry.path().string()) ||
                 intake_detail::is_table_in_folder(entry.path().string(), options_.run.table)) {
        has_files = true;
      }
    }
    if (has_files || folders.empty()) {
      if (auto done = frame_run({path}, path); !done) return done;
    }
    intake_detail::sort_naturally(folders);
    for (const fs::path& inner : folders) {
      if (auto done = folder(inner.string(), depth + 1); !done) return done;
    }
    return {};
  }

  Result<void> table(const std::string& path) {
    if (auto go_on = stopped(); !go_on) return go_on;
    if (table_kind(path, options_.run.table) == TableKind::history) {
      auto history = read_history_table(path, options_.run.table);
      if (!history) return skip(path, history.error());
      for (auto& run : history->runs) {
        if (run.rig.empty()) run.rig = options_.rig;
      }
      return hand_on({std::move(history->runs), std::move(history->rows),
                      std::move(history->skipped), std::move(history->notes)});
    }
    const auto header = intake_detail::read_csv_header(path, options_.run.table);
    intake_detail::ColumnFinder finder(header, options_.run.table);
    if (!finder.find("run")) {
      auto one = read_run_table(path, options_.run.table);
      if (!one) return skip(path, one.error());
      return fitted(path, std::nullopt, std::move(*one));
    }
    auto many = read_run_tables(path, options_.run.table);
    if (!many) return skip(path, many.error());
    for (auto& named : *many) {
      if (auto go_on = stopped(); !go_on) return go_on;
      if (auto done = fitted(path, named.run, std::move(named.table)); !done) return done;
    }
    return {};
  }

  Result<void> fitted(const std::string& path, const std::optional<std::string>& name,
                      RunTable table) {
    const std::string source = name ? path + " run " + *name : path;
    const RunFacts facts = table.middle;
    const auto recorded = run_detail::record_table(std::move(table), options_.run);
    if (!recorded) return skip(source, recorded.error());
    return judged(*recorded, facts, source);
  }

  Result<void> answers(const std::string& path) {
    auto read = read_answers(path, options_.rig);
    if (!read) return skip(path, read.error());
    PastRuns past;
    past.runs = std::move(*read);
    return hand_on(std::move(past));
  }

  HistoryOptions options_;
  const std::function<Result<void>(const PastRuns&)>& consume_;
  std::size_t count_ = 0;
  std::string first_trouble_;
};

}  // namespace

Result<void> each_past_run(const std::vector<std::string>& inputs, const HistoryOptions& options,
                           const std::function<Result<void>(const PastRuns&)>& consume) {
  return Walk(options, consume).go(inputs);
}

DriftRun drift_run(const LedgerRun& run, int row) {
  DriftRun drift;
  drift.row = row;
  drift.position_steps = run.best_focus_steps.value_or(0);
  drift.temperature_c = run.temperature_c;
  drift.sigma_steps = run.sigma_steps;
  drift.filter = run.filter;
  drift.time_utc = run.time_utc;
  drift.altitude_deg = run.altitude_deg;
  drift.doubtful = run.verdict == Verdict::doubtful;
  if (!run.best_focus_steps) {
    drift.unusable = {codes::run_without_focus, "the run gave no best focus"};
  } else if (run.verdict == Verdict::unusable) {
    drift.unusable = {codes::run_unusable, "the run's own verdict is unusable"};
  }
  return drift;
}

}  // namespace starwaist
