// The lines of the cells and of the whole, held against the goals.
#pragma once

#include <array>
#include <map>
#include <string>
#include <vector>

#include "star_truth/score.h"
#include "star_truth/seeing.h"

namespace starwaist::bench::star_truth {

// The figures of one cell's line.
struct Figures {
  double bias = 0;
  double bias_se = 0;
  double scatter = 0;  // over the limit, about the median
  double scatter_robust = 0;
  double sd_z = 0;
  double completeness = 0;  // per cent, as the next two
  double false_percent = 0;
  double split_percent = 0;
  // What scatter and sd_z are the spreads of.
  std::vector<double> over_limit_about_median;
  std::vector<double> z_about_median;
};

Figures figures_of(const Score& score);

// A figure that misses its goal, with the cell it belongs to.
struct Miss {
  std::string cell;
  std::string figure;
  double by = 0;  // how far beyond the goal, in units of the goal
};

struct Summary {
  std::map<std::string, std::array<int, 2>> cells;  // figure -> cells held, cells missed
  std::vector<Miss> misses;
  // Pooled over the grid.
  std::vector<double> over_limit, z, frame_z, frame_z_about_mean, relative_narrow, relative_wide;
  int faint_placed = 0, faint_found = 0, detections = 0, false_stars = 0, split = 0, placed = 0;
};

void add_cell(Summary& summary, const std::string& cell, Seeing seeing, const Score& score,
              const Figures& figures);

void print_heading();
void print_cell(const std::string& cell, const Score& score, const Figures& figures);
void print_summary(const Summary& summary);

}  // namespace starwaist::bench::star_truth
