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
  Seen(const std::vector<Annulus>& annuli, std::size_t summed, double step)
      : step_(step), edge_(step * static_cast<double>(summed)) {
    // The core counts as one, and so do a few beyond the edge.
    constexpr std::size_t kFew = 4;
    const auto core = std::min(static_cast<std::size_t>(1.0 / step), summed - 1);
    add(annuli, 0, core);
    for (std::size_t k = core; k < summed; ++k) add(annuli, k, k + 1);
    for (std::size_t k = summed; k < annuli.size(); k += kFew) {
      add(annuli, k, std::min(k + kFew, annuli.size()));
    }
    const double sky_sigma = annuli.back().pedestal_sigma;
    sky_weight_ = sky_sigma > 0 ? 1 / (sky_sigma * sky_sigma) : kNoSky;
  }

  // A star whose half-flux radius is `unit` first ones, on a sky that may be a little off.
  [[nodiscard]] Trial tried(const Profile& profile, double unit) const {
    double mm = 0;
    double ma = 0;
    double md = 0;
    double before = 1;
    for (const Part& part : parts_) {
      const double here = profile.beyond(part.outer / unit);
      const double model = std::exchange(before, here) - here;
      mm += part.weight * model * model;
      ma += part.weight * model * part.area;
      md += part.weight * model * part.light;
    }
    const double aa = aa_ + sky_weight_;
    const double determinant = mm * aa - ma * ma;
    const double amplitude = (md * aa - ad_ * ma) / determinant;
    const double sky = (ad_ * mm - md * ma) / determinant;
    const double at_edge = profile.beyond(edge_ / unit);
    return {dd_ - amplitude * md - sky * ad_, amplitude * at_edge,
            2 + std::log(std::max(profile.beyond((edge_ - step_) / unit), kLeast) /
                         std::max(at_edge, kLeast)) /
                    std::log(edge_ / (edge_ - step_)),
            profile.prior()};
  }

 private:
  static constexpr double kLeast = 1e-7;
  static constexpr double kNoSky = 1e12;
  struct Part {
    double outer = 0;
    double area = 0;  // of x^2
    double light = 0;
    double weight = 0;
  };

  // Annuli begin to end as one part.
  void add(const std::vector<Annulus>& annuli, std::size_t begin, std::size_t end) {
    // Of the light in an annulus: no star is quite the model (diffraction, the pixel, aberrations),
    // and its bright core must not choose wings by that.
    constexpr double kModel = 0.02;
    Part part;
    double variance = 0;
    for (std::size_t k = begin; k < end; ++k) {
      part.light += annuli[k].light;
      variance += annuli[k].sigma * annuli[k].sigma;
    }
    const double inner = step_ * static_cast<double>(begin);
    part.outer = step_ * static_cast<double>(end);
    part.area = part.outer * part.outer - inner * inner;
    part.weight = 1 / (variance + kModel * kModel * part.light * part.light);
    dd_ += part.weight * part.light * part.light;
    aa_ += part.weight * part.area * part.area;
    ad_ += part.weight * part.area * part.light;
    parts_.push_back(part);
  }

  double step_;
  double edge_;
  double dd_ = 0;
  double aa_ = 0;
  double ad_ = 0;
  double sky_weight_ = 0;  // of the sky's own error
  std::vector<Part> parts_;
};

}  // namespace

Wing wing_of(const std::vector<Annulus>& annuli, std::size_t summed, double step, double halo) {
  // The radii's unit is each star's half-flux radius as first measured, when the light beyond the
  // aperture was a guess: the true one may be larger.
  constexpr std::array kUnits{0.96, 0.98, 1.0, 1.02, 1.04, 1.06, 1.08, 1.1, 1.12, 1.15};
  const Seen seen(annuli, summed, step);
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
