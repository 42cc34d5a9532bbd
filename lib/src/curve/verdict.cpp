#include "curve/verdict.h"

#include <algorithm>
#include <cmath>

#include "starwaist/numbers.h"

namespace starwaist::curve {
namespace {

std::string number(double value, std::optional<double> sigma = std::nullopt) {
  return format_like_sigma(value, sigma);
}

class Judge {
 public:
  explicit Judge(const VerdictFacts& facts) : f_(facts) {}

  Judgement run() {
    if (!enough_points()) return result_;
    if (!minimum_located()) return result_;
    few_points();
    inside_range();
    both_sides();
    rises_above_noise();
    narrow_enough();
    possible_slope();
    if (f_.parabola_answers) {
      lower(
          Verdict::doubtful,
          "the answer rests on the parabola, which follows the curve only near its minimum and is "
          "pulled to the side where more was sampled");
    }
    return result_;
  }

 private:
  void lower(Verdict to, std::string reason) {
    result_.verdict = std::max(result_.verdict, to);
    result_.reasons.push_back(std::move(reason));
  }

  bool enough_points() {
    if (f_.used_points >= VerdictRules::kFewestPoints && f_.used_positions >= 3) return true;
    if (f_.used_points < VerdictRules::kFewestPoints) {
      lower(Verdict::unusable, "only " + count_of(f_.used_points, "usable point") + "; " +
                                   std::to_string(VerdictRules::kFewestPoints) +
                                   " are the least that a curve can be fitted to");
    } else {
      lower(Verdict::unusable, "the points lie at only " +
                                   count_of(f_.used_positions, "focuser position") +
                                   "; at least 3 different ones are needed");
    }
    return false;
  }

  bool minimum_located() {
    if (f_.peaks_inside) {
      lower(Verdict::unusable,
            "the sizes are largest inside the range (" + number(f_.largest_seen_px) +
                " px) and fall towards both ends, as no focus curve does; are positions and sizes "
                "in the right columns?");
      return false;
    }
    if (f_.best_focus_steps) return true;
    std::string why = "no minimum located: ";
    if (f_.largest_seen_px > 0 && f_.largest_seen_px == f_.smallest_seen_px) {
      why += "every size is " + number(f_.smallest_seen_px) +
             " px; did the focuser move, and are the sizes measured at each position?";
    } else if (f_.noise_px > 0 && largest_rise() < VerdictRules::kRiseOverNoise * f_.noise_px) {
      why += "the sizes lie between " + number(f_.smallest_seen_px) + " and " +
             number(f_.largest_seen_px) + " px, and scatter by " + number(f_.noise_px) +
             " px about the best curve; widen the sweep";
    } else if (f_.interval_95_steps.bounded()) {
      why += "best focus may lie anywhere from " + number(*f_.interval_95_steps.low, range() / 20) +
             " to " + number(*f_.interval_95_steps.high, range() / 20) +
             " steps, most of it outside the sampled range (" +
             number(f_.lowest_position_steps, range() / 20) + " to " +
             number(f_.highest_position_steps, range() / 20) + ")";
    } else if (f_.interval_95_steps.low && !f_.interval_95_steps.high) {
      why += "best focus may lie anywhere above " +
             number(*f_.interval_95_steps.low, range() / 20) + " steps; sample larger positions";
    } else if (f_.interval_95_steps.high && !f_.interval_95_steps.low) {
      why += "best focus may lie anywhere below " +
             number(*f_.interval_95_steps.high, range() / 20) + " steps; sample smaller positions";
    } else {
      why += "the " + count_of(f_.used_points, "usable point") +
             " do not bound best focus on either side";
    }
    lower(Verdict::unusable, why);
    return false;
  }

  void few_points() {
    if (f_.used_points < VerdictRules::kTrustedPoints) {
      lower(Verdict::doubtful, "only " + count_of(f_.used_points, "usable point") + ": " +
                                   std::to_string(VerdictRules::kTrustedPoints) +
                                   " are needed to check the curve and not only to draw it");
    } else if (f_.used_positions < VerdictRules::kTrustedPositions) {
      lower(Verdict::doubtful, "only " + count_of(f_.used_positions, "different position") +
                                   ": at least " + std::to_string(VerdictRules::kTrustedPositions) +
                                   " are needed to check the curve");
    }
    if (3 * f_.rejected_points > f_.used_points + f_.rejected_points) {
      lower(Verdict::doubtful, std::to_string(f_.rejected_points) + " of " +
                                   std::to_string(f_.used_points + f_.rejected_points) +
                                   " points do not fit the others");
    }
  }

  void inside_range() {
    const double best = *f_.best_focus_steps;
    if (best >= f_.lowest_position_steps && best <= f_.highest_position_steps) return;
    const bool above = best > f_.highest_position_steps;
    const double edge = above ? f_.highest_position_steps : f_.lowest_position_steps;
    const bool far = std::abs(best - edge) > 0.25 * range();
    lower(far ? Verdict::unusable : Verdict::doubtful,
          "best focus " + number(best, range() / 20) + " lies outside the sampled range (" +
              number(f_.lowest_position_steps, range() / 20) + " to " +
              number(f_.highest_position_steps, range() / 20) + "); sample " +
              (above ? "larger" : "smaller") + " positions");
    outside_ = true;
  }

  void both_sides() {
    if (outside_) return;
    const int fewest = std::min(f_.points_below, f_.points_above);
    if (fewest >= VerdictRules::kPointsPerSide) return;
    lower(Verdict::doubtful, "only " + count_of(fewest, "usable point") + " at positions " +
                                 (f_.points_below < f_.points_above ? "below" : "above") +
                                 " best focus; " + std::to_string(VerdictRules::kPointsPerSide) +
                                 " are needed on each side");
  }

  void rises_above_noise() {
    if (outside_) return;
    const double least = std::max(VerdictRules::kRiseOverNoise * f_.noise_px,
                                  VerdictRules::kRiseOverSmallest * f_.smallest_size_px);
    const double rise = std::min(f_.size_at_lowest_px, f_.size_at_highest_px) - f_.smallest_size_px;
    if (rise >= least) return;
    lower(Verdict::doubtful,
          "towards " +
              std::string(f_.size_at_lowest_px < f_.size_at_highest_px ? "smaller" : "larger") +
              " positions the curve rises by only " + number(rise) + " px above its smallest " +
              number(f_.smallest_size_px) + " px, with a noise of " + number(f_.noise_px) +
              " px; widen the sweep");
  }

  void narrow_enough() {
    const double core = std::min(f_.core_width_steps.value_or(0.5 * range()), 0.5 * range());
    double allowed = VerdictRules::kHalfWidthOverCore * core;
    std::string against = "a third of the curve's own width (" + number(core) + " steps)";
    if (f_.zone_steps && 0.5 * *f_.zone_steps > allowed) {
      allowed = 0.5 * *f_.zone_steps;
      against = "half of the critical focus zone (" + number(*f_.zone_steps) + " steps)";
    }
    std::string how;
    double half_width = 0;
    const Interval& interval = f_.interval_95_steps;
    if (interval.bounded()) {
      half_width = 0.5 * (*interval.high - *interval.low);
      if (half_width <= allowed) return;
      how = "best focus is uncertain by +-" + number(half_width) +
            " steps (95 % interval), more than " + against;
    } else {
      half_width = 0.5 * range();
      how =
          "best focus is known to one sigma only" +
          (f_.sigma_steps ? " (+-" + number(*f_.sigma_steps) + " steps)" : "") +
          ", the 95 % interval is open " +
          (interval.low    ? "above " + number(*interval.low) + " steps; sample larger positions"
           : interval.high ? "below " + number(*interval.high) + " steps; sample smaller positions"
                           : "on both sides; sample more positions near it and beyond");
    }
    // Two sigmas, not the 95 % interval: with two degrees of freedom that is four sigmas wide and
    // says more about what is not known of the noise than about best focus.
    const double spread = f_.sigma_steps ? 2 * *f_.sigma_steps : half_width;
    const double nothing_learnt = VerdictRules::kHalfWidthOverRange * range();
    lower(spread > std::max({core, 2 * allowed, nothing_learnt}) ? Verdict::unusable
                                                                 : Verdict::doubtful,
          how);
  }

  void possible_slope() {
    if (!f_.slope_px_per_step || !f_.expected_slope_px_per_step) return;
    const double ratio = *f_.slope_px_per_step / *f_.expected_slope_px_per_step;
    if (ratio < VerdictRules::kSlopeFactor && ratio > 1 / VerdictRules::kSlopeFactor) return;
    lower(Verdict::doubtful,
          "the arms rise by " + number(*f_.slope_px_per_step) + " px per step, " + number(ratio) +
              " times what the rig gives (" + number(*f_.expected_slope_px_per_step) +
              "): the given um per step, the binning (pixel size) or the f-number is wrong, or the "
              "focuser did not move as told");
  }

  [[nodiscard]] double range() const {
    return f_.highest_position_steps - f_.lowest_position_steps;
  }
  [[nodiscard]] double largest_rise() const {
    return std::max(f_.size_at_lowest_px, f_.size_at_highest_px) - f_.smallest_size_px;
  }

  const VerdictFacts& f_;
  Judgement result_;
  bool outside_ = false;
};

}  // namespace

Judgement judge(const VerdictFacts& facts) { return Judge(facts).run(); }

}  // namespace starwaist::curve
