// Where the focus was at each point of a run, by what may have happened to the focuser.
//
// Private header of module diagnosis. Places in half ranges of the sweep from its centre.
#pragma once

#include <cstddef>
#include <vector>

namespace starwaist::diagnosis {

// The variants of one account: roughly weighed first, those near the best in full.
struct Variant {
  std::vector<double> places;
  double log_prior = 0;
  double amount = 0;  // scaled
  std::size_t at = 0;
};

// Where the focus was in a run with free play, for places `t` as commanded; in one that came to a
// stop; in one in which the focus jumped.
std::vector<Variant> slack_variants(const std::vector<double>& t);
std::vector<Variant> stop_variants(const std::vector<double>& t);
std::vector<Variant> jump_variants(const std::vector<double>& t);

// The same slack or jump with another amount.
Variant with_slack(Variant variant, const std::vector<double>& t, double amount);
Variant with_shift(Variant variant, const std::vector<double>& t, double amount);

}  // namespace starwaist::diagnosis
