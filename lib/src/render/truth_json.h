// truth.json to and from text.
//
// Module: render.
#pragma once

#include <string>
#include <vector>

#include "starwaist/render.h"

namespace starwaist::render {

constexpr const char* kTruthSchema = "starwaist/truth/1";

// UTF-8, two-space indented, ending with a line break.
std::string truth_json(const RenderTruth& truth);

// The frame files that an older truth.json names; empty where the text is none.
std::vector<std::string> frames_named_by(const std::string& text);

}  // namespace starwaist::render
