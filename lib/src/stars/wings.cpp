#include "stars/wings.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "stars/wing_table.h"

namespace starwaist::stars {
namespace {

// Light of a row of the table beyond x of its half-flux radii.
double beyond(const wing_table::Row& row, double x) {
  const double place = x / wing_table::kStep;
  const auto below = std::min(static_cast<std::size_t>(place), row.beyond.size() - 2);
  return wing_table::kUnit * std::lerp(static_cast<double>(row.beyond[below]),
                                       static_cast<double>(row.beyond[below + 1]),
                                       place - static_cast<double>(below));
}

// How well a star's light fits the annuli: chi squared, and what it leaves beyond the last.
struct Trial {
  double chi_squared = 0;
  double beyond = 0;
  double power = 0;
  double prior = 0;
};

// Annuli as the trials see them.
class Seen {
 public:
  Seen(const std::vector<Annulus>& annuli, double step) : step_(step) {
    // The core counts as one.
    const auto core = std::min(static_cast<std::size_t>(1.0 / step), annuli.size() - 1);
    Part inside{0, step * static_cast<double>(core), 0, 0};
    for (std::size_t k = 0; k < core; ++k) {
      inside.light += annuli[k].light;
      inside.weight += annuli[k].sigma * annuli[k].sigma;
    }
    parts_.push_back(inside);
    for (std::size_t k = core; k < annuli.size(); ++k) {
      const double outer = step * static_cast<double>(k + 1);
      parts_.push_back({outer - step, outer, annuli[k].light, annuli[k].sigma * annuli[k].sigma});
    }
    // Of the light in an annulus: no star is quite the model (diffraction, the pixel, aberrations),
    // and its bright core must not choose wings by that.
    constexpr double kModel = 0.02;
    for (Part& part : parts_) {
      part.weight = 1 / (part.weight + kModel * kModel * part.light * part.light);
      dd_ += part.weight * part.light * part.light;
    }
  }

  // A row whose half-flux radius is `unit` first ones.
  [[nodiscard]] Trial tried(const wing_table::Row& row, double unit) const {
    double mm = 0;
    double md = 0;
    double before = 1;
    double at_edge = 1;
    for (const Part& part : parts_) {
      before = std::exchange(at_edge, beyond(row, part.outer / unit));
      const double model = before - at_edge;
      mm += part.weight * model * model;
      md += part.weight * model * part.light;
    }
    const double amplitude = md / mm;
    const double edge = parts_.back().outer;
    return {dd_ - amplitude * md, amplitude * at_edge,
            2 + std::log(std::max(before, kLeast) / std::max(at_edge, kLeast)) /
                    std::log(edge / (edge - step_)),
            row.prior};
  }

 private:
  static constexpr double kLeast = 1e-7;
  struct Part {
    double inner = 0;
    double outer = 0;
    double light = 0;
    double weight = 0;
  };
  double step_;
  double dd_ = 0;
  std::vector<Part> parts_;
};

}  // namespace

Wing wing_of(const std::vector<Annulus>& annuli, double step) {
  // The radii's unit is each star's half-flux radius as first measured, when the light beyond the
  // aperture was a guess: the true one may be larger.
  constexpr std::array kUnits{0.96, 0.98, 1.0, 1.02, 1.04, 1.06, 1.08, 1.1, 1.12, 1.15};
  const Seen seen(annuli, step);
  std::vector<Trial> trials;
  trials.reserve(kUnits.size() * wing_table::kRows.size());
  for (const double unit : kUnits) {
    for (const wing_table::Row& row : wing_table::kRows) trials.push_back(seen.tried(row, unit));
  }
  double least = trials.front().chi_squared;
  for (const Trial& t : trials) least = std::min(least, t.chi_squared);
  double weights = 0;
  double sum = 0;
  double squares = 0;
  double powers = 0;
  for (const Trial& t : trials) {
    const double weight = t.prior * std::exp(-0.5 * (t.chi_squared - least));
    weights += weight;
    sum += weight * t.beyond;
    squares += weight * t.beyond * t.beyond;
    powers += weight * t.power;
  }
  // Kolmogorov seeing falls as r^(-11/3), the shallowest that a star does (Roddier 1981, from
  // memory).
  constexpr double kShallowest = 11.0 / 3.0;
  constexpr double kSteepest = 24.0;
  Wing wing;
  wing.beyond = sum / weights;
  wing.sigma = std::sqrt(std::max(0.0, squares / weights - wing.beyond * wing.beyond));
  wing.power = std::clamp(powers / weights, kShallowest, kSteepest);
  return wing;
}

}  // namespace starwaist::stars
