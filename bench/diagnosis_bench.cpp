// Rendered runs in which one cause, two, or none happened, each on a random rig of its own: is the
// cause named, and does a confidence mean what it says.
//
// Usage: diagnosis_bench [--causes 3] [--healthy 15] [--pairs 15] [--full] [--table] [--no-rig]
//                        [--only CAUSE] [--weakest] [--graded] [--show] [--keep FOLDER]
//                        [--seed 1] [--threads 0]
//   --causes, --healthy, --pairs  runs of each cause, healthy ones, and with two causes at once
//   --full     100 of each cause, 300 healthy, 100 pairs
//   --table    the numbers alone: position, size (two decimals), stars, light and temperature of
//              each frame, through the table path; only causes that a table can show
//   --no-rig   diagnosed without um per step
//   --only     this cause alone (its runs, no pairs)
//   --weakest  strength 1 throughout, instead of 1 to 2.5
//   --graded   strengths of 0.2 to 2.5, evenly in the logarithm: for the calibration, which needs
//              findings that are not certain; what is listed is then not to be held against goals
//   --show     a line for each run in which the answer is not the truth, or not it alone, and
//              for each that is trusted and more than a half zone off
//   --keep     the frames stay in FOLDER, a folder a run, named by the run's seed and causes; those
//              that are there already are judged again and not rendered
//   --seed     another seed gives other rigs and other nights
//
// Rigs: f/2 to f/8, aperture 80 to 250 mm, pixels 2.4 to 5.4 um, smallest half-flux radius 0.8 to 4
// px, a curve 25 to 150 steps wide, with and without obstruction. What the scenarios do not make
// varies too: the seeing's profile and scatter, hot pixels, gradients, dither, light, and in a
// third of the runs a focuser that stops up to half a step beside its position.
//
// Causes that a run cannot tell apart count as found when both are named: no motion and far too
// small a step without um per step, round shaking and bad seeing, slack below one step and a jump.
// The calibration counts healthy runs as half of all.
#include <malloc.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <map>
#include <mutex>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "core/parallel.h"
#include "dice.h"
#include "starwaist/numbers.h"
#include "starwaist/render.h"
#include "starwaist/rig.h"
#include "starwaist/run.h"

namespace {

using starwaist::bench::Dice;

namespace fs = std::filesystem;

using starwaist::RenderOptions;
using starwaist::Scenario;

constexpr const char* kTableCauses[] = {"one_sided",      "step_too_small", "step_too_large",
                                        "too_few_points", "slack",          "no_motion",
                                        "focus_jump",     "passing_cloud",  "thermal_drift"};

// What can happen to the sweep, and what to the sky, the stars and the optics: a pair has one of
// each, so that neither hides the other.
constexpr const char* kOfTheSweep[] = {"one_sided", "too_few_points", "slack", "focus_jump"};
constexpr const char* kOfTheFrames[] = {"passing_cloud",    "fogging",          "saturation",
                                        "defects_as_stars", "image_motion",     "thermal_drift",
                                        "field_tilt",       "background_change"};

struct Settings {
  int causes = 3;
  int healthy = 15;
  int pairs = 15;
  bool table = false;
  bool rig = true;
  bool weakest = false;
  bool graded = false;
  bool show = false;
  std::string keep;
  std::string only;
  std::uint64_t seed = 1;
  int threads = 0;
};

RenderOptions random_night(Dice& dice, bool obstructed) {
  constexpr std::array<double, 5> kPixels = {2.4, 2.9, 3.76, 4.63, 5.4};
  RenderOptions o;
  double smallest_px = 0;
  do {
    o.f_number = dice.log_between(2, 8);
    o.focal_length_mm = o.f_number * dice.log_between(80, 250);
    o.pixel_um = dice.pick(kPixels);
    o.seeing_arcsec = dice.between(1.8, 3.2);
    smallest_px = 0.604 * o.seeing_arcsec / 206265 * o.focal_length_mm * 1000 / o.pixel_um + 0.15;
  } while (smallest_px < 0.8 || smallest_px > 4);
  o.obstruction = !obstructed && dice.chance(0.2) ? 0 : dice.between(0.2, 0.45);
  const double width_um =
      smallest_px / starwaist::arm_slope_px_per_um(o.f_number, o.obstruction, o.pixel_um);
  o.um_per_step = width_um / dice.log_between(25, 150);
  o.wavelengths_um = {0.55};
  switch (static_cast<int>(dice.between(0, 3))) {
    case 0:
      o.seeing_profile = starwaist::SeeingProfile::kolmogorov;
      break;
    case 1:
      o.moffat_beta = dice.between(2.5, 4.8);
      break;
    default:
      o.moffat_beta = 3.5;
  }
  o.seeing_scatter = dice.between(0.01, 0.04);
  o.width_px = 512;
  o.height_px = 384;
  o.star_count = static_cast<int>(dice.between(45, 120));
  o.sky_electrons = dice.log_between(60, 800);
  o.sky_gradient = dice.between(-0.2, 0.2);
  o.read_noise_e = dice.between(1.2, 6);
  o.gain_e_per_adu = dice.log_between(0.4, 2);
  o.faintest_electrons =
      60 * smallest_px * std::sqrt(o.sky_electrons + o.read_noise_e * o.read_noise_e);
  o.brightest_electrons = 150 * o.faintest_electrons;
  o.hot_pixels = static_cast<int>(dice.between(0, 25));
  o.hot_neighbour_share = dice.chance(0.3) ? 0.05 : 0;
  o.dither_px = dice.between(0.5, 4);
  o.best_focus_steps = std::round(dice.between(2000, 20000)) + dice.between(0, 1);
  o.temperature_c = dice.between(-10, 25);
  o.focus_um_per_c = 23.6e-6 * o.focal_length_mm * 1000;  // an aluminium tube
  o.exposure_s = dice.between(1, 6);
  return o;
}

struct Run {
  std::vector<Scenario> truth;
  std::uint64_t seed = 0;
};

struct Answer {
  bool done = false;
  std::string failure;
  std::string rig;
  starwaist::Verdict verdict = starwaist::Verdict::unusable;
  double error_half_zones = 0;
  bool answered = false;
  std::vector<std::pair<std::string, double>> findings;  // falling confidence
  std::vector<starwaist::AppliedScenario> made;
};

std::string words_of(const std::vector<Scenario>& truth) {
  return truth[0].cause + (truth.size() > 1 ? "+" + truth[1].cause : "");
}

// Of its folder: the same run wherever it stands in the list.
std::string name_of(const Run& run) {
  std::string name = words_of(run.truth) + "_" + std::to_string(run.seed);
  for (const Scenario& scenario : run.truth) {
    name += "_" + starwaist::format_fixed(scenario.strength, 6);
  }
  return name;
}

// The frames' numbers as a table that somebody kept: sizes to two decimals.
std::string table_of(const starwaist::RunRecord& record) {
  std::string text = "position,hfr,stars,flux,temperature\n";
  const auto cell = [](const std::optional<double>& value, int decimals) {
    return value ? starwaist::format_fixed(*value, decimals) : std::string();
  };
  for (std::size_t i = 0; i < record.fit.points.size(); ++i) {
    const starwaist::CurvePoint& point = record.fit.points[i];
    const starwaist::PointFacts& facts = record.facts[i];
    if (!point.size_px) continue;
    text += starwaist::format_fixed(point.position_steps, 2) + "," + cell(point.size_px, 2) + "," +
            (facts.stars ? std::to_string(*facts.stars) : std::string()) + "," +
            cell(facts.light ? std::optional(1e4 * *facts.light) : std::nullopt, 0) + "," +
            cell(facts.temperature_c, 2) + "\n";
  }
  return text;
}

Answer answer_of(const Run& run, const Settings& settings, const fs::path& folder) {
  Answer answer;
  Dice dice(run.seed);
  const bool obstructed =
      std::any_of(run.truth.begin(), run.truth.end(),
                  [](const Scenario& scenario) { return scenario.cause == "miscollimation"; });
  RenderOptions night = random_night(dice, obstructed);
  night.seed = run.seed;
  const double usual_seeing_arcsec = night.seeing_arcsec;
  auto options = starwaist::apply_scenario(night, run.truth);
  if (!options) {
    answer.failure = options.error().text();
    return answer;
  }
  answer.made = options->scenarios;
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
  answer.rig = "f/" + starwaist::format_fixed(night.f_number, 1) + " " +
               starwaist::format_fixed(night.focal_length_mm, 0) + " mm, " +
               starwaist::format_fixed(night.pixel_um, 2) + " um, " +
               starwaist::format_fixed(usual_seeing_arcsec, 1) + " arcsec, obstruction " +
               starwaist::format_fixed(night.obstruction, 2);
  const bool kept = fs::exists(folder / "truth.json");  // written last: the run is whole
  const auto truth = kept ? starwaist::render_truth(*options)
                          : starwaist::render_run(*options, folder.string(), true);
  if (!truth) {
    answer.failure = truth.error().text();
    return answer;
  }

  starwaist::RunOptions given;
  given.threads = 1;
  given.rig.f_number = night.f_number;
  given.rig.focal_length_mm = night.focal_length_mm;
  given.rig.obstruction = night.obstruction;
  given.rig.pixel_um = night.pixel_um;
  if (settings.rig) given.rig.um_per_step = night.um_per_step;
  given.rig.seeing_arcsec = usual_seeing_arcsec;
  given.rig.focus_um_per_c = night.focus_um_per_c;
  given.field = true;
  const auto recorded = starwaist::record_run({folder.string()}, given);
  if (!recorded) {
    answer.failure = recorded.error().text();
    return answer;
  }
  starwaist::RunDiagnosis found;
  if (settings.table) {
    fs::path table = folder;
    table += ".csv";
    std::ofstream(table) << table_of(recorded->record);
    auto diagnosed = starwaist::diagnose_run({table.string()}, given);
    fs::remove(table);
    if (!diagnosed) {
      answer.failure = diagnosed.error().text();
      return answer;
    }
    found = std::move(*diagnosed);
  } else {
    found = starwaist::diagnosis_of(*recorded);
  }
  for (const auto& finding : found.findings) {
    answer.findings.emplace_back(finding.cause, finding.confidence);
  }
  answer.verdict = found.run.fit.verdict;
  if (found.run.fit.best_focus_steps) {
    answer.answered = true;
    answer.error_half_zones = (*found.run.fit.best_focus_steps - truth->best_focus_steps) /
                              (0.5 * truth->critical_focus_zone_steps);
  }
  answer.done = true;
  return answer;
}

bool names(const Answer& answer, const std::string& cause) {
  return std::any_of(answer.findings.begin(), answer.findings.end(),
                     [&](const auto& finding) { return finding.first == cause; });
}

// The cause that a run with this truth cannot be told from, if there is one.
std::optional<std::string> twin_of(const starwaist::AppliedScenario& made,
                                   const Settings& settings) {
  const bool shaken = made.meaning.find("shaking") != std::string::npos;
  if (made.cause == "image_motion" && shaken) return "bad_seeing";
  if (!settings.rig || settings.table) {
    if (made.cause == "step_too_small") return "no_motion";
    if (made.cause == "no_motion" && made.amount > 0.99) return "step_too_small";
  }
  return std::nullopt;
}

bool is_true(const Answer& answer, const std::string& named, const Settings& settings) {
  return std::any_of(answer.made.begin(), answer.made.end(), [&](const auto& made) {
    return made.cause == named || (twin_of(made, settings) == named && names(answer, made.cause));
  });
}

double percent(double part, double whole) { return whole > 0 ? 100 * part / whole : 0; }

struct Count {
  int runs = 0;
  int listed = 0;
  int first = 0;
  int wrongly_listed = 0;  // in runs with another truth
  int wrongly_first = 0;
};

void print_confusion(const std::map<std::string, std::map<std::string, int>>& matrix,
                     const std::vector<std::string>& rows) {
  std::vector<std::string> columns = rows;
  std::printf("\nFirst named (columns) of what happened (rows):\n\n|  |");
  for (std::size_t i = 0; i < columns.size(); ++i) std::printf(" %zu |", i + 1);
  std::printf("\n|---|");
  for (std::size_t i = 0; i < columns.size(); ++i) std::printf("---:|");
  std::printf("\n");
  for (std::size_t i = 0; i < rows.size(); ++i) {
    std::printf("| %zu %s |", i + 1, rows[i].c_str());
    const auto row = matrix.find(rows[i]);
    for (const std::string& column : columns) {
      const int count =
          row == matrix.end() || row->second.count(column) == 0 ? 0 : row->second.at(column);
      if (count > 0) {
        std::printf(" %d |", count);
      } else {
        std::printf("  |");
      }
    }
    std::printf("\n");
  }
}

std::optional<Settings> settings_from(int argc, char** argv) {
  Settings settings;
  for (int i = 1; i < argc; ++i) {
    const std::string option = argv[i];
    const auto value = [&]() -> std::optional<double> {
      return i + 1 < argc ? starwaist::parse_number(argv[++i]) : std::nullopt;
    };
    const auto count = [&](int& target) {
      const auto number = value();
      if (!number || !(*number >= 0 && *number <= 1e6)) return false;
      target = static_cast<int>(*number);
      return true;
    };
    bool fine = true;
    if (option == "--full") {
      settings.causes = 100;
      settings.healthy = 300;
      settings.pairs = 100;
    } else if (option == "--table") {
      settings.table = true;
    } else if (option == "--no-rig") {
      settings.rig = false;
    } else if (option == "--weakest") {
      settings.weakest = true;
    } else if (option == "--graded") {
      settings.graded = true;
    } else if (option == "--show") {
      settings.show = true;
    } else if (option == "--keep" && i + 1 < argc) {
      settings.keep = argv[++i];
    } else if (option == "--causes") {
      fine = count(settings.causes);
    } else if (option == "--healthy") {
      fine = count(settings.healthy);
    } else if (option == "--pairs") {
      fine = count(settings.pairs);
    } else if (option == "--threads") {
      fine = count(settings.threads);
    } else if (option == "--only" && i + 1 < argc) {
      settings.only = argv[++i];
    } else if (option == "--seed") {
      const auto number = value();
      fine = number && *number >= 0 && *number < 1e15;
      if (fine) settings.seed = static_cast<std::uint64_t>(*number);
    } else {
      fine = false;
    }
    if (!fine) return std::nullopt;
  }
  return settings;
}

std::vector<Run> runs_of(const Settings& settings) {
  std::vector<Run> runs;
  Dice dice(settings.seed);
  const auto strength = [&] {
    if (settings.weakest) return 1.0;
    return settings.graded ? dice.log_between(0.2, 2.5) : dice.between(1, 2.5);
  };
  const auto add = [&](std::vector<Scenario> truth) {
    runs.push_back({std::move(truth), settings.seed * 1000003 + runs.size()});
  };
  const bool healthy_only = settings.only == "healthy";
  for (const starwaist::ScenarioKind& kind : starwaist::scenario_kinds()) {
    const std::string cause(kind.cause);
    if (cause == "healthy" || (!settings.only.empty() && cause != settings.only)) continue;
    const bool shows =
        !settings.table || std::any_of(std::begin(kTableCauses), std::end(kTableCauses),
                                       [&](const char* known) { return cause == known; });
    for (int i = 0; shows && i < settings.causes; ++i) add({{cause, strength()}});
  }
  for (int i = 0; (settings.only.empty() || healthy_only) && i < settings.healthy; ++i) {
    add({{"healthy", 1}});
  }
  for (int i = 0; settings.only.empty() && !settings.table && i < settings.pairs; ++i) {
    const std::string one = dice.pick(kOfTheSweep);
    const std::string other = dice.pick(kOfTheFrames);
    add({{one, strength()}, {other, strength()}});
  }
  return runs;
}

}  // namespace

int main(int argc, char** argv) {
  const auto settings = settings_from(argc, argv);
  if (!settings) {
    std::fprintf(stderr,
                 "usage: diagnosis_bench [--causes 3] [--healthy 15] [--pairs 15] [--full] "
                 "[--table] [--no-rig]\n"
                 "       [--only CAUSE] [--weakest] [--graded] [--show] [--keep FOLDER] [--seed 1] "
                 "[--threads 0]\n");
    return 2;
  }
  // The renderer's large planes stay with the process: given back and asked for again for each star
  // image they cost a sixth of the time in page faults.
  mallopt(M_MMAP_THRESHOLD, 1 << 30);
  mallopt(M_TRIM_THRESHOLD, 1 << 30);
  const std::vector<Run> runs = runs_of(*settings);
  std::vector<Answer> answers(runs.size());
  const bool keep = !settings->keep.empty();
  const fs::path home = keep ? fs::path(settings->keep)
                             : fs::temp_directory_path() /
                                   ("starwaist_diagnosis_bench_" + std::to_string(settings->seed) +
                                    "_" + std::to_string(std::random_device{}()));
  std::atomic<int> done = 0;
  starwaist::core::parallel_for(runs.size(), starwaist::core::thread_count(settings->threads),
                                [&](std::size_t i) {
                                  const fs::path folder = home / name_of(runs[i]);
                                  fs::create_directories(folder);
                                  answers[i] = answer_of(runs[i], *settings, folder);
                                  std::error_code ignored;
                                  if (!keep) fs::remove_all(folder, ignored);
                                  const int now = ++done;
                                  if (now % 25 == 0)
                                    std::fprintf(stderr, "%d of %zu runs\n", now, runs.size());
                                });
  std::error_code ignored;
  if (!keep) fs::remove_all(home, ignored);

  std::map<std::string, Count> counts;
  std::map<std::string, std::map<std::string, int>> matrix;
  int healthy_runs = 0;
  int healthy_named = 0;
  int pair_runs = 0;
  int pairs_both = 0;
  int failures = 0;
  int trusted_and_wrong = 0;
  struct Bin {
    double low;
    double weight = 0;
    double confidence = 0;
    double right = 0;
    int findings = 0;
  };
  std::array<Bin, 3> bins = {{{0.5}, {0.7}, {0.9}}};
  for (const Run& run : runs) healthy_runs += run.truth[0].cause == "healthy" ? 1 : 0;
  const double healthy_weight =
      healthy_runs > 0
          ? static_cast<double>(runs.size() - static_cast<std::size_t>(healthy_runs)) / healthy_runs
          : 1;

  for (std::size_t r = 0; r < runs.size(); ++r) {
    const Answer& answer = answers[r];
    const std::vector<Scenario>& truth = runs[r].truth;
    const bool healthy = truth[0].cause == "healthy";
    const std::string what = words_of(truth);
    if (!answer.done) {
      ++failures;
      std::printf("%s (seed %llu): %s\n", what.c_str(),
                  static_cast<unsigned long long>(runs[r].seed), answer.failure.c_str());
    }
    bool all_right = true;
    if (healthy) {
      healthy_named += answer.findings.empty() ? 0 : 1;
      all_right = answer.findings.empty();
    } else if (truth.size() > 1) {
      ++pair_runs;
      all_right = names(answer, truth[0].cause) && names(answer, truth[1].cause);
      pairs_both += all_right ? 1 : 0;
    } else {
      Count& count = counts[what];
      ++count.runs;
      count.listed += names(answer, what) ? 1 : 0;
      all_right = !answer.findings.empty() && is_true(answer, answer.findings[0].first, *settings);
      count.first += all_right ? 1 : 0;
    }
    if (truth.size() == 1) {
      const std::string first = answer.findings.empty() ? "healthy" : answer.findings[0].first;
      ++matrix[what][all_right ? what : first];
      if (!all_right && first != "healthy") ++counts[first].wrongly_first;
      for (const auto& [cause, confidence] : answer.findings) {
        if (!is_true(answer, cause, *settings)) ++counts[cause].wrongly_listed;
      }
    }
    for (const auto& [cause, confidence] : answer.findings) {
      Bin& bin = bins[confidence >= 0.9 ? 2 : confidence >= 0.7 ? 1 : 0];
      const double weight = healthy ? healthy_weight : 1;
      ++bin.findings;
      bin.weight += weight;
      bin.confidence += weight * confidence;
      bin.right += is_true(answer, cause, *settings) ? weight : 0;
    }
    const bool misleads =
        answer.verdict == starwaist::Verdict::trusted && std::abs(answer.error_half_zones) > 1;
    trusted_and_wrong += misleads ? 1 : 0;
    const bool strays = std::any_of(
        answer.findings.begin(), answer.findings.end(),
        [&](const auto& finding) { return !is_true(answer, finding.first, *settings); });
    if (settings->show && (!all_right || strays || misleads) && answer.done) {
      std::printf("%s", what.c_str());
      for (const auto& made : answer.made) {
        std::printf(" %.2f (%.3g %s %s)", made.strength, made.amount, made.unit.c_str(),
                    made.meaning.c_str());
      }
      std::printf(" [%s, seed %llu]: %s, %.2f half zones off;", answer.rig.c_str(),
                  static_cast<unsigned long long>(runs[r].seed), enum_name(answer.verdict).c_str(),
                  answer.error_half_zones);
      for (const auto& [cause, confidence] : answer.findings) {
        std::printf(" %s %.2f", cause.c_str(), confidence);
      }
      std::printf("\n");
    }
  }

  std::vector<std::string> rows;
  for (const starwaist::ScenarioKind& kind : starwaist::scenario_kinds()) {
    rows.emplace_back(kind.cause);
  }
  std::printf("\n| cause | runs | listed %% | first %% | listed wrongly | F1 |\n");
  std::printf("|---|---:|---:|---:|---:|---:|\n");
  Count all;
  double f1_listed = 0;
  double f1_first = 0;
  int classes = 0;
  for (const std::string& cause : rows) {
    const auto found = counts.find(cause);
    if (found == counts.end() || cause == "healthy") continue;
    const Count& count = found->second;
    const auto f1_of = [&](int right, int wrong) {
      const double whole = 2.0 * right + wrong + (count.runs - right);
      return whole > 0 ? 2 * right / whole : 0;
    };
    const double f1 = f1_of(count.listed, count.wrongly_listed);
    std::printf("| %s | %d | %.0f | %.0f | %d | %.2f |\n", cause.c_str(), count.runs,
                percent(count.listed, count.runs), percent(count.first, count.runs),
                count.wrongly_listed, f1);
    if (count.runs == 0) continue;
    f1_listed += f1;
    f1_first += f1_of(count.first, count.wrongly_first);
    ++classes;
    all.runs += count.runs;
    all.listed += count.listed;
    all.first += count.first;
  }
  std::printf(
      "\nall: listed %.1f %%, first %.1f %% of %d runs; macro-F1 %.3f by what is listed, "
      "%.3f by what is first\n",
      percent(all.listed, all.runs), percent(all.first, all.runs), all.runs,
      classes > 0 ? f1_listed / classes : 0, classes > 0 ? f1_first / classes : 0);
  std::printf("healthy runs with a finding: %d of %d (%.1f %%)\n", healthy_named, healthy_runs,
              percent(healthy_named, healthy_runs));
  std::printf("two causes at once: both listed in %d of %d (%.0f %%)\n", pairs_both, pair_runs,
              percent(pairs_both, pair_runs));
  std::printf("trusted and more than a half zone off: %d; runs that failed: %d\n",
              trusted_and_wrong, failures);
  std::printf("\n| confidence | findings | mean | true (healthy runs half of all) |\n");
  std::printf("|---|---:|---:|---:|\n");
  for (std::size_t i = 0; i < bins.size(); ++i) {
    const Bin& bin = bins[i];
    std::printf("| %.1f to %s | %d | %.2f | %.2f |\n", bin.low,
                i + 1 < bins.size() ? (i == 0 ? "0.7" : "0.9") : "1", bin.findings,
                bin.weight > 0 ? bin.confidence / bin.weight : 0,
                bin.weight > 0 ? bin.right / bin.weight : 0);
  }
  print_confusion(matrix, rows);
  return failures == 0 ? 0 : 1;
}
