// A quick look at every hypothesis near one curve.
#pragma once

#include <array>
#include <cstddef>
#include <span>
#include <vector>

#include "curve/evidence.h"
#include "curve/few_points.h"

namespace starwaist::curve {

struct Ranked {
  FewPoints bad;
  double log_evidence;
};

// Evidence of every hypothesis with every candidate of the noise, from the curve linearised at one
// fit. With z_i the points' rows after the information of all points is made the unit matrix and
// e_i the residuals of the fit to all of them, taking out a set B lowers the squares by e_B' (1 -
// z_B z_B')^-1 e_B and multiplies the information's determinant by that of (1 - z_B z_B'), so that
// a hypothesis costs a few products.
class Screening {
 public:
  Screening(const Linearised& curve, const Evidence& evidence);

  // The heaviest, in that order.
  std::vector<Ranked> heaviest(std::size_t most_bad, std::size_t count);

  // The noise that a hypothesis' own good points speak for: the candidates' average, each times
  // the factor that the residuals ask of it.
  std::vector<double> sigmas(const FewPoints& bad);

 private:
  // Of all points with one candidate of the noise.
  struct Whole {
    double log_prior;
    double determinant;
    double squares;
    double log_weights;
  };
  // A point with one candidate.
  struct Point {
    ShapeParameters z;
    double e;
    double log_weight;
  };

  void add_candidate(std::span<const double> variance);
  // ln evidence over all candidates; what each of them has stays in of_candidate_ and squares_.
  double weigh(const FewPoints& bad);
  void keep(const FewPoints& bad);
  void grow(const FewPoints& bad, std::size_t depth);
  void grow_best_pairs();

  const Linearised& curve_;
  const Evidence& evidence_;
  std::size_t n_;
  std::vector<Whole> wholes_;  // of each candidate
  std::vector<Point> points_;  // of one candidate after the other
  std::vector<double> bad_point_;
  std::vector<Ranked> found_;
  std::vector<double> of_candidate_;  // of the hypothesis weighed last
  std::vector<double> squares_;
};

}  // namespace starwaist::curve
