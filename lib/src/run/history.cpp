#include "starwaist/history.h"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <numeric>
#include <set>
#include <system_error>

#include "frame/header_time.h"
#include "run/csv.h"
#include "run/folder.h"
#include "run/manifest.h"
#include "run/past_points.h"
#include "run/record_table.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist {

namespace {

namespace fs = std::filesystem;
using run_detail::CsvRow;

// The columns of a history by all their names.
struct HistoryColumns {
  std::optional<std::size_t> position;
  std::optional<std::size_t> temperature;
  std::optional<std::size_t> sigma;
  std::optional<std::size_t> filter;
  std::optional<std::size_t> time;
  std::optional<std::size_t> altitude;
  std::optional<std::size_t> verdict;
  std::optional<std::size_t> rig;
  bool has_sizes = false;
  std::optional<std::string> missing;
};

HistoryColumns history_columns(const std::vector<std::string>& header,
                               const TableOptions& options) {
  run_detail::ColumnFinder finder(header, options);
  const auto find = [&](const char* contract, const char* with_unit) {
    const auto found = finder.find(contract);
    return found ? found : finder.find(with_unit);
  };
  HistoryColumns columns;
  columns.position = find("position", "best_focus_steps");
  if (!columns.position) columns.position = finder.find("position_steps");
  columns.temperature = find("temperature", "temperature_c");
  columns.sigma = find("sigma", "sigma_steps");
  columns.filter = finder.find("filter");
  columns.time = find("time", "time_utc");
  columns.altitude = find("altitude", "altitude_deg");
  columns.verdict = finder.find("verdict");
  columns.rig = finder.find("rig");
  for (const char* size : {"hfr", "hfd", "fwhm"}) {
    columns.has_sizes = columns.has_sizes || finder.find(size).has_value();
  }
  columns.missing = finder.missing();
  return columns;
}

// ISO 8601 as it is stored: a T between, seconds there, no zone.
std::optional<std::string> tidy_time(const std::string& text) {
  if (text.empty()) return std::nullopt;
  auto time = frame_detail::date_and_time(text);
  if (!time) time = frame_detail::date_and_time(text + ":00");
  return time;
}

std::optional<std::string> text_or_absent(const std::string& text) {
  if (text.empty()) return std::nullopt;
  return text;
}

}  // namespace

bool is_history_table(const std::string& path, const TableOptions& options) {
  const auto header = run_detail::read_csv_header(path);
  if (header.empty()) return false;
  const HistoryColumns columns = history_columns(header, options);
  return columns.position && columns.temperature && !columns.has_sizes;
}

Result<HistoryTable> read_history_table(const std::string& path, const TableOptions& options) {
  const std::string name = fs::path(path).filename().string();
  const auto csv = run_detail::read_csv(path);
  if (!csv) return tl::unexpected<Error>(csv.error());
  if (csv->rows.empty()) {
    return fail(ErrorCode::no_data, name + ": the table is empty",
                "It needs a header row with 'position' and 'temperature'");
  }
  const auto& header = csv->rows.front().cells;
  const HistoryColumns columns = history_columns(header, options);
  const std::string has = "the table has " + run_detail::listed(header);
  if (columns.missing) {
    return fail(ErrorCode::no_data, name + ": there is no column '" + *columns.missing + "'",
                "T" + has.substr(1));
  }
  for (const auto& [column, word] :
       {std::pair{columns.position, "position"}, std::pair{columns.temperature, "temperature"}}) {
    if (!column) {
      return fail(ErrorCode::no_data, name + ": there is no column '" + word + "'",
                  std::string("Name it with --column ") + word + "=NAME; " + has);
    }
  }
  HistoryTable table;
  int odd_sigmas = 0;
  int odd_times = 0;
  for (std::size_t k = 1; k < csv->rows.size(); ++k) {
    const CsvRow& row = csv->rows[k];
    const std::string where = name + " line " + std::to_string(row.line);
    const auto position = csv->number(row.cell(columns.position));
    const auto verdict = enum_from_name<Verdict>(lower_case(row.cell(columns.verdict)));
    // An export has rows of runs that found no best focus.
    if (!position && !(row.cell(columns.position).empty() && verdict == Verdict::unusable)) {
      table.skipped.push_back({where, "position '" + row.cell(columns.position) +
                                          "' is not a number. Correct or delete the row"});
      continue;
    }
    const std::string temperature = row.cell(columns.temperature);
    LedgerRun run;
    run.best_focus_steps = position;
    run.temperature_c = csv->number(temperature);
    if (!run.temperature_c && !temperature.empty()) {
      table.skipped.push_back({where, "temperature '" + temperature +
                                          "' is not a number. Correct it or leave it empty"});
      continue;
    }
    const std::string sigma = row.cell(columns.sigma);
    run.sigma_steps = csv->number(sigma);
    if (run.sigma_steps && !(*run.sigma_steps > 0)) run.sigma_steps.reset();
    if (!sigma.empty() && !run.sigma_steps) ++odd_sigmas;
    run.filter = text_or_absent(row.cell(columns.filter));
    run.time_utc = tidy_time(row.cell(columns.time));
    if (!run.time_utc && !row.cell(columns.time).empty()) ++odd_times;
    run.altitude_deg = csv->number(row.cell(columns.altitude));
    run.verdict = verdict;
    run.rig = row.cell(columns.rig);
    run.source = name + " row " + std::to_string(k);
    table.runs.push_back(std::move(run));
    table.rows.push_back(static_cast<int>(k));
  }
  if (odd_sigmas > 0) {
    table.notes.push_back(std::to_string(odd_sigmas) +
                          " rows have a sigma that is not a positive number: it counts as unknown");
  }
  if (odd_times > 0) {
    table.notes.push_back(std::to_string(odd_times) +
                          " rows have a time that is not like 2027-02-03T20:11:05: it counts as "
                          "unknown");
  }
  if (table.runs.empty()) {
    return fail(ErrorCode::no_data, name + ": no row holds a position and a temperature",
                "Check the columns; " + has);
  }
  return table;
}

namespace {

// Facts that the fit does not carry.
struct RunFacts {
  std::optional<std::string> time_utc;
  std::optional<std::string> filter;
  std::optional<double> altitude_deg;
  std::optional<double> temperature_c;
};

// Of the frame in the middle; a manifest's facts go before the header's.
RunFacts facts_of_frames(const RunInput& input, const RunOptions& options) {
  RunFacts facts;
  if (input.frames.empty()) return facts;
  const std::string& path = input.frames[input.frames.size() / 2];
  if (const auto frame = read_frame(path, options.read)) {
    facts.time_utc = frame->facts.time_utc;
    facts.filter = frame->facts.filter;
    facts.altitude_deg = frame->facts.altitude_deg;
    facts.temperature_c = frame->facts.temperature_c;
  }
  const auto stated = input.stated.find(run_detail::canonical_path(path));
  if (stated != input.stated.end()) {
    if (stated->second.time_utc) facts.time_utc = stated->second.time_utc;
    if (stated->second.filter) facts.filter = stated->second.filter;
    if (stated->second.temperature_c) facts.temperature_c = stated->second.temperature_c;
  }
  return facts;
}

// Of the rows of one run in a table of sizes; `run` empty: all rows.
RunFacts facts_of_table(const std::string& path, const std::optional<std::string>& run,
                        const TableOptions& options) {
  RunFacts facts;
  const auto csv = run_detail::read_csv(path);
  if (!csv || csv->rows.empty()) return facts;
  const HistoryColumns columns = history_columns(csv->rows.front().cells, options);
  run_detail::ColumnFinder finder(csv->rows.front().cells, options);
  const auto run_column = finder.find("run");
  std::vector<const CsvRow*> rows;
  for (std::size_t k = 1; k < csv->rows.size(); ++k) {
    if (!run || csv->rows[k].cell(run_column) == *run) rows.push_back(&csv->rows[k]);
  }
  if (rows.empty()) return facts;
  const CsvRow& middle = *rows[rows.size() / 2];
  facts.time_utc = tidy_time(middle.cell(columns.time));
  facts.filter = text_or_absent(middle.cell(columns.filter));
  facts.altitude_deg = csv->number(middle.cell(columns.altitude));
  facts.temperature_c = csv->number(middle.cell(columns.temperature));
  return facts;
}

LedgerRun run_of_fit(const FitResult& fit, const RunFacts& facts, const std::string& source,
                     const std::string& rig) {
  LedgerRun run;
  run.rig = rig;
  run.source = source;
  run.time_utc = facts.time_utc;
  run.filter = facts.filter;
  run.altitude_deg = facts.altitude_deg;
  for (const auto& point : fit.points) {
    run.points.push_back({point.file, point.position_steps, point.size_px, point.sigma_px,
                          point.temperature_c, point.used});
  }
  run.temperature_c = run_detail::mean_temperature_c(run.points);
  if (!run.temperature_c) run.temperature_c = facts.temperature_c;
  run.best_focus_steps = fit.best_focus_steps;
  run.sigma_steps = fit.best_focus_sigma_steps;
  if (run.sigma_steps && !(*run.sigma_steps > 0)) run.sigma_steps.reset();
  run.interval_95_steps = fit.interval_95_steps;
  run.verdict = fit.verdict;
  run.reasons = fit.reasons;
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
      } else if (run_detail::is_table_name(input) &&
                 !run_detail::is_manifest(input, options_.run.table)) {
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
    past.skipped.push_back({what, error.text()});
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
    const auto recorded = record_run(inputs, options_.run);
    if (!recorded) {
      if (recorded.error().code == ErrorCode::interrupted) {
        return tl::unexpected<Error>(recorded.error());
      }
      return skip(source, recorded.error());
    }
    return judged(*recorded, facts_of_frames(*input, options_.run), source);
  }

  // With the verdict and the causes that a diagnosis finds.
  Result<void> judged(const RecordedRun& recorded, const RunFacts& facts,
                      const std::string& source) {
    const RunDiagnosis diagnosis = diagnosis_of(recorded);
    PastRuns past;
    past.runs.push_back(run_of_fit(diagnosis.run.fit, facts, source, options_.rig));
    for (const Finding& finding : diagnosis.findings) {
      past.runs.back().findings.push_back(finding.cause);
    }
    past.skipped = recorded.skipped;
    return hand_on(std::move(past));
  }

  // A folder that holds frames or a table is a run; its folders are looked through all the same.
  Result<void> folder(const std::string& path, int depth) {
    constexpr int kDeepest = 12;  // a link that leads back up must end
    if (depth > kDeepest) return {};
    const auto entries = run_detail::visible_entries(path);
    if (!entries) return skip(path, entries.error());
    std::vector<fs::path> folders;
    bool has_files = false;
    for (const auto& entry : *entries) {
      std::error_code ignored;
      if (entry.is_directory(ignored)) {
        folders.push_back(entry.path());
      } else if (is_frame_name(entry.path().string()) || is_png_name(entry.path().string()) ||
                 run_detail::is_table_name(entry.path())) {
        has_files = true;
      }
    }
    if (has_files || folders.empty()) {
      if (auto done = frame_run({path}, path); !done) return done;
    }
    run_detail::sort_naturally(folders);
    for (const fs::path& inner : folders) {
      if (auto done = folder(inner.string(), depth + 1); !done) return done;
    }
    return {};
  }

  Result<void> table(const std::string& path) {
    if (auto go_on = stopped(); !go_on) return go_on;
    if (is_history_table(path, options_.run.table)) {
      auto history = read_history_table(path, options_.run.table);
      if (!history) return skip(path, history.error());
      for (auto& run : history->runs) {
        if (run.rig.empty()) run.rig = options_.rig;
      }
      return hand_on({std::move(history->runs), std::move(history->rows),
                      std::move(history->skipped), std::move(history->notes)});
    }
    const auto header = run_detail::read_csv_header(path);
    run_detail::ColumnFinder finder(header, options_.run.table);
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
    const auto recorded = run_detail::record_table(std::move(table), options_.run);
    if (!recorded) return skip(source, recorded.error());
    return judged(*recorded, facts_of_table(path, name, options_.run.table), source);
  }

  Result<void> answers(const std::string& path) {
    auto read = read_answers(path, options_);
    if (!read) return skip(path, read.error());
    PastRuns past;
    past.runs = std::move(*read);
    return hand_on(std::move(past));
  }

  const HistoryOptions& options_;
  const std::function<Result<void>(const PastRuns&)>& consume_;
  std::size_t count_ = 0;
  std::string first_trouble_;
};

}  // namespace

std::optional<double> run_detail::mean_temperature_c(const std::vector<LedgerPoint>& points) {
  double sum = 0;
  int count = 0;
  for (const LedgerPoint& point : points) {
    if (!point.temperature_c) continue;
    sum += *point.temperature_c;
    ++count;
  }
  return count > 0 ? std::optional(sum / count) : std::nullopt;
}

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
  if (!run.best_focus_steps) {
    drift.unusable = "the run gave no best focus";
  } else if (run.verdict == Verdict::unusable) {
    drift.unusable = "the run's own verdict is unusable";
  }
  return drift;
}

}  // namespace starwaist
