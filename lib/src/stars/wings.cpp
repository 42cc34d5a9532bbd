#include "stars/wings.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "stars/wing_table.h"

namespace starwaist::stars {
namespace {

// A row of the table with diffraction's halo spread over it.
class Profile {
 public:
  // The halo's light inside x is taken as 1 - h / sqrt(h^2 + x^2), which leaves h / x far out, and
  // the light inside x of both spread over each other as the product, good to two tenths of what
  // the halo leaves beyond three half-flux radii (Kolmogorov's seeing and f/5 with a shadow of
  // 0.35, by numerical transform).
  Profile(const wing_table::Row& row, double halo) : row_(&row), halo_(std::min(halo, kWidest)) {
    if (!(halo_ > 0)) return;
    // Half of the light of both lies inside 1: where the row alone has this much beyond.
    const double wanted = (1 - 0.5 / halo_inside(1)) / wing_table::kUnit;
    std::size_t k = 1;
    while (k + 1 < row.beyond.size() && static_cast<double>(row.beyond[k]) > wanted) ++k;
    const double above = row.beyond[k - 1];
    const double below = row.beyond[k];
    scale_ = wing_table::kStep *
             (static_cast<double>(k) - (above > below ? (wanted - below) / (above - below) : 0.0));
  }

  // Light beyond x half-flux radii of the whole.
  [[nodiscard]] double beyond(double x) const {
    const double place = scale_ * x / wing_table::kStep;
    const auto below = std::min(static_cast<std::size_t>(place), row_->beyond.size() - 2);
    const double alone =
        wing_table::kUnit * std::lerp(static_cast<double>(row_->beyond[below]),
                                      static_cast<double>(row_->beyond[below + 1]),
                                      std::min(place - static_cast<double>(below), 1.0));
    return halo_ > 0 ? 1 - (1 - alone) * halo_inside(x) : alone;
  }
  [[nodiscard]] double prior() const { return row_->prior; }

 private:
  // With more of a halo the star is diffraction's own pattern.
  static constexpr double kWidest = 0.4;

  [[nodiscard]] double halo_inside(double x) const { return 1 - halo_ / std::hypot(halo_, x); }

  const wing_table::Row* row_;
  double halo_;
  double scale_ = 1;  // of the whole's half-flux radius, in the row's own
};

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
    double light = 0;
    double variance = 0;
    for (std::size_t k = 0; k < core; ++k) {
      light += annuli[k].light;
      variance += annuli[k].sigma * annuli[k].sigma;
    }
    add(step * static_cast<double>(core), light, variance);
    for (std::size_t k = core; k < annuli.size(); ++k) {
      add(step * static_cast<double>(k + 1), annuli[k].light, annuli[k].sigma * annuli[k].sigma);
    }
  }

  // A star whose half-flux radius is `unit` first ones.
  [[nodiscard]] Trial tried(const Profile& profile, double unit) const {
    double mm = 0;
    double md = 0;
    double before = 1;
    double at_edge = 1;
    for (const Part& part : parts_) {
      before = std::exchange(at_edge, profile.beyond(part.outer / unit));
      const double model = before - at_edge;
      mm += part.weight * model * model;
      md += part.weight * model * part.light;
    }
    const double amplitude = md / mm;
    const double edge = parts_.back().outer;
    return {dd_ - amplitude * md, amplitude * at_edge,
            2 + std::log(std::max(before, kLeast) / std::max(at_edge, kLeast)) /
                    std::log(edge / (edge - step_)),
            profile.prior()};
  }

 private:
  static constexpr double kLeast = 1e-7;
  struct Part {
    double outer = 0;
    double light = 0;
    double weight = 0;
  };

  void add(double outer, double light, double variance) {
    // Of the light in an annulus: no star is quite the model (diffraction, the pixel, aberrations),
    // and its bright core must not choose wings by that.
    constexpr double kModel = 0.02;
    const double weight = 1 / (variance + kModel * kModel * light * light);
    parts_.push_back({outer, light, weight});
    dd_ += weight * light * light;
  }

  double step_;
  double dd_ = 0;
  std::vector<Part> parts_;
};

}  // namespace

Wing wing_of(const std::vector<Annulus>& annuli, double step, double halo) {
  // The radii's unit is each star's half-flux radius as first measured, when the light beyond the
  // aperture was a guess: the true one may be larger.
  constexpr std::array kUnits{0.96, 0.98, 1.0, 1.02, 1.04, 1.06, 1.08, 1.1, 1.12, 1.15};
  const Seen seen(annuli, step);
  std::vector<Trial> trials;
  trials.reserve(kUnits.size() * wing_table::kRows.size());
  for (const wing_table::Row& row : wing_table::kRows) {
    const Profile profile(row, halo);
    for (const double unit : kUnits) trials.push_back(seen.tried(profile, unit));
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
  // Kolmogorov seeing falls as r^(-11/3) (Roddier 1981, from memory), diffraction as r^-3, the
  // shallowest that a star does.
  const double shallowest = halo > 0 ? 3.0 : 11.0 / 3.0;
  constexpr double kSteepest = 24.0;
  Wing wing;
  wing.beyond = sum / weights;
  wing.sigma = std::sqrt(std::max(0.0, squares / weights - wing.beyond * wing.beyond));
  wing.power = std::clamp(powers / weights, shallowest, kSteepest);
  return wing;
}

}  // namespace starwaist::stars
