// Answers as text: JSON, CSV, tables, figures. Takes no decisions.
//
// Module: report. May include: all others.
#pragma once

#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/run.h"
#include "starwaist/stars.h"

namespace starwaist {

// The contract's objects, UTF-8, two-space indented, ending with a line break. A number that is not
// finite is an error (numerical): it never reaches a file.
struct MeasureJsonOptions {
  bool stars = false;
};
Result<std::string> measure_json(const RunMeasurement& run, const MeasureJsonOptions& options = {});
Result<std::string> fit_json(const RunFit& run);

// One row a frame; the headings are the JSON keys.
std::string measure_csv(const std::vector<FrameMeasurement>& frames);

// For people: a table of frames or points, then the answer in words.
std::string measure_table(const RunMeasurement& run);
std::string fit_table(const RunFit& run);

// The focus curve: points with error bars, the curve, best focus with its interval, the zone,
// rejected points marked. PNG or SVG by the ending of `path`. Errors: invalid_argument for another
// ending, cannot_write.
Result<void> write_focus_plot(const RunFit& run, const std::string& path);

// A PNG of the frame, stretched for the eye, with the measured stars marked.
Result<void> write_overlay(const std::string& frame_path, const FrameMeasurement& frame,
                           const std::string& png_path);

// Writes `content` under another name beside `path` and renames it, so that the file is whole or
// absent. Refuses (cannot_write) to replace a folder or any of `protected_paths` (the inputs).
Result<void> write_whole_file(const std::string& path, const std::string& content,
                              const std::vector<std::string>& protected_paths = {});

}  // namespace starwaist
