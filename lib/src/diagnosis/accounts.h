// What the causes that were found, and those that cannot be ruled out, mean for best focus.
//
// Private header of module diagnosis.
#pragma once

#include <span>
#include <vector>

#include "curve/accounts.h"
#include "diagnosis/cause.h"

namespace starwaist::diagnosis {

// A cause that was found.
struct Accepted {
  std::string cause;
  Candidate candidate;
};

// The accounts of the run that the evidence leaves: nothing moved; the slack, a stop or a jump that
// is found or cannot be ruled out, each at the amounts and frames that are about as likely; points
// that a cause spoiled, with and without them; sizes that grew with the fog. Best focus is that of
// the field's median star at the middle of the run, with the slack taken up. Empty where the
// record's own answer stands.
// `first`: the run before any cause was accepted.
std::vector<curve::RunAccount> accounts_of(const RunView& first,
                                           std::span<const Accepted> accepted);

}  // namespace starwaist::diagnosis
