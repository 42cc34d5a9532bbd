// Does the loop of `starwaist watch` find focus from anywhere, with slack, clouds and cosmic rays,
// and does it end? A pretend focuser obeys every line; each loop is judged by where the focus truly
// is after the final move.
//
// Usage: loop_bench [loops, 300] [seed, 1] [--rendered] [--near] [--list] [--unknown-rig]
//        [--no-takeup]
//   --rendered     from pixels (small frames by wave optics) instead of from made sizes
//   --near         starts within three blur widths only
//   --unknown-rig  the program is not told the micrometres per step
//   --no-takeup    the program is told that there is no slack to take up
//   --list         a line a loop
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <numeric>
#include <string>
#include <vector>

#include "dice.h"
#include "loop/loops.h"
#include "rendered_curve.h"
#include "starwaist/curve.h"
#include "starwaist/statistics.h"

namespace {

using starwaist::bench::Ended;
using starwaist::bench::LoopSetting;

struct Tally {
  int loops = 0;
  int reached = 0;
  int stuck = 0;
  int outside = 0;
  int wrong = 0;
  int trusted = 0;
  int thrice = 0;
  int slack = 0;  // loops with at least one B of it
  int slack_named = 0;
  int slack_made_up = 0;
  std::vector<double> frames;
  std::vector<double> over_least;  // frames over the least that can be trusted, near starts

  void add(const LoopSetting& setting, const Ended& ended) {
    ++loops;
    reached += ended.reached ? 1 : 0;
    stuck += ended.stuck ? 1 : 0;
    outside += ended.outside ? 1 : 0;
    wrong += ended.trusted && !ended.reached ? 1 : 0;
    trusted += ended.trusted ? 1 : 0;
    thrice += ended.thrice ? 1 : 0;
    const bool has_slack = setting.slack_cores >= 1;
    slack += has_slack ? 1 : 0;
    slack_named += has_slack && ended.slack_named ? 1 : 0;
    slack_made_up += setting.slack_cores == 0 && ended.slack_named ? 1 : 0;
    frames.push_back(ended.frames);
    const int least = starwaist::VerdictRules::kTrustedPoints + (ended.spoiled ? 1 : 0);
    if (std::abs(setting.start_cores) < 3) over_least.push_back(1.0 * ended.frames / least);
  }

  void print() const {
    std::printf(
        "%d loops: reached %d (%.1f %%), stuck %d, outside the limits %d, a third time at one "
        "place "
        "%d, trusted %d, trusted wrongly %d\n",
        loops, reached, 100.0 * reached / std::max(1, loops), stuck, outside, thrice, trusted,
        wrong);
    std::printf("frames: median %.0f, 90 %% within %.0f\n", starwaist::median(frames),
                starwaist::sample_quantile(frames, 0.9));
    if (!over_least.empty()) {
      std::printf(
          "near starts, frames over the least (5, and one for a spoiled one): median %.2f, "
          "mean %.2f, 90 %% within %.2f, of %zu\n",
          starwaist::median(over_least),
          std::accumulate(over_least.begin(), over_least.end(), 0.0) /
              static_cast<double>(over_least.size()),
          starwaist::sample_quantile(over_least, 0.9), over_least.size());
    }
    std::printf("slack of 1 B or more named in %d of %d loops, made up in %d\n", slack_named, slack,
                slack_made_up);
  }
};

}  // namespace

int main(int argc, char** argv) {
  int loops = 300;
  std::uint64_t seed = 1;
  starwaist::bench::LoopOptions options;
  bool list = false;
  int number = 0;
  for (int i = 1; i < argc; ++i) {
    if (std::strcmp(argv[i], "--rendered") == 0) {
      options.rendered = true;
    } else if (std::strcmp(argv[i], "--near") == 0) {
      options.near = true;
    } else if (std::strcmp(argv[i], "--unknown-rig") == 0) {
      options.unknown_rig = true;
    } else if (std::strcmp(argv[i], "--no-takeup") == 0) {
      options.no_takeup = true;
    } else if (std::strcmp(argv[i], "--list") == 0) {
      list = true;
    } else if (number++ == 0) {
      loops = std::atoi(argv[i]);
    } else {
      seed = std::strtoull(argv[i], nullptr, 10);
    }
  }
  if (loops < 1) {
    std::fprintf(stderr, "usage: loop_bench [loops] [seed] [--rendered] [--near] [--list]\n");
    return 2;
  }
  const auto telescopes = starwaist::bench::rendered(starwaist::bench::telescopes());
  Tally tally;
  for (int i = 0; i < loops; ++i) {
    starwaist::bench::Dice dice(seed * 1000003 + static_cast<std::uint64_t>(i));
    const LoopSetting setting = starwaist::bench::draw_loop(
        telescopes[static_cast<std::size_t>(i) % telescopes.size()], options, dice);
    const Ended ended = options.rendered ? starwaist::bench::run_rendered(setting, options, dice)
                                         : starwaist::bench::run_made(setting, options, dice);
    tally.add(setting, ended);
    if (list || !ended.reached || ended.outside) {
      std::printf(
          "%3d %-36s start %+6.1f B, slack %.1f B%s%s: %2d frames, %s, %s, %+.2f half zones%s\n", i,
          setting.telescope->name.c_str(), setting.start_cores, setting.slack_cores,
          setting.limited ? ", limits" : "", setting.spoiled_frame ? ", one spoiled" : "",
          ended.frames, ended.stop.c_str(), ended.verdict.c_str(), ended.error_half_zones,
          ended.outside ? ", OUTSIDE" : "");
      if (list) std::printf("%s", ended.trace.c_str());
      std::fflush(stdout);
    }
  }
  tally.print();
  return 0;
}
