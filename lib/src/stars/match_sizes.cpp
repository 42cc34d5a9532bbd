#include <algorithm>
#include <cmath>
#include <numeric>
#include <vector>

#include "numerics/robust.h"
#include "starwaist/stars.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr std::size_t kEnoughStars = 12;  // before stars that fewer frames see are let in
constexpr double kLeastSnr = 8.0;

struct Seen {
  double log_size = 0;
  double variance = 0;  // of log_size
};

// Sizes by star (rows) and frame (columns).
using Table = std::vector<std::vector<std::optional<Seen>>>;

const std::optional<double>& size_of(const Star& star, SizeMeasure kind) {
  return kind == SizeMeasure::hfr ? star.hfr_px : star.fwhm_px;
}

std::optional<Seen> seen(const Star& star, SizeMeasure kind) {
  if (!has_dependable_size(star, kind)) return std::nullopt;
  const std::optional<double>& size = size_of(star, kind);
  const double relative = *star.hfr_sigma_px / *star.hfr_px;
  return Seen{std::log(*size), std::max(relative * relative, 1e-10)};
}

// Stars of the reference frame against every frame.
Table star_table(const FrameGroup& frames, const Alignment& alignment, SizeMeasure kind) {
  Table table(frames[alignment.reference].stars.size(),
              std::vector<std::optional<Seen>>(frames.size(), std::nullopt));
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto& pairs = alignment.pairs[i];
    for (std::size_t k = 0; k < pairs.size(); ++k) {
      if (pairs[k]) table[*pairs[k]][i] = seen(frames[i].stars[k], kind);
    }
  }
  return table;
}

std::size_t frames_seeing(const std::vector<std::optional<Seen>>& row) {
  return static_cast<std::size_t>(
      std::count_if(row.begin(), row.end(), [](const auto& s) { return s.has_value(); }));
}

// Keeps the stars that all frames see, or, where those are too few, that fewer and fewer see, down
// to half of the frames.
Table widely_seen(const Table& table, std::size_t frames) {
  Table kept;
  for (std::size_t missing = 0; 2 * missing <= frames; ++missing) {
    kept.clear();
    for (const auto& row : table) {
      if (frames_seeing(row) + missing >= frames && frames_seeing(row) >= 2) kept.push_back(row);
    }
    if (kept.size() >= kEnoughStars) break;
  }
  return kept;
}

struct TwoWayFit {
  std::vector<std::optional<double>> log_size;  // by frame
  std::vector<double> sigma;
  std::vector<int> stars;
  std::vector<double> tau2;  // by frame: variance of a star beyond its own errors
};

// A residual beyond so many sigmas counts as one at them; the mean square of a normal one then.
constexpr double kWild = 2.5;
constexpr double kHeldSquares = 0.978;
constexpr int kFewestForScatter = 3;

// By moments: the variance beyond what is known, from residuals weighed by the variance that is
// thought of so far; a step of Fisher's scoring.
class Excess {
 public:
  // `variance`: the known one and what is thought. `freedom`: part of it that the residual can
  // show; a value that rules the centre lies near it whatever the spread.
  void add(double residual, double variance, double freedom = 1) {
    const double squares = std::min(residual * residual, kWild * kWild * variance);
    sum_ += (squares / variance / kHeldSquares - freedom) / variance;
    weight_ += freedom / (variance * variance);
  }
  [[nodiscard]] bool known() const { return weight_ > 0; }
  [[nodiscard]] double after(double thought) const {
    return std::max(0.0, thought + sum_ / weight_);
  }

 private:
  double sum_ = 0;
  double weight_ = 0;
};

double weight_of(double variance, double residual) {
  return numerics::huber_weight(residual / std::sqrt(variance)) / variance;
}

// The stars' ln sizes given the frames', their weighted mean zero.
void fit_stars(const Table& table, const TwoWayFit& fit, std::vector<double>& star) {
  double mean = 0;
  double mean_weight = 0;
  for (std::size_t j = 0; j < table.size(); ++j) {
    double sum = 0;
    double sum_w = 0;
    for (std::size_t i = 0; i < fit.log_size.size(); ++i) {
      if (!table[j][i] || !fit.log_size[i]) continue;
      const double value = table[j][i]->log_size - *fit.log_size[i];
      const double w = weight_of(table[j][i]->variance + fit.tau2[i], value - star[j]);
      sum += w * value;
      sum_w += w;
    }
    if (sum_w > 0) star[j] = sum / sum_w;
    mean += sum_w * star[j];
    mean_weight += sum_w;
  }
  if (mean_weight > 0) {
    for (double& s : star) s -= mean / mean_weight;
  }
}

// ln h_ij = a_i + s_j by alternating Huber means. How much stars scatter beyond their own errors is
// estimated for each frame: over a tilted or curved field each has its focus elsewhere, so that far
// out they differ by per cents which no brightness lessens, and a few bright stars must not rule.
TwoWayFit fit_two_way(const Table& table, std::size_t frames) {
  TwoWayFit fit;
  fit.log_size.assign(frames, std::nullopt);
  fit.sigma.assign(frames, 0.0);
  fit.stars.assign(frames, 0);
  std::vector<double> star(table.size(), 0.0);
  fit.tau2.assign(frames, 0.0);
  std::vector<double>& tau2 = fit.tau2;
  for (std::size_t i = 0; i < frames; ++i) {
    std::vector<double> first;
    for (const auto& row : table) {
      if (row[i]) first.push_back(row[i]->log_size);
    }
    if (!first.empty()) fit.log_size[i] = median(first);
  }
  for (int round = 0; round < 30; ++round) {
    fit_stars(table, fit, star);
    // Frames given the stars.
    double change = 0;
    for (std::size_t i = 0; i < frames; ++i) {
      if (!fit.log_size[i]) continue;
      numerics::RobustSums sums;
      Excess excess;
      for (std::size_t j = 0; j < table.size(); ++j) {
        if (!table[j][i]) continue;
        const double residual = table[j][i]->log_size - star[j] - *fit.log_size[i];
        sums.add(weight_of(table[j][i]->variance + tau2[i], residual), residual, residual);
        excess.add(residual, table[j][i]->variance + tau2[i]);
      }
      if (sums.empty()) continue;
      *fit.log_size[i] += sums.mean();
      change = std::max(change, std::abs(sums.mean()));
      fit.sigma[i] = sums.sigma();
      fit.stars[i] = static_cast<int>(sums.count());
      if (fit.stars[i] > kFewestForScatter) tau2[i] = excess.after(tau2[i]);
    }
    if (round > 3 && change < 1e-7) break;
  }
  return fit;
}

// The run's stars and frames as match_sizes takes them.
Table matched_table(const FrameGroup& frames, const Alignment& alignment, SizeMeasure kind) {
  const auto laid_frames =
      static_cast<std::size_t>(std::count_if(alignment.maps.begin(), alignment.maps.end(),
                                             [](const auto& map) { return map.has_value(); }));
  return widely_seen(star_table(frames, alignment, kind), laid_frames);
}

// A star's own focus against the run's, and its say in the run's.
struct StarFocus {
  double offset_steps = 0;
  double variance = 0;  // of the offset, by the star's errors
  double weight = 0;
};

// Regression of a star's deviations on the change of ln size with best focus.
std::optional<StarFocus> focus_of_star(const std::vector<std::optional<Seen>>& row,
                                       const TwoWayFit& fit,
                                       std::span<const double> by_focus_per_step) {
  struct Sums {
    double w = 0, g = 0, gg = 0, y = 0, gy = 0;
    int count = 0;
    void add(double weight, double slope, double value) {
      w += weight;
      g += weight * slope;
      gg += weight * slope * slope;
      y += weight * value;
      gy += weight * slope * value;
      ++count;
    }
    [[nodiscard]] double information() const { return gg - g * g / w; }
  };
  Sums own;      // by the star's errors alone
  Sums matched;  // by the weights of the matching
  for (std::size_t i = 0; i < row.size(); ++i) {
    if (!row[i] || !fit.log_size[i]) continue;
    const double deviation = row[i]->log_size - *fit.log_size[i];
    own.add(1 / row[i]->variance, by_focus_per_step[i], deviation);
    matched.add(1 / (row[i]->variance + fit.tau2[i]), by_focus_per_step[i], deviation);
  }
  constexpr int kFewestFrames = 3;
  if (own.count < kFewestFrames || !(own.information() > 0)) return std::nullopt;
  const double offset = (own.gy - own.g * own.y / own.w) / own.information();
  return StarFocus{offset, 1 / own.information(), matched.information()};
}

}  // namespace

std::optional<double> focus_error_of_stars(const FrameGroup& frames, const Alignment& alignment,
                                           SizeMeasure kind,
                                           std::span<const double> by_focus_per_step) {
  if (frames.empty()) return std::nullopt;
  const Table table = matched_table(frames, alignment, kind);
  const TwoWayFit fit = fit_two_way(table, frames.size());
  std::vector<StarFocus> found;
  for (const auto& row : table) {
    if (const auto star = focus_of_star(row, fit, by_focus_per_step)) found.push_back(*star);
  }
  constexpr std::size_t kFewestStars = 3;
  if (found.size() < kFewestStars) return std::nullopt;
  // The spread beyond the stars' own errors by the moments, wild stars held at a limit.
  double spread2 = 0;
  double centre = 0;
  for (int round = 0; round < 50; ++round) {
    double sum = 0;
    double sum_w = 0;
    for (const StarFocus& star : found) {
      const double variance = star.variance + spread2;
      const double w = weight_of(variance, star.offset_steps - centre);
      sum += w * star.offset_steps;
      sum_w += w;
    }
    centre = sum / sum_w;
    Excess excess;
    for (const StarFocus& star : found) {
      const double variance = star.variance + spread2;
      const double freedom = std::max(0.0, 1 - 1 / (variance * sum_w));
      excess.add(star.offset_steps - centre, variance, freedom);
    }
    if (!excess.known()) return std::nullopt;
    const double next = excess.after(spread2);
    if (std::abs(next - spread2) < 1e-6 * spread2) break;
    spread2 = next;
  }
  double weights = 0;
  double squares = 0;
  for (const StarFocus& star : found) {
    weights += star.weight;
    squares += star.weight * star.weight;
  }
  return std::sqrt(spread2 * squares) / weights;
}

bool has_dependable_size(const Star& star, SizeMeasure size) {
  if (!is_whole(star) || star.snr < kLeastSnr || !star.hfr_px || !star.hfr_sigma_px) return false;
  const std::optional<double>& value = size_of(star, size);
  return value && *value > 0;
}

namespace {

// A frame whose own summary is one of galaxies.
bool is_mostly_extended(const FrameMeasurement& frame) {
  const auto extended = std::count_if(frame.stars.begin(), frame.stars.end(),
                                      [](const Star& star) { return star.extended; });
  return 2 * static_cast<std::size_t>(extended) > frame.stars.size();
}

}  // namespace

std::vector<MatchedSize> match_sizes(const FrameGroup& frames, const Alignment& alignment,
                                     SizeMeasure kind) {
  std::vector<MatchedSize> sizes(frames.size());
  if (frames.empty()) return sizes;
  const Table table = matched_table(frames, alignment, kind);
  const TwoWayFit fit = fit_two_way(table, frames.size());
  // Where the whole run has one or two, they are more than a frame's own, which may be none.
  const int fewest_shared = std::clamp(static_cast<int>(table.size()), 1, 3);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    MatchedSize& out = sizes[i];
    const bool extended = is_mostly_extended(frames[i]);
    if (fit.log_size[i] && fit.stars[i] >= (extended ? 1 : fewest_shared)) {
      out.size_px = std::exp(*fit.log_size[i]);
      const double shared =
          frames[i].hfr_px ? frames[i].hfr_shared_sigma_px.value_or(0) / *frames[i].hfr_px : 0.0;
      out.sigma_px =
          *out.size_px * std::hypot(fit.sigma[i], kind == SizeMeasure::hfr ? shared : 0.0);
      out.stars = fit.stars[i];
      out.matched = true;
      continue;
    }
    if (extended) continue;
    out.size_px = kind == SizeMeasure::hfr ? frames[i].hfr_px : frames[i].fwhm_px;
    out.sigma_px = kind == SizeMeasure::hfr ? frames[i].hfr_sigma_px : frames[i].fwhm_sigma_px;
    out.stars = frames[i].star_count;
  }
  return sizes;
}

}  // namespace starwaist
