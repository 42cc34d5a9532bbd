// One exposed frame: pixels, truth and header.
//
// Module: render.
#pragma once

#include <string>
#include <variant>
#include <vector>

#include "starwaist/frame.h"
#include "starwaist/render.h"

namespace starwaist::render {

struct Exposure {
  std::vector<std::uint16_t> pixels_adu;
  RenderedFrame truth;
};

// Preconditions: checked options, index inside the positions.
Result<Exposure> expose(const RenderOptions& options, int index);

// The header's cards beyond what the format itself needs, in order.
struct Card {
  std::string keyword;
  std::variant<double, int, std::string> value;
  std::string comment;
};
std::vector<Card> header_of(const RenderOptions& options, int index);

// What reading header_of gives.
HeaderFacts facts_of(const RenderOptions& options, int index);

}  // namespace starwaist::render
