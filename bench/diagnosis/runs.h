// The runs that are rendered: what happens in each, and its seed.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "diagnosis/settings.h"
#include "starwaist/render.h"

namespace starwaist::bench::diagnosis {

struct Run {
  std::vector<Scenario> truth;  // one, or two at once
  std::uint64_t seed = 0;
};

bool is_healthy(const Run& run);

std::string words_of(const std::vector<Scenario>& truth);

// Of its folder: the same run wherever it stands in the list.
std::string name_of(const Run& run);

std::vector<Run> runs_of(const Settings& settings);

}  // namespace starwaist::bench::diagnosis
