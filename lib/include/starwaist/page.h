// One self-contained HTML page of a run: what `fit`, `diagnose` and `field` say of it, with the
// curve and pictures of its stars. It opens offline, on a phone and on a desk.
//
// Module: report.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "starwaist/diagnosis.h"
#include "starwaist/error.h"
#include "starwaist/live.h"
#include "starwaist/plan.h"
#include "starwaist/run.h"
#include "starwaist/stars.h"

namespace starwaist {

// One star in one frame.
struct StarCutout {
  std::string file;
  double position_steps = 0;
  std::optional<double> hfr_px;  // of this star
  std::string png;               // the bytes of a PNG file
};

// The frame nearest best focus, shrunk, with its stars.
struct MarkedFrame {
  struct Mark {
    enum class Kind { counts, saturated, blended, at_edge };
    double x_px = 0;  // in the shrunk picture
    double y_px = 0;
    double radius_px = 0;
    Kind kind = Kind::counts;
  };
  std::string file;
  double position_steps = 0;
  int width_px = 0;  // of the shrunk picture
  int height_px = 0;
  std::string png;
  std::vector<Mark> marks;  // the brightest of the stars
};

struct RunPictures {
  std::vector<StarCutout> cutouts;  // of one star, by position, all with the same stretch
  int cutout_side_px = 0;
  std::optional<MarkedFrame> nearest;
};

// Of the frames in `record`: the star that most of them show, one that is whole by itself, and the
// frame nearest to best focus. Only the frames that are shown are read once more, at most 15.
// Empty for a table; what cannot be read or shows no such star is left out.
RunPictures run_pictures(const RunRecord& record, const RunOptions& options = {});

struct RunPage {
  std::string name;  // of the run, as the user knows it
  RunAnswer answer;
  std::vector<FrameMeasurement> frames;  // in the order taken, without their stars
  RunPictures pictures;
  std::optional<FocusPlan> plan;  // for the next run
  // While the run is taken: what the last frame says, and after how many seconds the page is
  // loaded anew.
  std::optional<WatchAnswer> watched;
  std::optional<double> reload_s;
};

// The page as the text of an HTML file. It computes no verdict: its words and numbers are those of
// fit_table, diagnose_text, field_text and plan_text, and the answer of diagnose_json stands in it
// (element `answer`). Names and header texts are text in it, never markup; its
// Content-Security-Policy lets it run only its own scripts and fetch nothing. The same bytes for
// the same content. Errors: numerical, as of diagnose_json.
Result<std::string> page_html(const RunPage& page);

}  // namespace starwaist
