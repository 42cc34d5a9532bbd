// What the trusted runs of one telescope say of its curve.
#include <algorithm>
#include <cmath>
#include <vector>

#include "curve/known_slope.h"
#include "curve/priors.h"
#include "starwaist/curve.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr int kParameters = 3;  // of the curve whose scatter is taken

// Robust standard deviation of a sample. From the median of a small one the deviations are too
// small: n / (n - 0.8) from ten values on, and within 2 % at eight and nine (Croux & Rousseeuw
// 1992, from memory).
double spread_of(const std::vector<double>& values) {
  const double n = static_cast<double>(values.size());
  return n / (n - 0.8) * robust_sigma(values);
}

// Standard deviation about 0 of what every run's points have between two shares of the seeing, by
// the median: the curve's own misfit, common to all runs, is an error as well. Absent without any.
std::optional<double> scatter_between(std::span<const ArmsOfRun> runs, double least, double most) {
  constexpr double kOfMedian = 1.4826022;  // as in robust_sigma
  std::vector<double> sizes;
  for (const ArmsOfRun& run : runs) {
    for (const ArmsOfRun::Deviation& d : run.deviations) {
      if (d.share_of_seeing >= least && d.share_of_seeing < most) {
        sizes.push_back(std::abs(d.relative));
      }
    }
  }
  if (sizes.empty()) return std::nullopt;
  return kOfMedian * median(sizes);
}

}  // namespace

std::optional<ArmsOfRun> arms_of(const FitResult& fit) {
  if (fit.verdict != Verdict::trusted) return std::nullopt;
  ArmsOfRun arms;
  arms.size = fit.size_measure;
  const auto model = std::find_if(fit.models.begin(), fit.models.end(),
                                  [](const ModelFit& m) { return m.model == curve::kModelOfArms; });
  if (model == fit.models.end() || !model->best_focus_steps || !model->slope_px_per_step ||
      !model->min_size_px) {
    return std::nullopt;
  }
  arms.slope_px_per_step = *model->slope_px_per_step;
  arms.min_size_px = *model->min_size_px;
  if (!(arms.slope_px_per_step > 0) || !(arms.min_size_px > 0)) return std::nullopt;
  for (const CurvePoint& p : fit.points) {
    if (!p.used || !p.size_px) continue;
    const auto curve = curve_size_px(*model, p.position_steps);
    if (!curve) return std::nullopt;
    // The hyperbola's share is near enough to every shape's.
    const double u =
        arms.slope_px_per_step * (p.position_steps - *model->best_focus_steps) / arms.min_size_px;
    arms.deviations.push_back({1 / (1 + u * u), *p.size_px / *curve - 1});
  }
  const auto points = static_cast<int>(arms.deviations.size());
  if (points <= kParameters) return std::nullopt;
  const double widened = std::sqrt(static_cast<double>(points) / (points - kParameters));
  for (ArmsOfRun::Deviation& deviation : arms.deviations) deviation.relative *= widened;
  return arms;
}

std::optional<KnownArms> learn_arms(std::span<const ArmsOfRun> runs) {
  constexpr std::size_t kFewest = 8;
  constexpr double kLargestSpread = 0.15;
  // Not one telescope either where this share lies farther off than twice that.
  constexpr double kLargestShareFarOff = 0.1;
  constexpr double kNear = 0.5;  // share of the seeing: within the curve's own width
  constexpr double kFar = 0.2;   // farther than twice that
  if (runs.size() < kFewest) return std::nullopt;
  std::vector<double> log_slopes;
  std::vector<double> log_sizes;
  for (const ArmsOfRun& run : runs) {
    if (run.size != runs.front().size) return std::nullopt;
    log_slopes.push_back(std::log(run.slope_px_per_step));
    log_sizes.push_back(std::log(run.min_size_px));
  }
  const double slope = median(log_slopes);
  const double spread = spread_of(log_slopes);
  const auto far_off = std::count_if(log_slopes.begin(), log_slopes.end(), [slope](double value) {
    return std::abs(value - slope) > 2 * kLargestSpread;
  });
  if (spread > kLargestSpread ||
      static_cast<double>(far_off) > kLargestShareFarOff * static_cast<double>(runs.size())) {
    return std::nullopt;
  }
  KnownArms arms;
  arms.size = runs.front().size;
  arms.runs = static_cast<int>(runs.size());
  arms.slope_px_per_step = std::exp(slope);
  // Of one more run: the spread, and the error of the median (pi / 2 times a mean's variance).
  const double of_one_more = std::sqrt(1 + 0.5 * M_PI / static_cast<double>(runs.size()));
  arms.slope_relative_sigma = std::max(spread * of_one_more, curve::kLeastSlopeSpread);
  arms.min_size_px = std::exp(median(log_sizes));
  arms.min_size_relative_spread =
      std::max(spread_of(log_sizes) * of_one_more, curve::kLeastSizeSpread);
  const auto near = scatter_between(runs, kNear, 2);
  const auto far = scatter_between(runs, 0, kFar);
  if (!near && !far) return std::nullopt;
  arms.scatter_far_out = far.value_or(*(near ? near : far));
  const double more =
      std::pow(near.value_or(arms.scatter_far_out), 2) - std::pow(arms.scatter_far_out, 2);
  arms.scatter_of_seeing = std::sqrt(std::max(0.0, more));
  return arms;
}

}  // namespace starwaist
