#include "advice/play.h"

#include <algorithm>

namespace starwaist::advice {
namespace {

constexpr double kJumpPrior = 0.1;
constexpr double kBetweenPrior = 0.3;  // of a slack that is partly taken up when the record begins

}  // namespace

int JointSamples::used() const {
  return static_cast<int>(
      std::count_if(weight.begin(), weight.end(), [](double w) { return w > 0; }));
}

Places mechanism(const JointSamples& s, const PlayHypothesis& hypothesis, double width,
                 double taken_up) {
  Places places{std::vector<double>(s.count()), std::vector<double>(s.count(), 0.0)};
  if (hypothesis.jumps || width <= 0) {
    for (std::size_t i = 0; i < s.count(); ++i) {
      places.at[i] = s.direction[i] > 0 ? s.x[i] - width : s.x[i];
    }
    return places;
  }
  std::size_t record = 0;
  double at = 0;
  double by_taken_up = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (record < s.record_start.size() && i == s.record_start[record]) {
      const bool outward = s.direction[i] > 0;
      const Beginning beginning = hypothesis.beginnings[record];
      double part = taken_up;
      if (beginning == Beginning::taken_up) part = 1;
      if (beginning == Beginning::untaken) part = 0;
      at = s.x[i] - width * (outward ? part : 1 - part);
      by_taken_up = beginning == Beginning::between ? (outward ? -width : width) : 0;
      ++record;
    }
    const double moved = std::clamp(at, s.x[i] - width, s.x[i]);
    if (moved != at) by_taken_up = 0;
    at = moved;
    places.at[i] = at;
    places.by_taken_up[i] = by_taken_up;
  }
  return places;
}

std::vector<PlayHypothesis> play_hypotheses(std::size_t records, bool reversal_inside) {
  std::vector<PlayHypothesis> list;
  // The first record may begin in any state, later ones where the one before left the mechanism or
  // after a take-up. Many records are taken alike.
  const bool alike = records > 3;
  const std::size_t later = records < 2 ? 0 : alike ? 1 : records - 1;
  for (const Beginning first : {Beginning::taken_up, Beginning::untaken, Beginning::between}) {
    for (std::size_t code = 0; code < (std::size_t{1} << later); ++code) {
      PlayHypothesis h;
      h.beginnings.push_back(first);
      for (std::size_t r = 1; r < records; ++r) {
        const std::size_t bit = alike ? 0 : r - 1;
        h.beginnings.push_back(((code >> bit) & 1) != 0 ? Beginning::untaken : Beginning::taken_up);
      }
      h.prior = first == Beginning::between ? kBetweenPrior : 1;
      list.push_back(h);
    }
  }
  // Without a reversal inside a record it is the same as slack taken up everywhere.
  if (reversal_inside) {
    list.push_back(
        {std::vector<Beginning>(records, Beginning::taken_up), /*jumps=*/true, kJumpPrior});
  }
  return list;
}

std::vector<PlayHypothesis> nothing_taken_up(std::size_t records) {
  return {{std::vector<Beginning>(records, Beginning::untaken), /*jumps=*/false, /*prior=*/1}};
}

}  // namespace starwaist::advice
