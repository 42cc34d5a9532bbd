#include "diagnosis/answers.h"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <cstddef>
#include <cstdio>
#include <fstream>
#include <limits>
#include <optional>
#include <random>
#include <system_error>

#include "core/parallel.h"
#include "diagnosis/nights.h"
#include "dice.h"
#include "starwaist/numbers.h"

namespace starwaist::bench::diagnosis {

namespace fs = std::filesystem;

namespace {

// The night with what happens in it, and with what the scenarios do not make.
Result<RenderOptions> options_of(const Run& run, const RenderOptions& night, Dice& dice) {
  auto options = apply_scenario(night, run.truth);
  if (!options) return options;
  const std::size_t count = options->positions_steps.size();
  if (options->temperatures_c.empty()) {  // nights cool a little
    for (std::size_t i = 0; i < count; ++i) {
      options->temperatures_c.push_back(night.temperature_c - 0.002 * static_cast<double>(i));
    }
  }
  if (dice.chance(1.0 / 3)) {
    if (options->focus_offset_um.empty()) options->focus_offset_um.assign(count, 0);
    for (double& offset : options->focus_offset_um) {
      offset += dice.between(-0.5, 0.5) * options->um_per_step;
    }
  }
  return options;
}

std::string rig_words(const RenderOptions& night) {
  return "f/" + format_fixed(night.f_number, 1) + " " + format_fixed(night.focal_length_mm, 0) +
         " mm, " + format_fixed(night.pixel_um, 2) + " um, " +
         format_fixed(night.seeing_arcsec, 1) + " arcsec, obstruction " +
         format_fixed(night.obstruction, 2);
}

// What a user would tell of the rig.
RunOptions given_of(const RenderOptions& night, const Settings& settings) {
  RunOptions given;
  given.threads = 1;
  given.rig.f_number = night.f_number;
  given.rig.focal_length_mm = night.focal_length_mm;
  given.rig.obstruction = night.obstruction;
  given.rig.pixel_um = night.pixel_um;
  if (settings.rig) given.rig.um_per_step = night.um_per_step;
  given.rig.seeing_arcsec = night.seeing_arcsec;
  given.rig.focus_um_per_c = night.focus_um_per_c;
  return given;
}

// The frames' numbers as a table that somebody kept: sizes to two decimals.
std::string table_of(const RunRecord& record) {
  std::string text = "position,hfr,stars,flux,temperature\n";
  const auto cell = [](const std::optional<double>& value, int decimals) {
    return value ? format_fixed(*value, decimals) : std::string();
  };
  for (std::size_t i = 0; i < record.fit.points.size(); ++i) {
    const CurvePoint& point = record.fit.points[i];
    const PointFacts& facts = record.facts[i];
    if (!point.size_px) continue;
    text += format_fixed(point.position_steps, 2) + "," + cell(point.size_px, 2) + "," +
            (facts.stars ? std::to_string(*facts.stars) : std::string()) + "," +
            cell(facts.light ? std::optional(1e4 * *facts.light) : std::nullopt, 0) + "," +
            cell(facts.temperature_c, 2) + "\n";
  }
  return text;
}

// By the frames, or by their numbers alone in a table beside the folder.
Result<RunAnswer> judged(const RecordedRun& recorded, const RunOptions& given,
                         const Settings& settings, const fs::path& folder) {
  if (!settings.table) return answer_of(recorded);
  fs::path table = folder;
  table += ".csv";
  std::ofstream(table) << table_of(recorded.record);
  auto found = judge_run({table.string()}, given);
  fs::remove(table);
  return found;
}

Answer failed(const Error& error) {
  Answer answer;
  answer.failure = error.text();
  return answer;
}

// The cause that a run with this truth cannot be told from, if there is one.
std::optional<std::string> twin_of(const AppliedScenario& made, const Settings& settings) {
  const bool shaken = made.meaning.find("shaking") != std::string::npos;
  if (made.cause == "image_motion" && shaken) return "bad_seeing";
  if (!settings.rig || settings.table) {
    if (made.cause == "step_too_small") return "no_motion";
    if (made.cause == "no_motion" && made.amount > 0.99) return "step_too_small";
  }
  return std::nullopt;
}

}  // namespace

Answer answer_of(const Run& run, const Settings& settings, const fs::path& folder) {
  Dice dice(run.seed);
  const bool obstructed =
      std::any_of(run.truth.begin(), run.truth.end(),
                  [](const Scenario& scenario) { return scenario.cause == "miscollimation"; });
  RenderOptions night = random_night(dice, obstructed);
  night.seed = run.seed;
  const auto options = options_of(run, night, dice);
  if (!options) return failed(options.error());
  const bool kept = fs::exists(folder / "truth.json");  // written last: the run is whole
  const auto truth = kept ? render_truth(*options) : render_run(*options, folder.string(), true);
  if (!truth) return failed(truth.error());
  const RunOptions given = given_of(night, settings);
  const auto recorded = record_run({folder.string()}, given);
  if (!recorded) return failed(recorded.error());
  const auto found = judged(*recorded, given, settings, folder);
  if (!found) return failed(found.error());
  Answer answer;
  answer.made = options->scenarios;
  answer.rig = rig_words(night);
  for (const auto& finding : found->findings) {
    answer.findings.emplace_back(finding.cause, finding.confidence);
  }
  const FitResult& fit = found->fit;
  answer.verdict = fit.verdict;
  if (fit.best_focus_steps) {
    answer.answered = true;
    answer.error_half_zones = (*fit.best_focus_steps - truth->best_focus_steps) /
                              (0.5 * truth->critical_focus_zone_steps);
    answer.in_68 = fit.interval_68_steps.contains(truth->best_focus_steps);
    answer.in_95 = fit.interval_95_steps.contains(truth->best_focus_steps);
    answer.half_width_half_zones =
        fit.interval_95_steps.bounded()
            ? (*fit.interval_95_steps.high - *fit.interval_95_steps.low) /
                  truth->critical_focus_zone_steps
            : std::numeric_limits<double>::infinity();
  }
  answer.done = true;
  return answer;
}

std::vector<Answer> answers_of(const std::vector<Run>& runs, const Settings& settings) {
  std::vector<Answer> answers(runs.size());
  const bool keep = !settings.keep.empty();
  const fs::path home = keep ? fs::path(settings.keep)
                             : fs::temp_directory_path() /
                                   ("starwaist_diagnosis_bench_" + std::to_string(settings.seed) +
                                    "_" + std::to_string(std::random_device{}()));
  std::atomic<int> done = 0;
  core::parallel_for(runs.size(), core::thread_count(settings.threads), [&](std::size_t i) {
    const fs::path folder = home / name_of(runs[i]);
    fs::create_directories(folder);
    answers[i] = answer_of(runs[i], settings, folder);
    std::error_code ignored;
    if (!keep) fs::remove_all(folder, ignored);
    const int now = ++done;
    if (now % 25 == 0) std::fprintf(stderr, "%d of %zu runs\n", now, runs.size());
  });
  std::error_code ignored;
  if (!keep) fs::remove_all(home, ignored);
  return answers;
}

bool names(const Answer& answer, const std::string& cause) {
  return std::any_of(answer.findings.begin(), answer.findings.end(),
                     [&](const auto& finding) { return finding.first == cause; });
}

bool is_true(const Answer& answer, const std::string& named, const Settings& settings) {
  return std::any_of(answer.made.begin(), answer.made.end(), [&](const auto& made) {
    return made.cause == named || (twin_of(made, settings) == named && names(answer, made.cause));
  });
}

bool is_right(const Run& run, const Answer& answer, const Settings& settings) {
  if (is_healthy(run)) return answer.findings.empty();
  if (run.truth.size() > 1) {
    return names(answer, run.truth[0].cause) && names(answer, run.truth[1].cause);
  }
  return !answer.findings.empty() && is_true(answer, answer.findings[0].first, settings);
}

bool misleads(const Answer& answer) {
  return answer.verdict == Verdict::trusted && std::abs(answer.error_half_zones) > 1;
}

}  // namespace starwaist::bench::diagnosis
