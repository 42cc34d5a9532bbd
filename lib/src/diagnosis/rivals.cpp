#include "diagnosis/rivals.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <set>
#include <utility>

#include "diagnosis/cause.h"
#include "diagnosis/focuser_places.h"
#include "diagnosis/weigher.h"

namespace starwaist::diagnosis {
namespace {

constexpr std::size_t kFewestPoints = 5;
constexpr std::size_t kMostForPairs = 24;

struct WeighedVariant {
  Variant variant;
  Weighed weighed;
  double evidence = kNone;  // ln, with its prior
};

// Variants with the same frame and sign of the amount.
struct Group {
  WeighedVariant top;
  double sum = kNone;  // ln of all evidence
};

struct Best {
  double log_evidence = kNone;  // of all variants
  std::vector<Group> groups;    // the heaviest first

  [[nodiscard]] const WeighedVariant& top() const { return groups.front().top; }
};

bool of_one_group(const Variant& a, const Variant& b) {
  return a.at == b.at && (a.amount < 0) == (b.amount < 0);
}

// Each starts from its neighbour, the first of a group from the healthy curve. A group is left
// where a larger amount is hopeless and less likely than the one before: the rest would be worse
// still.
std::vector<WeighedVariant> look_at(Weigher& weigher, std::vector<Variant> variants,
                                    const ShapeFit& healthy) {
  constexpr double kHopeless = 12;  // ln of the evidence that the likeliest has more
  std::vector<WeighedVariant> rough;
  double highest = kNone;
  bool left = false;
  for (Variant& variant : variants) {
    const bool goes_on = !rough.empty() && of_one_group(variant, rough.back().variant);
    left = left && goes_on;
    if (left) continue;
    const bool near = goes_on && rough.back().weighed.fit.usable;
    const Weighed weighed =
        weigher.weigh_roughly(variant.places, near ? rough.back().weighed.fit : healthy);
    const double value = weighed.log_evidence + variant.log_prior;
    left = goes_on && value < highest - kHopeless && value < rough.back().evidence;
    highest = std::max(highest, value);
    rough.push_back({std::move(variant), weighed, value});
  }
  return rough;
}

// Of a group only the likeliest is weighed in full: what that adds to a rough look is much the same
// for all of them.
Best best_of(Weigher& weigher, std::vector<Variant> variants, const ShapeFit& healthy) {
  constexpr double kNear = 5;
  const std::vector<WeighedVariant> rough = look_at(weigher, std::move(variants), healthy);
  double highest = kNone;
  for (const WeighedVariant& one : rough) highest = std::max(highest, one.evidence);
  Best best;
  if (!(highest > kNone)) return best;
  for (std::size_t begin = 0, end = 0; begin < rough.size(); begin = end) {
    Group group;
    for (end = begin; end < rough.size() && of_one_group(rough[begin].variant, rough[end].variant);
         ++end) {
      if (rough[end].evidence < highest - kNear) continue;
      group.sum = log_sum(group.sum, rough[end].evidence);
      if (rough[end].evidence > group.top.evidence) group.top = rough[end];
    }
    if (!(group.sum > kNone)) continue;
    WeighedVariant& top = group.top;
    const double looked = top.evidence;
    top.weighed = weigher.weigh(top.variant.places, {}, &top.weighed.fit);
    top.evidence = top.weighed.log_evidence + top.variant.log_prior;
    group.sum += top.evidence - looked;
    best.log_evidence = log_sum(best.log_evidence, group.sum);
    best.groups.push_back(std::move(group));
  }
  std::sort(best.groups.begin(), best.groups.end(),
            [](const Group& a, const Group& b) { return a.sum > b.sum; });
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
AmountFound find_amount(Weigher& weigher, const WeighedVariant& start,
                        const WithAmount& with_amount) {
  const double sign = start.variant.amount < 0 ? -1 : 1;
  const auto evidence = [&](double log_amount) {
    const Variant other = with_amount(start.variant, sign * std::exp(log_amount));
    return weigher.weigh_roughly(other.places, start.weighed.fit, {}, start.weighed.scatter)
        .log_evidence;
  };
  AmountFound found{std::log(std::abs(start.variant.amount)), 0.05};
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

struct LikelyVariant {
  Variant variant;
  double weight = 0;
};

// The likeliest groups, as many as hold all but what is negligible in the run's answer, or half of
// the account. Of each three amounts that stand for the normal distribution of its logarithm (Gauss
// and Hermite's nodes; Abramowitz and Stegun 25.4.46), of those that hardly count the likeliest
// alone. The weights sum to 1.
std::vector<LikelyVariant> likely_variants(const Best& best, double probability, Weigher& weigher,
                                           const WithAmount& with_amount) {
  constexpr std::size_t kMost = 6;
  constexpr double kNegligible = 0.002;  // of the run's answer
  constexpr double kHardlyCounts = 0.01;
  constexpr double kRootOfThree = 1.7320508075688772;
  struct Node {
    double error;
    double weight;
  };
  constexpr std::array<Node, 3> kNodes{
      {{0.0, 2.0 / 3}, {-kRootOfThree, 1.0 / 6}, {kRootOfThree, 1.0 / 6}}};
  const double enough = 1 - std::min(kNegligible / probability, 0.5);
  std::vector<LikelyVariant> variants;
  double held = 0;
  for (std::size_t k = 0; k < std::min(kMost, best.groups.size()) && held < enough; ++k) {
    const WeighedVariant& top = best.groups[k].top;
    const double weight = std::exp(best.groups[k].sum - best.log_evidence);
    held += weight;
    if (!with_amount) {
      variants.push_back({top.variant, weight});
      continue;
    }
    const AmountFound found = find_amount(weigher, top, with_amount);
    const double sign = top.variant.amount < 0 ? -1 : 1;
    const bool one = weight * probability < kHardlyCounts;
    for (const Node& node : kNodes) {
      const double amount = sign * std::exp(found.log_amount + node.error * found.sigma);
      variants.push_back({with_amount(top.variant, amount), weight * (one ? 1 : node.weight)});
      if (one) break;
    }
  }
  double total = 0;
  for (const LikelyVariant& one : variants) total += one.weight;
  for (LikelyVariant& one : variants) one.weight /= total;
  return variants;
}

// `with_amount`: empty for an account that has none.
Account account_of(const Best& best, const Weighed& healthy, double others, Weigher& weigher,
                   const RunView& run, const WithAmount& with_amount) {
  Account account;
  if (best.groups.empty()) return account;
  account.log_odds = best.log_evidence - others;
  if (healthy.squares > 0) {
    account.misfit_share = std::clamp(1 - best.top().weighed.squares / healthy.squares, 0.0, 1.0);
  }
  Variant top = best.top().variant;
  double best_t = best.top().weighed.best_t;
  const double half_range_steps = weigher.samples().half_range_steps;
  constexpr double kNegligible = -6;  // its amounts are not looked at more closely
  if (account.log_odds >= kNegligible) {
    const std::vector<LikelyVariant> near =
        likely_variants(best, probability_of(account.log_odds), weigher, with_amount);
    for (const auto& [variant, weight] : near) {
      account.variants.push_back({weight, weigher.which()[variant.at],
                                  variant.amount * half_range_steps,
                                  moved_steps_of(variant, weigher, run)});
    }
    top = std::max_element(near.begin(), near.end(), [](const auto& a, const auto& b) {
            return a.weight < b.weight;
          })->variant;
    best_t = weigher.weigh(top.places, {}, &best.top().weighed.fit).best_t;
  }
  account.amount_steps = top.amount * half_range_steps;
  account.at = weigher.which()[top.at];
  account.moved_steps = moved_steps_of(top, weigher, run);
  account.best_focus_steps = weigher.samples().steps(best_t);
  account.shift_steps = (best_t - healthy.best_t) * half_range_steps;
  return account;
}

// ln evidence of one or two bad points on a healthy run. As with the accounts only the likeliest
// are weighed in full.
double evidence_of_bad_points(Weigher& weigher, const ShapeFit& healthy) {
  using BadPoints = std::vector<std::size_t>;
  const std::size_t n = weigher.count();
  const std::vector<double>& t = weigher.commanded();
  double sum = kNone;
  double highest = kNone;
  BadPoints likeliest;
  const auto look_at_bad = [&](const BadPoints& bad) {
    const double value =
        weigher.weigh_roughly(t, healthy, bad).log_evidence + log_all_good(n - bad.size());
    sum = log_sum(sum, value);
    if (value > highest) {
      highest = value;
      likeliest = bad;
    }
    return value;
  };
  std::vector<std::pair<double, std::size_t>> single;
  for (std::size_t i = 0; i < n; ++i) single.emplace_back(look_at_bad({i}), i);
  std::sort(single.rbegin(), single.rend());
  // Pairs grow from the likeliest single ones.
  if (n >= 7 && n <= kMostForPairs) {
    std::set<std::pair<std::size_t, std::size_t>> seen;
    for (std::size_t k = 0; k < std::min<std::size_t>(3, n); ++k) {
      for (std::size_t i = 0; i < n; ++i) {
        const std::size_t a = std::min(i, single[k].second);
        const std::size_t b = std::max(i, single[k].second);
        if (a != b && seen.insert({a, b}).second) look_at_bad({a, b});
      }
    }
  }
  if (likeliest.empty()) return kNone;
  const Weighed in_full = weigher.weigh(t, likeliest, &healthy);
  return sum + in_full.log_evidence + log_all_good(n - likeliest.size()) - highest;
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
  const double outliers = evidence_of_bad_points(weigher, healthy.fit);
  rivals.log_odds_outlier = outliers - good;

  const Best slack = best_of(weigher, slack_variants(t), healthy.fit);
  const Best stop = best_of(weigher, stop_variants(t), healthy.fit);
  const Best jump = best_of(weigher, jump_variants(t), healthy.fit);
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

  const auto [below, above] = weigher.outside(-1, 1, healthy.fit);
  rivals.probability_below = below;
  rivals.probability_above = above;
  return rivals;
}

}  // namespace starwaist::diagnosis
