// What truth.json is called and names; its text is truth_json() of render.h.
//
// Module: render.
#pragma once

#include <string>
#include <vector>

#include "starwaist/render.h"

namespace starwaist::render {

constexpr const char* kTruthSchema = "starwaist/truth/1";

// The frame files that an older truth.json names; empty where the text is none.
std::vector<std::string> frames_named_by(const std::string& text);

}  // namespace starwaist::render
