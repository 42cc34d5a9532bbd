// What the library says of a run, and whether it is so.
#pragma once

#include <filesystem>
#include <string>
#include <utility>
#include <vector>

#include "diagnosis/runs.h"
#include "diagnosis/settings.h"
#include "starwaist/render.h"
#include "starwaist/run.h"

namespace starwaist::bench::diagnosis {

struct Answer {
  bool done = false;
  std::string failure;
  std::string rig;
  Verdict verdict = Verdict::unusable;
  double error_half_zones = 0;
  bool answered = false;
  bool in_68 = false;  // truth within the interval
  bool in_95 = false;
  double half_width_half_zones = 0;                      // of the 95 % interval
  std::vector<std::pair<std::string, double>> findings;  // falling confidence
  std::vector<AppliedScenario> made;
};

// Renders the run into the folder, unless it lies there, and has it diagnosed.
Answer answer_of(const Run& run, const Settings& settings, const std::filesystem::path& folder);

// One for each run, in the order of the runs.
std::vector<Answer> answers_of(const std::vector<Run>& runs, const Settings& settings);

// Whether the answer names the cause.
bool names(const Answer& answer, const std::string& cause);

// Whether the cause that is named happened, or cannot be told from one that did and is named too.
bool is_true(const Answer& answer, const std::string& named, const Settings& settings);

// Whether nothing is named in a healthy run, both causes of two, the cause of one first.
bool is_right(const Run& run, const Answer& answer, const Settings& settings);

// Trusted and more than a half zone off.
bool misleads(const Answer& answer);

}  // namespace starwaist::bench::diagnosis
