#include "curve/accounts.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

#include "curve/fit_models.h"
#include "curve/located.h"
#include "curve/run_points.h"
#include "curve/verdict_facts.h"

namespace starwaist::curve {
namespace {

// What the points of one account say, on the scale of another run's samples.
struct Told {
  double weight = 0;
  double log_evidence = 0;
  int group = 0;
  std::vector<Component> parts;  // weights sum to 1
};

Component rescaled(Component part, const Samples& from, const Samples& to, double shift_steps) {
  const double factor = from.half_range_steps / to.half_range_steps;
  const auto place = [&](double t) { return to.scaled_position(from.steps(t) + shift_steps); };
  part.centre = place(part.centre);
  part.scale *= factor;
  for (Knot& knot : part.knots) knot.t = place(knot.t);
  return part;
}

// Where the sizes were changed, they are likelier or less likely by the change of scale.
double log_scale_of(const RunPoints& run) {
  double sum = 0;
  for (const double y : run.samples.y) sum += std::log(y * run.samples.size_unit_px);
  return sum;
}

// A standard error beyond every place that is looked at: the part knows nothing, and is open.
void open_where_it_knows_nothing(Component& part) {
  if (part.scale < kFarthestMinimum) return;
  part.knots = {{part.centre - 1, -0.01}, {part.centre + 1, 0.01}};
  part.open_low = part.open_high = true;
  part.centre = std::clamp(part.centre, -kFarthestMinimum, kFarthestMinimum);
}

Told told_by(const RunAccount& account, const Samples& scale, const Rig& rig,
             const FitOptions& options) {
  Told told{account.weight, 0, account.group, {}};
  const auto run = collect_points(account.points);
  if (!run || run->too_few()) return told;
  const FittedModels fitted = fit_models(*run, rig, options);
  double heaviest = 0;
  for (const ModelAnswer& answer : fitted.answers) {
    const double weight = answer.fit.weight.value_or(0.0);
    if (weight > heaviest) {
      heaviest = weight;
      told.log_evidence = answer.log_evidence + log_scale_of(*run);
    }
    for (const Component& part : answer.parts) {
      if (!(part.weight * weight > 0)) continue;
      Component moved = rescaled(part, run->samples, scale, account.shift_steps);
      moved.weight *= weight;
      open_where_it_knows_nothing(moved);
      moved = widened(std::move(moved), account.sigma_steps / scale.half_range_steps);
      if (moved.sound() && std::isfinite(moved.cdf(moved.centre))) {
        told.parts.push_back(std::move(moved));
      }
    }
  }
  normalise(told.parts);
  return told;
}

// See RunAccount::group.
void share_within_groups(std::vector<Told>& all) {
  std::map<int, std::vector<Told*>> groups;
  for (Told& told : all) {
    if (told.group != 0 && !told.parts.empty()) groups[told.group].push_back(&told);
  }
  for (const auto& [number, members] : groups) {
    const auto top = std::max_element(
        members.begin(), members.end(),
        [](const Told* a, const Told* b) { return a->log_evidence < b->log_evidence; });
    const double highest = (*top)->log_evidence;
    double before = 0;
    double after = 0;
    for (Told* told : members) {
      before += told->weight;
      told->weight *= std::exp(told->log_evidence - highest);
      after += told->weight;
    }
    for (Told* told : members) told->weight *= before / after;
  }
}

std::vector<Component> parts_of(std::vector<Told> all) {
  share_within_groups(all);
  std::vector<Component> parts;
  for (Told& told : all) {
    for (Component& part : told.parts) {
      part.weight *= told.weight;
      if (part.weight > 0) parts.push_back(std::move(part));
    }
  }
  if (!normalise(parts)) parts.clear();
  return parts;
}

}  // namespace

std::vector<CurvePoint> all_measured(std::vector<CurvePoint> points) {
  for (CurvePoint& point : points) {
    point.used = point.size_px.has_value();
    point.reason.reset();
  }
  return points;
}

void answer_by_accounts(std::span<const RunAccount> accounts, const Rig& rig,
                        const FitOptions& options, FitResult& fit) {
  const auto run = collect_points(all_measured(fit.points));
  if (!run || run->too_few()) return;
  const Samples& samples = run->samples;
  std::vector<Told> all;
  for (const RunAccount& account : accounts) {
    all.push_back(told_by(account, samples, rig, options));
  }
  const std::vector<Component> parts = parts_of(std::move(all));
  if (parts.empty()) return;
  take_focus(focus_of_parts(samples, parts, fit.critical_focus_zone_steps), fit);
  std::vector<bool> used;
  for (const std::size_t i : run->point_of_sample) used.push_back(fit.points[i].used);
  judge_fit(*run, used, rig, fit);
}

}  // namespace starwaist::curve
