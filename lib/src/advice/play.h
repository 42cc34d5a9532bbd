// Free play between two sweeps: where the mechanism stands at each point, and how a record may
// begin.
//
// In: the commanded positions in the order taken, a width of the slack, a hypothesis of what part
// of it each record begins with. Out: the mechanism's places.
#pragma once

#include <cstddef>
#include <vector>

namespace starwaist::advice {

// How a record begins: what part of the slack is already taken up in its first direction.
enum class Beginning { taken_up, untaken, between };

// What is assumed of the slack beside its width.
struct PlayHypothesis {
  std::vector<Beginning> beginnings;  // one a record
  bool jumps = false;                 // focus jumps at reversals without dead travel
  double prior = 1;
};

// Points of all records in the order taken; positions scaled to about -1..1, sizes to about 1.
struct JointSamples {
  std::vector<double> x;       // commanded
  std::vector<double> shift;   // of best focus by temperature, same unit; 0 where unknown
  std::vector<double> y;       // size
  std::vector<double> time;    // -0.5 to 0.5 over all
  std::vector<double> weight;  // 1 / sigma; 0 leaves the point out
  std::vector<int> direction;  // of the move that led there: +1 outward, -1 inward
  std::vector<std::size_t> record_start;
  [[nodiscard]] std::size_t count() const { return x.size(); }
  [[nodiscard]] int used() const;
};

// Where the mechanism is at each point, in positions as commanded on the way in, and how that place
// changes with `taken_up`: the part of the slack, 0 to 1, that a record with Beginning::between
// begins with. A negative width (sweeps that disagree the wrong way) is a shift without dead
// travel.
struct Places {
  std::vector<double> at;
  std::vector<double> by_taken_up;
};
Places mechanism(const JointSamples& samples, const PlayHypothesis& hypothesis, double width,
                 double taken_up);

// Every way in which the records may have begun. `reversal_inside`: a record turns round inside, so
// that dead travel would show there; only then a jump at the reversals is a hypothesis of its own.
std::vector<PlayHypothesis> play_hypotheses(std::size_t records, bool reversal_inside);

// All records begin with the whole slack before them: the question after a run with take-up.
std::vector<PlayHypothesis> nothing_taken_up(std::size_t records);

}  // namespace starwaist::advice
