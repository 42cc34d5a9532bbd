// What the order of a run's sizes says of the focuser: rival accounts of the same points, weighed
// by their evidence.
//
// Every account gives each point the place where the focus really was; the same curve with the
// run's own noise is then fitted. The evidence integrates over the curve (Laplace), the noise's
// factor and the seeing's scatter; an account with an amount or a frame of its own is summed over
// them with equal weights, so that searching is paid for.
//
// Private header of module diagnosis.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace starwaist::diagnosis {

class RunView;

// One account at its likeliest amount and frame.
struct Account {
  double log_odds = -100;   // against all the other accounts together, healthy included
  double amount_steps = 0;  // of the slack or jump; how far the focus missed the last position
  std::size_t at = 0;       // point of the record where it begins (slack: of the reversal)
  std::vector<double> moved_steps;  // by point of the record
  double best_focus_steps = 0;      // with the account
  double misfit_share = 0;          // part of the healthy curve's excess misfit that it explains
  double shift_steps = 0;           // of best focus against the healthy curve's
  // Amounts and frames that are nearly as likely, the likeliest included.
  struct Variant {
    double weight = 0;  // they sum to 1
    std::size_t at = 0;
    double amount_steps = 0;
    std::vector<double> moved_steps;  // by point of the record
  };
  std::vector<Variant> variants;
};

struct Rivals {
  Account slack;
  Account no_motion;  // from some point on
  Account focus_jump;
  double log_odds_outlier = -100;  // one or more bad points against none, without the accounts

  // Of the sizes: one constant size against the curve. Positive: flat.
  double log_odds_flat = -100;
  double flat_size_px = 0;
  double flat_scatter = 0;  // relative

  // Probability that best focus lies beyond the sampled positions, either side.
  double probability_below = 0;
  double probability_above = 0;
};

// Absent where fewer than five points have a size or they lie at fewer than three positions.
std::optional<Rivals> weigh_rivals(const RunView& run);

}  // namespace starwaist::diagnosis
