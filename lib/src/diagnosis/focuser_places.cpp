#include "diagnosis/focuser_places.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/weigher.h"

namespace starwaist::diagnosis {
namespace {

// Before looking. Of a hundred runs about two or three have each of these; see bench.
constexpr double kPriorSlack = 0.03;
constexpr double kPriorNoMotion = 0.02;
constexpr double kPriorJump = 0.02;

// Where the focus is when a play of `width` stands between drive and tube: it follows only once
// the play is used up. Outward moves end at the commanded place if `outward`, else inward ones do.
// `taken_up`: the start was reached from the side that the first move goes on from; else from the
// other one, which leaves the play open.
std::vector<double> with_play(const std::vector<double>& commanded, double width, bool outward,
                              bool taken_up) {
  std::vector<double> places = commanded;
  double place = commanded.front() + (taken_up ? 0.0 : outward ? width : -width);
  for (double& p : places) {
    place = outward ? std::clamp(place, p, p + width) : std::clamp(place, p - width, p);
    p = place;
  }
  return places;
}

double first_move_of(const std::vector<double>& places) {
  for (std::size_t i = 1; i < places.size(); ++i) {
    if (places[i] != places[i - 1]) return places[i] - places[i - 1];
  }
  return 0;
}

// The first place after the moves turned back; 0 where they never do.
std::size_t first_turn(const std::vector<double>& places) {
  double way = 0;
  for (std::size_t i = 1; i < places.size(); ++i) {
    const double move = places[i] - places[i - 1];
    if (move * way < 0) return i;
    if (move != 0) way = move;
  }
  return 0;
}

// Amounts from a twentieth of the range, evenly in the logarithm, up to half of it.
constexpr int kAmounts = 14;
double amount_of(int i) {
  constexpr double kLeast = 0.05;
  constexpr double kMost = 1.2;
  return kLeast * std::pow(kMost / kLeast, i / (kAmounts - 1.0));
}

std::vector<double> with_jump(std::vector<double> places, std::size_t at, double shift) {
  for (std::size_t j = at; j < places.size(); ++j) places[j] += shift;
  return places;
}

}  // namespace

std::vector<Variant> slack_variants(const std::vector<double>& t) {
  const double first_move = first_move_of(t);
  std::vector<Variant> variants;
  const std::size_t turn = first_turn(t);
  const int starts = turn > 0 ? 2 : 1;  // without a turn a play that is taken up does not show
  for (int i = 0; i < starts * kAmounts; ++i) {
    const bool taken_up = i >= kAmounts;
    const double width = amount_of(i % kAmounts);
    variants.push_back({with_play(t, width, first_move > 0, taken_up),
                        std::log(kPriorSlack / (starts * kAmounts)) + log_all_good(t.size()), width,
                        taken_up ? turn : 0});
  }
  return variants;
}

std::vector<Variant> stop_variants(const std::vector<double>& t) {
  const std::size_t n = t.size();
  std::vector<Variant> variants;
  for (std::size_t k = 1; k + 2 < n; ++k) {  // the last place reached; two misses at the least
    std::vector<double> places = t;
    for (std::size_t i = k + 1; i < n; ++i) places[i] = t[k];
    variants.push_back({places, std::log(kPriorNoMotion / static_cast<double>(n)) + log_all_good(n),
                        std::abs(t[n - 1] - t[k]), k});
  }
  return variants;
}

std::vector<Variant> jump_variants(const std::vector<double>& t) {
  const std::size_t n = t.size();
  std::vector<Variant> variants;
  for (std::size_t k = 2; k + 1 < n; ++k) {  // the first place after it
    for (int i = 0; i < 2 * kAmounts; ++i) {
      const double shift = i < kAmounts ? amount_of(i) : -amount_of(i - kAmounts);
      variants.push_back(
          {with_jump(t, k, shift),
           std::log(kPriorJump / (2.0 * kAmounts * static_cast<double>(n - 3))) + log_all_good(n),
           shift, k});
    }
  }
  return variants;
}

Variant with_slack(Variant variant, const std::vector<double>& t, double amount) {
  const bool taken_up = variant.at > 0;
  variant.places = with_play(t, amount, first_move_of(t) > 0, taken_up);
  variant.amount = amount;
  return variant;
}

Variant with_shift(Variant variant, const std::vector<double>& t, double amount) {
  variant.places = with_jump(t, variant.at, amount);
  variant.amount = amount;
  return variant;
}

}  // namespace starwaist::diagnosis
