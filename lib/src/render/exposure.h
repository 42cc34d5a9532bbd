// One exposed frame: pixels, truth and header.
//
// Module: render.
#pragma once

#include <cstdint>
#include <string>
#include <variant>
#include <vector>

#include "render/scene.h"
#include "render/star_images.h"
#include "starwaist/frame.h"
#include "starwaist/render.h"

namespace starwaist::render {

// A frame's light before the camera sees it.
struct Scene {
  Conditions conditions;
  std::vector<RenderedStar> stars;  // undithered
  std::vector<double> defocus_um;   // of each star
  StarImages images;
  RenderedFrame truth;
};

// Preconditions here and below: checked options, index inside the positions.
Result<Scene> scene_of(const RenderOptions& options, int index);

// The pixels that the camera stores (ADU), row by row.
std::vector<std::uint16_t> expose(const RenderOptions& options, int index, const Scene& scene);

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
