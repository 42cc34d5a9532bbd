// Options of the commands that take a whole run to its best focus: fit and diagnose.
#pragma once

#include <optional>
#include <string>

#include "command.h"
#include "starwaist/curve.h"
#include "starwaist/run.h"

namespace starwaist::tool {

struct CurveOptions {
  FitOptions fit;
  std::optional<SizeMeasure> size;
  bool each = false;  // INPUT holds many runs
};

// Input, --json and the like, --short, --model, --size, --column, --each and the rig.
void add_run_command_options(CLI::App& app, Settings& settings, CurveOptions& curve);

// --short of one of many runs.
std::string named_short_line(const std::string& run_name, const RunAnswer& answer);

void use_curve_options(const CurveOptions& curve, RunOptions& run);

}  // namespace starwaist::tool
