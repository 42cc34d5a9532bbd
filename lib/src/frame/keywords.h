// Which header keywords are tried for each fact, with the source of each.
//
// Private header of module frame.
#pragma once

#include <span>
#include <string_view>
#include <vector>

#include "starwaist/frame.h"

namespace starwaist::frame_detail {

// One fact of a frame and its usual keywords, in the order tried. `word` is the name that the user
// gives it by (FrameReadOptions::keywords).
struct FactKeywords {
  std::string_view word;
  std::span<const std::string_view> usual;
};

std::span<const FactKeywords> all_fact_keywords();

// The keywords to try for the fact: the one that the user named, alone, or the usual ones.
// Precondition: `word` is one of all_fact_keywords().
std::vector<std::string_view> keywords_for(std::string_view word, const FrameReadOptions& options);

// True where the user named a keyword for the fact.
bool is_named(std::string_view word, const FrameReadOptions& options);

}  // namespace starwaist::frame_detail
