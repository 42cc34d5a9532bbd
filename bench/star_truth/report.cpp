#include "star_truth/report.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdio>

#include "star_truth/goals.h"
#include "star_truth/spread.h"

namespace starwaist::bench::star_truth {

namespace {

// A figure of a cell beside its goal.
struct Held {
  const char* figure = "";
  bool reached = false;
  double by = 0;  // how far beyond the goal, in units of the goal
  std::string text;
};

std::string text_of(const char* format, double a, double b = 0) {
  char buffer[120];
  std::snprintf(buffer, sizeof buffer, format, a, b);
  return buffer;
}

std::vector<double> about_median(std::vector<double> values) {
  const double middle = median_of(values);
  for (double& v : values) v -= middle;
  return values;
}

// Of the sizes. A figure misses its goal where it is beyond it by more than two of its own standard
// errors.
std::vector<Held> held_sizes(Seeing seeing, const Score& s, const Figures& f) {
  const double goal_bias = seeing == Seeing::moffat_25 ? kGoalBiasWideWings : kGoalBias;
  const double spread_se = 1 / std::sqrt(2.0 * static_cast<double>(s.relative.size()));
  const double frame_bias = median_of(s.frame_relative);
  return {
      {"bias of stars", std::abs(f.bias) - 2 * f.bias_se <= goal_bias, std::abs(f.bias) / goal_bias,
       text_of("bias %+.2f +- %.2f %%", 100 * f.bias, 100 * f.bias_se)},
      {"scatter over limit", f.scatter * (1 - 2 * spread_se) <= kGoalScatter,
       f.scatter / kGoalScatter,
       text_of("scatter %.2f of the limit (robust %.2f)", f.scatter, f.scatter_robust)},
      {"sd of star residuals",
       f.sd_z * (1 - 2 * spread_se) <= kGoalHighZ && f.sd_z * (1 + 2 * spread_se) >= kGoalLowZ,
       f.sd_z > 1 ? f.sd_z / kGoalHighZ : kGoalLowZ / f.sd_z, text_of("sd z %.2f", f.sd_z)},
      {"bias of frames", std::abs(frame_bias) - 2 * f.bias_se <= goal_bias,
       std::abs(frame_bias) / goal_bias, text_of("frame %+.2f %%", 100 * frame_bias)}};
}

// Of what was listed.
std::vector<Held> held_lists(const Score& s, const Figures& f) {
  const double lost = 100 - f.completeness;
  const double lost_se = 100 * std::sqrt(std::max(lost, 5.0) / 100 / std::max(s.faint_placed, 1));
  std::vector<Held> list{
      {"completeness at SNR 10", lost - 2 * lost_se <= 100 * (1 - kGoalCompleteness), lost / 5,
       text_of("found %.0f %%", f.completeness)},
      {"false stars",
       s.false_stars <=
           std::max(1.0, kGoalFalse * s.detections + 2 * std::sqrt(kGoalFalse * s.detections)),
       f.false_percent, text_of("false %.1f %%", f.false_percent)},
      {"split stars",
       s.split <= std::max(1.0, kGoalSplit * (s.placed + s.faint_placed) +
                                    2 * std::sqrt(kGoalSplit * (s.placed + s.faint_placed))),
       f.split_percent, text_of("split %.1f %%", f.split_percent)}};
  if (s.frames_without_size > 0) {
    list.push_back({"frames with a size", false, static_cast<double>(s.frames_without_size),
                    text_of("%.0f frames without a size", s.frames_without_size)});
  }
  return list;
}

// The mean takes one degree of freedom.
std::vector<double> about_mean(const std::vector<double>& values) {
  double mean = 0;
  for (const double v : values) mean += v / static_cast<double>(values.size());
  std::vector<double> list;
  if (values.size() < 2) return list;
  const auto n = static_cast<double>(values.size());
  for (const double v : values) list.push_back((v - mean) * std::sqrt(n / (n - 1)));
  return list;
}

void print_worst(const std::vector<Miss>& misses, const std::string& figure) {
  std::vector<Miss> worst;
  for (const Miss& m : misses) {
    if (m.figure == figure) worst.push_back(m);
  }
  std::sort(worst.begin(), worst.end(), [](const Miss& a, const Miss& b) { return a.by > b.by; });
  for (std::size_t i = 0; i < std::min<std::size_t>(10, worst.size()); ++i) {
    std::printf("    %s\n", worst[i].cell.c_str());
  }
}

}  // namespace

Figures figures_of(const Score& s) {
  Figures f;
  f.bias = median_of(s.relative);
  // Standard error of a median; what the stars of a frame have in common shows between frames.
  const double frame_sd = sd_about_mean(s.frame_relative);
  f.bias_se =
      std::max(1.2533 * robust_sd(s.relative) / std::sqrt(static_cast<double>(s.relative.size())),
               frame_sd / std::sqrt(static_cast<double>(s.frame_relative.size())));
  f.over_limit_about_median = about_median(s.over_limit);
  f.z_about_median = about_median(s.z);
  f.scatter = rms(f.over_limit_about_median);
  f.scatter_robust = robust_sd(s.over_limit);
  f.sd_z = rms(f.z_about_median);
  f.completeness = percent(s.faint_found, s.faint_placed);
  f.false_percent = percent(s.false_stars, s.detections);
  f.split_percent = percent(s.split, s.placed + s.faint_placed);
  return f;
}

void add_cell(Summary& summary, const std::string& cell, Seeing seeing, const Score& score,
              const Figures& figures) {
  for (const auto& list : {held_sizes(seeing, score, figures), held_lists(score, figures)}) {
    for (const Held& held : list) {
      ++summary.cells[held.figure][held.reached ? 0 : 1];
      if (!held.reached) {
        summary.misses.push_back({cell + "  " + held.text, held.figure, held.by});
      }
    }
  }
  const auto append = [](std::vector<double>& to, const std::vector<double>& from) {
    to.insert(to.end(), from.begin(), from.end());
  };
  append(summary.over_limit, figures.over_limit_about_median);
  append(summary.z, figures.z_about_median);
  append(summary.frame_z, score.frame_z);
  append(summary.frame_z_about_mean, about_mean(score.frame_z));
  append(seeing == Seeing::moffat_25 ? summary.relative_wide : summary.relative_narrow,
         score.relative);
  summary.faint_placed += score.faint_placed;
  summary.faint_found += score.faint_found;
  summary.detections += score.detections;
  summary.false_stars += score.false_stars;
  summary.split += score.split;
  summary.placed += score.placed + score.faint_placed;
}

void print_heading() {
  std::printf("%-31s %4s %4s %14s %5s %5s %5s %6s %8s %5s %6s %6s %6s %6s\n",
              "size, seeing, hole, SNR", "n", "ap/h", "bias %", "scat", "rob.", "sd z", "SNR10%",
              "frame %", "rms z", "compl%", "false%", "split%", "ms");
}

void print_cell(const std::string& cell, const Score& s, const Figures& f) {
  std::printf(
      "%-31s %4zu %4.1f %+7.2f +-%4.2f %5.2f %5.2f %5.2f %+6.1f %+8.2f %5.2f %6.1f %6.1f %6.2f "
      "%6.0f\n",
      cell.c_str(), s.relative.size(), median_of(s.aperture_over_hfr), 100 * f.bias,
      100 * f.bias_se, f.scatter, f.scatter_robust, f.sd_z, 100 * median_of(s.faint_relative),
      100 * median_of(s.frame_relative), rms(s.frame_z), f.completeness, f.false_percent,
      f.split_percent, 1000 * s.seconds / std::max(s.frames, 1));
  std::fflush(stdout);
}

void print_summary(const Summary& s) {
  std::printf("\nPooled over the grid                                 value   goal\n");
  std::printf("median bias, Kolmogorov and Moffat 4.765, %%         %+6.2f   +-%.0f\n",
              100 * median_of(s.relative_narrow), 100 * kGoalBias);
  std::printf("median bias, Moffat 2.5, %%                          %+6.2f   +-%.0f\n",
              100 * median_of(s.relative_wide), 100 * kGoalBiasWideWings);
  std::printf("scatter over the limit (robust)              %5.2f (%.2f)   <= %.1f\n",
              rms(s.over_limit), robust_sd(s.over_limit), kGoalScatter);
  std::printf("sd of star residuals about cell medians (robust) %4.2f (%.2f)  %.2f to %.2f\n",
              rms(s.z), robust_sd(s.z), kGoalLowZ, kGoalHighZ);
  std::printf("sd of frame residuals about cell means              %6.2f   %.2f to %.2f\n",
              rms(s.frame_z_about_mean), kGoalLowZ, kGoalHighZ);
  std::printf("rms of frame residuals, bias included               %6.2f   %.2f to %.2f\n",
              rms(s.frame_z), kGoalLowZ, kGoalHighZ);
  std::printf("completeness at matched SNR 10, %%                   %6.2f   >= %.0f\n",
              percent(s.faint_found, s.faint_placed), 100 * kGoalCompleteness);
  std::printf("false among the stars listed, %%                     %6.2f   <= %.0f\n",
              percent(s.false_stars, s.detections), 100 * kGoalFalse);
  std::printf("stars split, %%                                      %6.2f   <= %.1f\n",
              percent(s.split, s.placed), 100 * kGoalSplit);
  std::printf("\nCells that miss a goal by more than two standard errors, and the worst ten:\n");
  for (const auto& [figure, count] : s.cells) {
    std::printf("%-24s %d of %d cells\n", figure.c_str(), count[1], count[0] + count[1]);
    print_worst(s.misses, figure);
  }
}

}  // namespace starwaist::bench::star_truth
