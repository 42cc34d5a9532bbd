// The interface of a cause. Each stands in a file cause_<name>.cpp with the function
//
//   Cause cause_<name>();      // in namespace starwaist::diagnosis
//
// and CMake lists those files in the registry: no other source of the module need change.
//
// Private header of module diagnosis.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "diagnosis/run_view.h"
#include "numerics/log_sum.h"
#include "starwaist/codes.h"
#include "starwaist/diagnosis.h"

namespace starwaist::diagnosis {

// What a cause means for best focus as fitted.
enum class Effect {
  harmless,  // the answer stands: said, the verdict stays
  doubtful,  // the answer is a hint
  unusable,  // the answer is wrong
};

// A cause that may have happened.
struct Candidate {
  // ln of the odds that it happened: ln of the likelihood ratio against a healthy run with the
  // run's own noise (what was searched through is paid for), plus ln of the odds before looking.
  double log_odds = 0;
  double share = 0;  // part of the misfit or loss explained, 0 to 1
  Effect effect = Effect::harmless;
  std::string summary;
  std::vector<EvidenceItem> evidence;
  Statement remedy;
  std::vector<std::pair<std::string, double>> settings;

  // What the other causes see of the run once this one is accepted (see RunView).
  std::vector<std::string> covers;   // causes that this one accounts for: not listed beside it
  std::vector<std::size_t> spoiled;  // points that no other cause is to judge by
  // By point, empty for none: where the focus was, less the commanded position.
  std::vector<double> moved_steps;
  // The same where it is only assumed: not taken out, and counted as an error of best focus.
  std::vector<double> perhaps_moved_steps;
  // By point, empty for none: how far fog on the optics had come, 0 to 1.
  std::vector<double> thickness;
};

struct Cause {
  CausePage page;  // page.cause is the name
  // Nothing where the run cannot say or shows no sign. Odds below even may be given: they count
  // for the choice between rivals and are not listed.
  std::optional<Candidate> (*look)(const RunView& run);
};

// All of them, by name.
const std::vector<Cause>& all_causes();

using numerics::log_odds_of;
using numerics::log_sum;
using numerics::probability_of;

// By how many standard deviations a normal value exceeds its mean with this chance, on one of
// `sides` sides; 8 where rounding leaves the chance no digits.
double sigmas_of_chance(double chance, int sides);

// ln of the likelihood ratio that `sigmas` standard deviations, the largest of `looks` looked at,
// give for an effect whose size is not known beforehand: z^2 / 2 less the price of an effect spread
// over `spread` standard deviations, less ln(looks). Negative for what noise alone shows.
double log_ratio_of_sigmas(double sigmas, double looks = 1, double spread = 10);

}  // namespace starwaist::diagnosis
