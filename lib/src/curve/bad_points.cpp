#include "curve/bad_points.h"

#include <algorithm>
#include <cmath>

#include "curve/model_answer.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"

namespace starwaist::curve {
namespace {

std::string reason_of(const CurvePoint& point, double curve_px, double sigma_px,
                      double probability) {
  // Less of their scatter is no deviation: the others follow no curve themselves.
  constexpr double kNotable = 2;
  const double deviation = *point.size_px - curve_px;
  const std::string size = "size " + format_fixed(*point.size_px, 2) + " px ";
  const std::string scatter = format_fixed(sigma_px, 3) + " px";
  const std::string bad =
      "; probability of a bad point " + format_fixed(100 * probability, 0) + " %";
  if (std::abs(deviation) < kNotable * sigma_px) {
    return size + "lies on no curve with the other points, which scatter by " + scatter +
           " about theirs" + bad;
  }
  return size + "is " + format_fixed(std::abs(deviation), 2) + " px " +
         (deviation > 0 ? "above" : "below") + " the curve through the other points (" +
         format_fixed(std::abs(deviation) / sigma_px, 1) + " times their scatter of " + scatter +
         ")" + bad;
}

}  // namespace

Rejection reject_points(const RunPoints& run, const std::vector<double>& bad,
                        const FitResult& result) {
  Rejection rejection{result.points, std::vector<bool>(run.samples.count(), true), {}};
  const ModelFit* shown = chosen_model(result);
  if (shown == nullptr || bad.empty()) return rejection;
  double squares = 0;
  int good = 0;
  for (std::size_t i = 0; i < bad.size(); ++i) {
    if (bad[i] > 0.5) continue;
    const CurvePoint& p = result.points[run.point_of_sample[i]];
    squares +=
        std::pow(*p.size_px - curve_size_px(*shown, p.position_steps).value_or(*p.size_px), 2);
    ++good;
  }
  const double scatter = std::sqrt(squares / std::max(1, good - kModelParameters));
  for (std::size_t i = 0; i < bad.size(); ++i) {
    CurvePoint& p = rejection.points[run.point_of_sample[i]];
    const auto size = curve_size_px(*shown, p.position_steps);
    if (bad[i] > 0.5 && size) {
      rejection.used[i] = false;
      p.used = false;
      p.reason = {codes::off_the_curve, reason_of(p, *size, scatter, bad[i])};
    } else if (bad[i] > 0.1) {
      rejection.notes.push_back(
          {codes::point_perhaps_bad,
           p.file + " at " + format_like_sigma(p.position_steps, std::nullopt) +
               " steps is a bad point with probability " + format_fixed(100 * bad[i], 0) +
               " %; the answer allows for both"});
    }
  }
  return rejection;
}

std::vector<Statement> notes_on_sigmas(const FitResult& result) {
  constexpr double kFactor = 3;  // either way
  // Deviations a third of their sigmas are luck in less than one of a hundred runs from here on
  // (chi-squared of 6 degrees of freedom).
  constexpr int kEnoughToSeeLuck = 9;
  const ModelFit* shown = chosen_model(result);
  if (shown == nullptr || !shown->reduced_chi_squared) return {};
  const double ratio = std::sqrt(*shown->reduced_chi_squared);
  const auto used = std::count_if(result.points.begin(), result.points.end(),
                                  [](const CurvePoint& p) { return p.used && p.sigma_px; });
  if (ratio > kFactor) {
    return {{codes::sigmas_too_small,
             "the sizes scatter about the curve by " + format_like_sigma(ratio, 0.1 * ratio) +
                 " times the sigmas given with them: the seeing changed from frame to frame, or "
                 "the sigmas "
                 "are too small; the interval goes by the scatter, not by the sigmas"}};
  }
  if (ratio < 1 / kFactor && used >= kEnoughToSeeLuck) {
    return {
        {codes::sigmas_too_large,
         "the sizes scatter about the curve by only " + format_like_sigma(ratio, 0.1 * ratio) +
             " times the sigmas given with them: the sigmas are too large, and the interval may be "
             "wider than it need be"}};
  }
  return {};
}

}  // namespace starwaist::curve
