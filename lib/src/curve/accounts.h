// Best focus of a run of which several accounts are possible: the points as they are, or at other
// places, without some of them, with other sizes.
#pragma once

#include <span>
#include <vector>

#include "starwaist/curve.h"

namespace starwaist::curve {

// One account of how the points came about.
struct RunAccount {
  double weight = 0;               // probability; they sum to 1 over all accounts
  std::vector<CurvePoint> points;  // as the account has them
  double shift_steps = 0;          // of the answer against best focus of these points
  double sigma_steps = 0;          // that the account leaves open beside its points
  // Accounts of the same group share the sum of their weights anew, by how well their points follow
  // a curve. 0: in no group.
  int group = 0;
};

// A run's points as they came in: those that a fit rejected are among the used ones.
std::vector<CurvePoint> all_measured(std::vector<CurvePoint> points);

// Best focus, its intervals, probability_in_zone, verdict and reasons of `fit` become those of the
// mixture of all accounts; its points and models stay. Accounts whose points locate no best focus
// have no say, unless none has one: then `fit` stays as it is.
void answer_by_accounts(std::span<const RunAccount> accounts, const Rig& rig,
                        const FitOptions& options, FitResult& fit);

}  // namespace starwaist::curve
