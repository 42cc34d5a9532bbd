#include "diagnosis/report.h"

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdio>
#include <map>
#include <string>

#include "starwaist/curve.h"
#include "starwaist/render.h"
#include "starwaist/statistics.h"

namespace starwaist::bench::diagnosis {

namespace {

double percent(double part, double whole) { return whole > 0 ? 100 * part / whole : 0; }

void print_run(const Run& run, const Answer& answer) {
  std::printf("%s", words_of(run.truth).c_str());
  for (const auto& made : answer.made) {
    std::printf(" %.2f (%.3g %s %s)", made.strength, made.amount, made.unit.c_str(),
                made.meaning.c_str());
  }
  std::printf(" [%s, seed %llu]: %s, %.2f half zones off, +- %.2f%s;", answer.rig.c_str(),
              static_cast<unsigned long long>(run.seed), enum_name(answer.verdict).c_str(),
              answer.error_half_zones, answer.half_width_half_zones,
              answer.answered && !answer.in_95 ? ", missed" : "");
  for (const auto& [cause, confidence] : answer.findings) {
    std::printf(" %s %.2f", cause.c_str(), confidence);
  }
  std::printf("\n");
}

void print_causes(const Tally& tally, const std::vector<std::string>& rows) {
  std::printf("\n| cause | runs | listed %% | first %% | listed wrongly | F1 |\n");
  std::printf("|---|---:|---:|---:|---:|---:|\n");
  Count all;
  double f1_listed = 0;
  double f1_first = 0;
  int classes = 0;
  for (const std::string& cause : rows) {
    const auto found = tally.counts.find(cause);
    if (found == tally.counts.end() || cause == "healthy") continue;
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
}

void print_trust(const std::map<std::string, Trust>& trust) {
  std::printf(
      "\n| what happened | runs | answered | in 68 %% | in 95 %% | trusted | trusted, more than a "
      "half zone off | half of the 95 %% interval, half zones, median |\n");
  std::printf("|---|---:|---:|---:|---:|---:|---:|---:|\n");
  for (const auto& [what, count] : trust) {
    std::printf("| %s | %d | %d | %.1f | %.1f | %d | %d | %.2f |\n", what.c_str(), count.runs,
                count.answered, percent(count.in_68, count.answered),
                percent(count.in_95, count.answered), count.trusted, count.trusted_and_wrong,
                count.answered > 0 ? median(count.half_widths_half_zones) : 0);
  }
}

void print_calibration(const std::array<Bin, 3>& bins) {
  std::printf("\n| confidence | findings | mean | true (healthy runs half of all) |\n");
  std::printf("|---|---:|---:|---:|\n");
  for (std::size_t i = 0; i < bins.size(); ++i) {
    const Bin& bin = bins[i];
    std::printf("| %.1f to %s | %d | %.2f | %.2f |\n", bin.low,
                i + 1 < bins.size() ? (i == 0 ? "0.7" : "0.9") : "1", bin.findings,
                bin.weight > 0 ? bin.confidence / bin.weight : 0,
                bin.weight > 0 ? bin.right / bin.weight : 0);
  }
}

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

}  // namespace

void print_runs(const std::vector<Run>& runs, const std::vector<Answer>& answers,
                const Settings& settings) {
  for (std::size_t r = 0; r < runs.size(); ++r) {
    const Run& run = runs[r];
    const Answer& answer = answers[r];
    if (!answer.done) {
      std::printf("%s (seed %llu): %s\n", words_of(run.truth).c_str(),
                  static_cast<unsigned long long>(run.seed), answer.failure.c_str());
      continue;
    }
    const bool strays =
        std::any_of(answer.findings.begin(), answer.findings.end(),
                    [&](const auto& finding) { return !is_true(answer, finding.first, settings); });
    const bool worth_seeing = !is_right(run, answer, settings) || strays || misleads(answer) ||
                              (answer.answered && !answer.in_95);
    if (settings.show && worth_seeing) print_run(run, answer);
  }
}

void print_tally(const Tally& tally) {
  std::vector<std::string> rows;
  for (const ScenarioKind& kind : scenario_kinds()) rows.emplace_back(kind.cause);
  print_causes(tally, rows);
  std::printf("healthy runs with a finding: %d of %d (%.1f %%)\n", tally.healthy_named,
              tally.healthy_runs, percent(tally.healthy_named, tally.healthy_runs));
  std::printf("two causes at once: both listed in %d of %d (%.0f %%)\n", tally.pairs_both,
              tally.pair_runs, percent(tally.pairs_both, tally.pair_runs));
  std::printf("trusted and more than a half zone off: %d; runs that failed: %d\n",
              tally.trusted_and_wrong, tally.failures);
  print_trust(tally.trust);
  print_calibration(tally.bins);
  print_confusion(tally.matrix, rows);
}

}  // namespace starwaist::bench::diagnosis
