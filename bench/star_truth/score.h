// What came of measuring frames whose stars are known.
#pragma once

#include <vector>

#include "star_truth/images.h"
#include "star_truth/truth.h"
#include "starwaist/frame.h"
#include "starwaist/stars.h"

namespace starwaist::bench::star_truth {

struct Score {
  std::vector<double> relative;        // hfr / truth - 1
  std::vector<double> over_limit;      // (hfr - truth) / limit
  std::vector<double> z;               // (hfr - truth) / hfr_sigma
  std::vector<double> faint_relative;  // of the stars of matched SNR 10
  std::vector<double> frame_relative;
  std::vector<double> frame_z;
  std::vector<double> aperture_over_hfr;
  int placed = 0;  // stars of the level asked for
  int found = 0;   // of those, listed
  int faint_placed = 0;
  int faint_found = 0;
  int detections = 0;
  int false_stars = 0;
  int usable = 0;
  int false_usable = 0;
  int split = 0;
  int frames = 0;
  int frames_without_size = 0;
  double seconds = 0;
};

void add(Score& sum, const Score& part);

// Of one frame.
Score score_of(const Known& truth, const Scene& scene, const FrameMeasurement& measured);

// The same of a frame that is measured here; one that cannot be is named in the output.
Score measure_and_score(const Known& truth, const Scene& scene, const Frame& frame,
                        const MeasureOptions& options = {});

}  // namespace starwaist::bench::star_truth
