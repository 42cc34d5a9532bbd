// What makes each cause of a spoiled run: the options that the renderer needs for it.
//
// Private header of module render.
#pragma once

#include <cmath>
#include <cstddef>
#include <span>
#include <string_view>
#include <utility>
#include <vector>

#include "render/random.h"
#include "starwaist/render.h"

namespace starwaist::render {

// What the rig itself sets the scale by.
struct RigScale {
  double half_zone_um = 0;
  double smallest_px = 0;  // half-flux radius in focus
  double width_um = 0;     // B
  double peak_share = 0;   // of a star's light in its brightest pixel, in focus
};

// A run in the making, and what each cause needs to know of it.
struct Making {
  RenderOptions options;
  RigScale scale;
  double strength = 1;
  Random random;

  [[nodiscard]] std::size_t frames() const { return options.positions_steps.size(); }
  [[nodiscard]] double step_steps() const {
    return std::abs(options.positions_steps[1] - options.positions_steps[0]);
  }
  // 0 at the first frame, 1 at the last.
  [[nodiscard]] double progress(std::size_t i) const {
    return static_cast<double>(i) / static_cast<double>(frames() - 1);
  }
  double sign() { return random.uniform() < 0.5 ? -1 : 1; }
  // The list with one value a frame, filled with `otherwise` where it was empty.
  std::vector<double>& filled(std::vector<double> RenderOptions::*list, double otherwise) {
    std::vector<double>& values = options.*list;
    if (values.empty()) values.assign(frames(), otherwise);
    return values;
  }
};

struct Made {
  double amount = 0;
  const char* unit = "";
  const char* meaning = "";
};

using Maker = Made (*)(Making&);
// By cause, those that spoil a run whose positions stand.
std::span<const std::pair<std::string_view, Maker>> scenario_makers();

}  // namespace starwaist::render
