// Where something stands out of the sky: matched filters at scales a factor two apart.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "stars/background.h"
#include "starwaist/frame.h"

namespace starwaist::stars {

// A local maximum of the smoothed frame at the scale where it stands out most.
struct Candidate {
  double x_px = 0;
  double y_px = 0;
  double snr = 0;  // smoothed value over its standard deviation: the matched filter's
  int level = 0;   // smoothing kernel's sigma is template_sigma_px(level)
};

struct Detection {
  std::vector<Candidate> candidates;  // falling snr, at the levels asked for, not yet merged
  std::vector<PixelPlace> defects;
  cv::Mat coarse;  // the frame binned by 4, sky taken off, hot pixels out; empty below its levels
};

inline constexpr int kDetectionLevels = 5;

// Standard deviation in pixels of the kernel at a level: 1.04 * 2^level. A Gaussian star of the
// same sigma (half-flux radius 1.177 sigma) is found with its full signal-to-noise; the levels
// reach from 1 px to rings of 25 px half-flux radius.
double template_sigma_px(int level);

// Levels first_level to last_level (below kDetectionLevels). Level 0 smooths every pixel and costs
// more than the others together; without it a star of 1.6 px half-flux radius is found with 91 % of
// its signal-to-noise, one of 1.2 px with 78 %. Single hot pixels are replaced by their neighbours
// before the smoothing, so that they neither pose as stars nor weigh on a faint ring around them.
// The same answer for any number of threads.
Detection detect(const Frame& frame, const SkyMap& sky, double threshold_snr, int first_level,
                 int last_level, int threads);

// The levels from kCoarseLevel on once more, with a better sky: the wide kernels sum so many pixels
// that light of bright rings in the first sky hides the faint ones. `coarse`: Detection::coarse,
// used up. `discs`: what is not sky.
std::vector<Candidate> detect_again(cv::Mat coarse, const SkyMap& first_sky, const SkyMap& sky,
                                    const std::vector<MaskedDisc>& discs, double threshold_snr,
                                    double sample_fraction, int first_level, int last_level,
                                    int threads);

inline constexpr int kCoarseLevel = 2;  // levels from here on work on the frame binned by 4

// Keeps the strongest of every group: candidates in falling snr, each removing the weaker ones
// within `reach` kernel sigmas of the wider of the two. Only levels first..last count.
std::vector<Candidate> merged(const std::vector<Candidate>& candidates, int first_level,
                              int last_level, double reach);

}  // namespace starwaist::stars
