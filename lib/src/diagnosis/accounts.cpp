#include "diagnosis/accounts.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <optional>
#include <string>
#include <utility>

#include "curve/growing_blur.h"
#include "curve/priors.h"
#include "diagnosis/phrases.h"

namespace starwaist::diagnosis {
namespace {

using curve::RunAccount;

// Below this an account, or all of them together, changes nothing that could be seen.
constexpr double kLeastWeight = 0.002;

double chance_of(const Accepted& accepted) { return probability_of(accepted.candidate.log_odds); }

using Points = std::vector<CurvePoint>;

Points moved_by(Points points, const std::vector<double>& steps) {
  for (std::size_t i = 0; i < steps.size(); ++i) points[i].position_steps += steps[i];
  return points;
}

Points without(Points points, const std::vector<std::size_t>& which) {
  for (const std::size_t i : which) points[i].used = false;
  return points;
}

std::vector<std::size_t> spoiled_by(std::span<const Accepted> accepted) {
  std::vector<std::size_t> spoiled;
  for (const Accepted& cause : accepted) {
    const auto& more = cause.candidate.spoiled;
    spoiled.insert(spoiled.end(), more.begin(), more.end());
  }
  return spoiled;
}

// The least certain of the causes that spoiled points.
double chance_of_spoiled(std::span<const Accepted> accepted) {
  double chance = 1;
  for (const Accepted& cause : accepted) {
    if (!cause.candidate.spoiled.empty()) chance = std::min(chance, chance_of(cause));
  }
  return chance;
}

// Of best focus at the middle of the run against that at its beginning, where the focus jumped
// before point `at`: both, where that is the middle.
struct MiddleShift {
  double share;
  double steps;
};
std::vector<MiddleShift> middle_of_jump(std::size_t at, double amount_steps, std::size_t count) {
  if (2 * at == count) return {{0.5, 0}, {0.5, -amount_steps}};
  return {{1, 2 * at < count ? -amount_steps : 0.0}};
}

// Replaces each account by such with and without a blur that grows with the fog, by all amounts
// that are possible; how well the points then follow a curve decides between these.
void add_fog(const RunView& run, const Accepted& fog, std::vector<RunAccount>& accounts) {
  if (!run.curve()) return;
  constexpr std::array kGrowths{0.0, 0.07, 0.15, 0.25, 0.35, 0.5, 0.65, 0.8, 1.0, 1.3};
  curve::GrowingBlur blur;
  blur.thickness = fog.candidate.thickness;
  blur.obstruction = run.record().rig.obstruction.value_or(curve::kUsualObstructionOfShadow);
  blur.best_focus_steps = run.curve()->best_focus_steps;
  blur.smallest_px = run.curve()->smallest_px;
  blur.slope_px_per_step = run.curve()->slope_px_per_step;
  std::vector<RunAccount> all;
  const double chance = chance_of(fog);
  int group = 0;
  for (const RunAccount& account : accounts) {
    ++group;
    RunAccount clear = account;
    clear.weight *= 1 - chance;
    all.push_back(clear);
    for (const double growth : kGrowths) {
      RunAccount foggy = account;
      foggy.weight *= chance / kGrowths.size();
      blur.growth = growth;
      foggy.points = curve::without_growth(account.points, blur);
      foggy.group = group;
      all.push_back(std::move(foggy));
    }
  }
  accounts = std::move(all);
}

void add_moved(const Account& account, double probability, bool is_jump, const Points& base,
               std::vector<RunAccount>& accounts) {
  if (probability < kLeastWeight) return;
  for (const Account::Variant& variant : account.variants) {
    const auto shifts = is_jump ? middle_of_jump(variant.at, variant.amount_steps, base.size())
                                : std::vector<MiddleShift>{{1, 0}};
    for (const MiddleShift& shift : shifts) {
      RunAccount& made = accounts.emplace_back();
      made.weight = probability * variant.weight * shift.share;
      made.points = moved_by(base, variant.moved_steps);
      made.shift_steps = shift.steps;
    }
  }
}

// Best focus beyond the points, or near their end, rests on the shape of one arm, which no model
// gives better than to some per cent: best focus errs in proportion to how far it lies from them.
// Set on runs of bench/diagnosis_bench whose best focus lay outside; no source.
void widen_far_from_points(const FitResult& fit, std::vector<RunAccount>& accounts) {
  if (!fit.best_focus_steps) return;
  constexpr double kOfDistance = 0.07;
  constexpr double kNear = 0.35;  // of the range, from its middle: both arms show there
  std::optional<std::pair<double, double>> ends;
  for (const CurvePoint& point : fit.points) {
    if (!point.used) continue;
    const double x = point.position_steps;
    ends = ends ? std::pair(std::min(ends->first, x), std::max(ends->second, x)) : std::pair(x, x);
  }
  if (!ends) return;
  const double middle = 0.5 * (ends->first + ends->second);
  const double near = kNear * (ends->second - ends->first);
  const double far = std::max(0.0, std::abs(*fit.best_focus_steps - middle) - near);
  for (RunAccount& account : accounts) account.sigma_steps = kOfDistance * far;
}

// Where something happened, it leaves more in the sizes than the accounts take out (frames that are
// clipped, dimmed or trailed scatter by more than their errors), and an assumed drift is not known
// exactly. Set on runs of bench/diagnosis_bench; no source.
void widen_by_causes(const FitResult& fit, double moved, std::vector<RunAccount>& accounts) {
  constexpr double kOfSigma = 0.5;
  constexpr double kOfSigmaWhereMoved = 0.9;  // amount and frame are each taken at their best
  const double share = kOfSigma + (kOfSigmaWhereMoved - kOfSigma) * moved;
  const double left = share * fit.best_focus_sigma_steps.value_or(0);
  for (RunAccount& account : accounts) account.sigma_steps = std::hypot(account.sigma_steps, left);
}

// By how far the focus had drifted when the sweep passed best focus, where that is only assumed.
void widen_by_drift(const FitResult& fit, const Accepted& thermal,
                    std::vector<RunAccount>& accounts) {
  const std::vector<double>& moved = thermal.candidate.perhaps_moved_steps;
  if (moved.empty() || !fit.best_focus_steps) return;
  std::size_t nearest = 0;
  for (std::size_t i = 1; i < moved.size(); ++i) {
    const auto away = [&](std::size_t k) {
      return std::abs(fit.points[k].position_steps - *fit.best_focus_steps);
    };
    if (away(i) < away(nearest)) nearest = i;
  }
  for (RunAccount& account : accounts) {
    account.sigma_steps = std::hypot(account.sigma_steps, moved[nearest]);
  }
}

// Jumps too small to be found are more frequent than the odds of one that is found count with.
// Without sigmas the noise itself is open, and a jump too easily explains it: there the odds count
// for less. No source; held against bench/diagnosis_bench and 3428 real sweeps without sigmas.
double chance_of_jump(double probability, bool has_sigmas) {
  const double factor = has_sigmas ? 2 : 0.5;
  return factor * probability / (1 + (factor - 1) * probability);
}

const Accepted* found(std::span<const Accepted> accepted, const std::string& cause) {
  const auto place = std::find_if(accepted.begin(), accepted.end(),
                                  [&](const Accepted& one) { return one.cause == cause; });
  return place == accepted.end() ? nullptr : &*place;
}

// What the curves of the field's own stars say of best focus of its median star beside what the
// run's curve and `median_shift_steps` say. Only where the field is plainly not flat do they know
// better, and only of a focus that did not move.
double own_shift_steps(const RunRecord& record, std::span<const Accepted> accepted) {
  const bool shaped =
      found(accepted, "field_tilt") != nullptr || found(accepted, "field_curvature") != nullptr;
  if (!shaped || !record.field_focus || !record.fit.best_focus_steps) return 0;
  const FieldFocus& field = *record.field_focus;
  return field.compromise_focus_steps - field.median_shift_steps - *record.fit.best_focus_steps;
}

void shift_to_median(const FieldFocus& field, std::vector<RunAccount>& accounts) {
  for (RunAccount& account : accounts) {
    account.shift_steps += field.median_shift_steps;
    account.sigma_steps = std::hypot(account.sigma_steps, field.median_shift_sigma_steps);
  }
}

}  // namespace

std::vector<RunAccount> accounts_of(const RunView& first, std::span<const Accepted> accepted) {
  const RunRecord& record = first.record();
  if (record.options.known_arms || record.options.model) return {};
  const std::vector<std::size_t> spoiled = spoiled_by(accepted);
  const Accepted* thermal = found(accepted, "thermal_drift");
  const std::vector<double> drifted =
      thermal != nullptr ? thermal->candidate.moved_steps : std::vector<double>();
  // Weighing the rivals is most of a diagnosis: not again where nothing is changed.
  const RunView run = spoiled.empty() && drifted.empty() ? first : first.with(spoiled, drifted);
  if (!run.rivals()) return {};
  const Rivals& rivals = *run.rivals();
  const Points all = moved_by(curve::all_measured(record.fit.points), drifted);
  const Points good = without(all, spoiled);

  std::vector<RunAccount> accounts;
  const bool has_sigmas =
      std::any_of(record.fit.points.begin(), record.fit.points.end(),
                  [](const CurvePoint& point) { return point.sigma_px.has_value(); });
  const double slack = probability_of(rivals.slack.log_odds);
  const double stopped = probability_of(rivals.no_motion.log_odds);
  const double jumped = chance_of_jump(probability_of(rivals.focus_jump.log_odds), has_sigmas);
  const double moved = std::min(1.0, slack + stopped + jumped);
  const double chance = spoiled.empty() ? 0 : chance_of_spoiled(accepted);
  const double own_shift = own_shift_steps(record, accepted);
  accounts.push_back({(1 - moved) * (1 - chance), all, own_shift});
  if (chance > 0) accounts.push_back({(1 - moved) * chance, good, own_shift});
  add_moved(rivals.slack, slack, false, good, accounts);
  add_moved(rivals.no_motion, stopped, false, good, accounts);
  add_moved(rivals.focus_jump, jumped, true, good, accounts);
  if (const Accepted* fog = found(accepted, "fogging")) add_fog(run, *fog, accounts);
  widen_far_from_points(record.fit, accounts);
  if (!accepted.empty()) widen_by_causes(record.fit, moved, accounts);
  if (thermal != nullptr) widen_by_drift(record.fit, *thermal, accounts);
  const bool plain = accounts.size() == 1 && thermal == nullptr;
  if (plain && !record.field_focus && accounts.front().sigma_steps == 0) return {};
  if (record.field_focus) shift_to_median(*record.field_focus, accounts);
  return accounts;
}

}  // namespace starwaist::diagnosis
