#include "diagnosis/rivals.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <map>
#include <set>

#include "diagnosis/focuser_places.h"
#include "diagnosis/weigher.h"

namespace starwaist::diagnosis {
namespace {

constexpr std::size_t kFewestPoints = 5;
constexpr std::size_t kMostForPairs = 24;

struct Best {
  double log_evidence = kNone;  // of all variants
  Weighed weighed;
  Variant variant;
  std::vector<std::pair<Variant, double>> near;  // those weighed in full, with their evidence
};

Best best_of(Weigher& weigher, const std::vector<Variant>& variants) {
  constexpr double kNear = 5;
  std::vector<double> rough;
  double top = kNone;
  for (const Variant& v : variants) {
    rough.push_back(weigher.weigh(v.places, {}, true).log_evidence + v.log_prior);
    top = std::max(top, rough.back());
  }
  Best best;
  double highest = kNone;
  for (std::size_t i = 0; i < variants.size(); ++i) {
    if (rough[i] < top - kNear) continue;
    const Weighed w = weigher.weigh(variants[i].places);
    const double value = w.log_evidence + variants[i].log_prior;
    best.log_evidence = log_sum(best.log_evidence, value);
    best.near.emplace_back(variants[i], value);
    if (value <= highest) continue;
    highest = value;
    best.weighed = w;
    best.variant = variants[i];
  }
  return best;
}

// By point of the record.
std::vector<double> moved_steps_of(const Variant& variant, const Weigher& weigher,
                                   const RunView& run) {
  std::vector<double> moved(run.count(), 0.0);
  for (std::size_t k = 0; k < weigher.count(); ++k) {
    moved[weigher.which()[k]] =
        (variant.places[k] - weigher.commanded()[k]) * weigher.samples().half_range_steps;
  }
  return moved;
}

// The same account with another amount.
using WithAmount = std::function<Variant(const Variant&, double)>;

// An amount's likeliest value and its standard error, both of its logarithm.
struct AmountFound {
  double log_amount = 0;
  double sigma = 0;
};

// From a start on the grid of amounts: parabolas through three evidences, closer each time.
AmountFound find_amount(Weigher& weigher, const Variant& start, const WithAmount& with_amount) {
  const double sign = start.amount < 0 ? -1 : 1;
  const auto evidence = [&](double log_amount) {
    return weigher.weigh(with_amount(start, sign * std::exp(log_amount)).places).log_evidence;
  };
  AmountFound found{std::log(std::abs(start.amount)), 0.05};
  constexpr double kFirstStep = 0.12;  // half of the grid's
  constexpr double kLeastSigma = 1e-3;
  constexpr int kRounds = 4;
  double step = kFirstStep;
  double middle = evidence(found.log_amount);
  for (int round = 0; round < kRounds; ++round) {
    const double low = evidence(found.log_amount - step);
    const double high = evidence(found.log_amount + step);
    const double bend = low - 2 * middle + high;
    const double move =
        bend < 0 ? std::clamp(0.5 * (low - high) / bend, -1.0, 1.0) : (high > low ? 1.0 : -1.0);
    if (bend < 0) found.sigma = std::clamp(step / std::sqrt(-bend), kLeastSigma, 0.25);
    const double next = found.log_amount + move * step;
    const double there = evidence(next);
    if (there > middle) {
      found.log_amount = next;
      middle = there;
    }
    step = std::max(0.5 * found.sigma, step / 3);
  }
  return found;
}

// Variants with the same frame and sign.
struct Group {
  Variant top;
  double evidence = kNone;  // of `top`
  double sum = kNone;
};

// The heaviest first.
std::vector<Group> groups_of(const Best& best) {
  std::map<std::pair<std::size_t, bool>, Group> groups;
  for (const auto& [variant, evidence] : best.near) {
    Group& group = groups[{variant.at, variant.amount < 0}];
    group.sum = log_sum(group.sum, evidence);
    if (evidence <= group.evidence) continue;
    group.evidence = evidence;
    group.top = variant;
  }
  std::vector<Group> all;
  for (auto& [key, group] : groups) all.push_back(std::move(group));
  std::sort(all.begin(), all.end(), [](const Group& a, const Group& b) { return a.sum > b.sum; });
  return all;
}

struct WeightedVariant {
  Variant variant;
  double weight = 0;
};

// The likeliest frames, as many as hold all but a fiftieth of the account; of each the amounts
// within two standard errors. The weights sum to 1.
std::vector<WeightedVariant> near_variants(const Best& best, Weigher& weigher,
                                           const WithAmount& with_amount) {
  constexpr double kEnough = 0.98;
  constexpr std::size_t kMost = 6;
  constexpr std::array kErrors{-1.8, -0.9, 0.0, 0.9, 1.8};
  const std::vector<Group> all = groups_of(best);
  std::vector<WeightedVariant> variants;
  double held = 0;
  for (std::size_t k = 0; k < std::min(kMost, all.size()) && held < kEnough; ++k) {
    const Variant& top = all[k].top;
    const double weight = std::exp(all[k].sum - best.log_evidence);
    held += weight;
    if (!with_amount) {
      variants.push_back({top, weight});
      continue;
    }
    const AmountFound found = find_amount(weigher, top, with_amount);
    const double sign = top.amount < 0 ? -1 : 1;
    for (const double error : kErrors) {
      const double amount = sign * std::exp(found.log_amount + error * found.sigma);
      variants.push_back({with_amount(top, amount), weight * std::exp(-0.5 * error * error)});
    }
  }
  double total = 0;
  for (const WeightedVariant& near : variants) total += near.weight;
  for (WeightedVariant& near : variants) near.weight /= total;
  return variants;
}

// `with_amount`: empty for an account that has none.
Account account_of(const Best& best, const Weighed& healthy, double others, Weigher& weigher,
                   const RunView& run, const WithAmount& with_amount) {
  Account account;
  if (best.variant.places.empty() || !(best.log_evidence > kNone)) return account;
  account.log_odds = best.log_evidence - others;
  if (healthy.squares > 0) {
    account.misfit_share = std::clamp(1 - best.weighed.squares / healthy.squares, 0.0, 1.0);
  }
  Variant top = best.variant;
  double best_t = best.weighed.best_t;
  const double half_range_steps = weigher.samples().half_range_steps;
  constexpr double kNegligible = -6;  // its amounts are not looked at more closely
  if (account.log_odds >= kNegligible) {
    const std::vector<WeightedVariant> near = near_variants(best, weigher, with_amount);
    for (const auto& [variant, weight] : near) {
      account.variants.push_back({weight, weigher.which()[variant.at],
                                  variant.amount * half_range_steps,
                                  moved_steps_of(variant, weigher, run)});
    }
    top = std::max_element(near.begin(), near.end(), [](const auto& a, const auto& b) {
            return a.weight < b.weight;
          })->variant;
    best_t = weigher.weigh(top.places).best_t;
  }
  account.amount_steps = top.amount * half_range_steps;
  account.at = weigher.which()[top.at];
  account.moved_steps = moved_steps_of(top, weigher, run);
  account.best_focus_steps = weigher.samples().steps(best_t);
  account.shift_steps = (best_t - healthy.best_t) * half_range_steps;
  return account;
}

// ln evidence of one or two bad points on a healthy run.
double evidence_of_bad_points(Weigher& weigher) {
  const std::size_t n = weigher.count();
  double all = kNone;
  const auto add_bad = [&](const std::vector<std::size_t>& bad) {
    const Weighed w = weigher.weigh(weigher.commanded(), bad);
    all = log_sum(all, w.log_evidence + log_all_good(n - bad.size()));
    return w.log_evidence;
  };
  std::vector<std::pair<double, std::size_t>> single;
  for (std::size_t i = 0; i < n; ++i) single.emplace_back(add_bad({i}), i);
  std::sort(single.rbegin(), single.rend());
  // Pairs grow from the likeliest single ones.
  if (n >= 7 && n <= kMostForPairs) {
    std::set<std::pair<std::size_t, std::size_t>> seen;
    for (std::size_t k = 0; k < std::min<std::size_t>(3, n); ++k) {
      for (std::size_t i = 0; i < n; ++i) {
        const std::size_t a = std::min(i, single[k].second);
        const std::size_t b = std::max(i, single[k].second);
        if (a != b && seen.insert({a, b}).second) add_bad({a, b});
      }
    }
  }
  return all;
}

}  // namespace

std::optional<Rivals> weigh_rivals(const RunView& run) {
  Weigher weigher(run);
  const std::size_t n = weigher.count();
  const std::vector<double>& t = weigher.commanded();
  if (n < kFewestPoints || std::set<double>(t.begin(), t.end()).size() < 3) return std::nullopt;
  Rivals rivals;

  const Weighed healthy = weigher.weigh(t);
  const double good = healthy.log_evidence + log_all_good(n);
  const double outliers = evidence_of_bad_points(weigher);
  rivals.log_odds_outlier = outliers - good;

  const Best slack = best_of(weigher, slack_variants(t));
  const Best stop = best_of(weigher, stop_variants(t));
  const Best jump = best_of(weigher, jump_variants(t));
  const Weighed flat = weigher.weigh_flat(&rivals.flat_size_px, &rivals.flat_scatter);
  // Seeing alone never changes sizes by more: then no constant is meant, whatever else fits worse.
  constexpr double kMostFlat = 0.15;
  const bool may_be_flat = rivals.flat_scatter < kMostFlat;
  if (may_be_flat) rivals.log_odds_flat = flat.log_evidence - healthy.log_evidence;
  const double no_account =
      log_sum(log_sum(good, outliers), may_be_flat ? flat.log_evidence + log_all_good(n) : kNone);
  const auto others = [&](double a, double b) { return log_sum(no_account, log_sum(a, b)); };
  rivals.slack =
      account_of(slack, healthy, others(stop.log_evidence, jump.log_evidence), weigher, run,
                 [&t](const Variant& v, double amount) { return with_slack(v, t, amount); });
  rivals.no_motion =
      account_of(stop, healthy, others(slack.log_evidence, jump.log_evidence), weigher, run, {});
  rivals.focus_jump =
      account_of(jump, healthy, others(slack.log_evidence, stop.log_evidence), weigher, run,
                 [&t](const Variant& v, double amount) { return with_shift(v, t, amount); });

  const auto [below, above] = weigher.outside(-1, 1);
  rivals.probability_below = below;
  rivals.probability_above = above;
  return rivals;
}

}  // namespace starwaist::diagnosis
