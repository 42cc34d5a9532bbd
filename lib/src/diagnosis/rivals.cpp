#include "diagnosis/rivals.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <map>
#include <set>

#include "curve/priors.h"
#include "curve/shape_fit.h"
#include "diagnosis/cause.h"
#include "diagnosis/focus_samples.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

using curve::kSeeingScattersOfRivals;
using curve::Samples;
using curve::ShapeFit;

// Before looking. Of a hundred runs about two or three have each of these; see bench.
constexpr double kPriorSlack = 0.03;
constexpr double kPriorNoMotion = 0.02;
constexpr double kPriorJump = 0.02;

constexpr std::size_t kFewestPoints = 5;
constexpr std::size_t kMostForPairs = 24;

constexpr double kNone = -1e300;

constexpr curve::EvenBadPointPrior kBad = curve::kBadPointOfRivals;

// Of t0, ln H0 and ln k beforehand.
Eigen::Vector3d precision() {
  constexpr curve::CurveSpread kSpread = curve::kCurveSpread;
  return {1 / (kSpread.centre * kSpread.centre), 1 / (kSpread.log_size * kSpread.log_size),
          1 / (kSpread.log_slope * kSpread.log_slope)};
}

// One account's evidence and its fit.
struct Weighed {
  double log_evidence = kNone;
  double best_t = 0;
  double squares = 0;  // over the noise as assumed, middle seeing scatter
};

class Weigher {
 public:
  Weigher(const RunView& run)
      : which_(run.sized_points()),
        samples_(samples_of(run, which_)),
        commanded_(samples_.t),
        fitter_(shape_of(run.record()), curve::kLopsided),
        prior_degrees_(samples_.has_own_sigmas() ? curve::kPriorDegreesOfRivals
                                                 : curve::kPriorDegreesOfRivalsWithoutSigmas) {
    std::vector<double> relative;
    for (std::size_t i = 0; i < samples_.count(); ++i) {
      if (samples_.own_sigma[i] > 0) relative.push_back(samples_.own_sigma[i] / samples_.y[i]);
    }
    if (const auto slope = optics_slope_px_per_step(run.record())) {
      log_rig_slope_ = std::log(*slope * samples_.half_range_steps / samples_.size_unit_px) +
                       curve::kRigSlopeBias;
      rig_slope_sigma_ = run.record().rig.obstruction ? 0.0 : curve::kUnknownObstructionSlopeError;
    }
    const double usual = relative.empty() ? curve::kUsualMeasuringError : median(relative);
    for (std::size_t i = 0; i < samples_.count(); ++i) {
      const double own = samples_.own_sigma[i] > 0 ? samples_.own_sigma[i] / samples_.y[i] : usual;
      measuring_.push_back(std::hypot(own, curve::kShapeErrorOfRivals));
    }
  }

  [[nodiscard]] std::size_t count() const { return samples_.count(); }
  [[nodiscard]] const std::vector<std::size_t>& which() const { return which_; }
  [[nodiscard]] const std::vector<double>& commanded() const { return commanded_; }
  [[nodiscard]] const Samples& samples() const { return samples_; }

  // Places in scaled units, by sample; `bad`: points that are none of the curve's. `roughly`: with
  // the middle scatter of the seeing alone.
  Weighed weigh(const std::vector<double>& places, const std::vector<std::size_t>& bad = {},
                bool roughly = false) {
    samples_.t = places;
    curve_weights(bad, nullptr);
    Weighed answer;
    ShapeFit fit = start_ ? fitter_.refit(samples_, *start_) : fitter_.fit(samples_);
    if (!fit.usable || !start_) fit = fitter_.fit(samples_);
    if (!fit.usable) {
      samples_.t = commanded_;
      return answer;
    }
    for (std::size_t k = 0; k < kSeeingScattersOfRivals.size(); ++k) {
      if (roughly && k != 1) continue;
      curve_weights(bad, &fit, kSeeingScattersOfRivals[k]);
      const ShapeFit next = fitter_.refit(samples_, fit);
      if (!next.usable) continue;
      double log_weights = 0;
      double bad_points = 0;
      std::size_t good = 0;
      for (std::size_t i = 0; i < count(); ++i) {
        if (samples_.weight[i] > 0) {
          log_weights += std::log(samples_.weight[i]);
          ++good;
        }
      }
      for (const std::size_t i : bad) {
        const double size = curve::shape_size(fitter_.shape(), next.parameters, samples_.t[i]);
        bad_points += std::log((samples_.y[i] > size ? kBad.density_larger : kBad.density_smaller) /
                               size * kBad.share);
      }
      const double degrees = static_cast<double>(good) - curve::kFreeShapeParameters;
      if (degrees < 1) continue;
      Eigen::Matrix4d information = next.unscaled_covariance.inverse();
      information.diagonal().head<3>() += precision();
      const double determinant = information.determinant();
      if (!(determinant > 0)) continue;
      const double t0 = next.parameters[0];
      const double value =
          log_weights + bad_points + of_rig(next) - 0.5 * std::log(determinant) - 0.5 * t0 * t0 +
          std::lgamma(0.5 * (prior_degrees_ + degrees)) - 0.5 * degrees * std::log(M_PI) -
          0.5 * (prior_degrees_ + degrees) * std::log(prior_degrees_ + next.sum_of_squares) -
          (roughly ? 0.0 : std::log(static_cast<double>(kSeeingScattersOfRivals.size())));
      if (value > answer.log_evidence || k == 1) {
        answer.best_t = t0;
        answer.squares = next.sum_of_squares;
      }
      answer.log_evidence = log_sum(answer.log_evidence, value);
    }
    if (bad.empty() && !start_) start_ = fit;
    samples_.t = commanded_;
    return answer;
  }

  // One size for all points: every place the same.
  Weighed weigh_flat(double* size, double* scatter) {
    Weighed answer;
    const double n = static_cast<double>(count());
    for (const double seeing : kSeeingScattersOfRivals) {
      double sum = 0;
      double sum_w = 0;
      double log_weights = 0;
      for (std::size_t i = 0; i < count(); ++i) {
        const double sigma = samples_.y[i] * std::hypot(measuring_[i], seeing);
        sum += samples_.y[i] / (sigma * sigma);
        sum_w += 1 / (sigma * sigma);
        log_weights -= std::log(sigma);
      }
      const double mean = sum / sum_w;
      double squares = 0;
      double relative = 0;
      for (std::size_t i = 0; i < count(); ++i) {
        const double sigma = samples_.y[i] * std::hypot(measuring_[i], seeing);
        squares += std::pow((samples_.y[i] - mean) / sigma, 2);
        relative += std::pow(samples_.y[i] / mean - 1, 2);
      }
      *size = mean * samples_.size_unit_px;
      *scatter = std::sqrt(relative / std::max(1.0, n - 1));
      // The curve's evidence lacks the constants of its priors; here ln H0's alone is used up.
      const double degrees = n - 1;
      const double value = log_weights - 0.5 * std::log(sum_w * mean * mean + 1) +
                           std::lgamma(0.5 * (prior_degrees_ + degrees)) -
                           0.5 * degrees * std::log(M_PI) -
                           0.5 * (prior_degrees_ + degrees) * std::log(prior_degrees_ + squares) -
                           std::log(static_cast<double>(kSeeingScattersOfRivals.size()));
      answer.log_evidence = log_sum(answer.log_evidence, value);
    }
    return answer;
  }

  // Probabilities of best focus below t = -edge and above t = edge, from the profile.
  std::pair<double, double> outside(double low, double high) {
    samples_.t = commanded_;
    curve_weights({}, nullptr);
    ShapeFit fit = fitter_.fit(samples_);
    if (!fit.usable) return {0, 0};
    curve_weights({}, &fit, kSeeingScattersOfRivals[1]);
    fit = fitter_.refit(samples_, fit);
    if (!fit.usable) return {0, 0};
    constexpr int kPlaces = 81;
    constexpr double kReach = 4;
    std::vector<double> logs;
    const double degrees = static_cast<double>(count()) - curve::kFreeShapeParameters;
    for (int i = 0; i < kPlaces; ++i) {
      const double t = kReach * (2.0 * i / (kPlaces - 1) - 1);
      curve::HeldParameters start = fit.parameters.tail<3>();
      const double squares = fitter_.sum_of_squares_at(samples_, t, start);
      logs.push_back(std::isfinite(squares)
                         ? -0.5 * (prior_degrees_ + degrees) * std::log(prior_degrees_ + squares) -
                               0.5 * t * t / 2.25
                         : kNone);
    }
    const double top = *std::max_element(logs.begin(), logs.end());
    double below = 0;
    double above = 0;
    double total = 0;
    for (int i = 0; i < kPlaces; ++i) {
      const double t = kReach * (2.0 * i / (kPlaces - 1) - 1);
      const double mass = std::exp(logs[static_cast<std::size_t>(i)] - top);
      total += mass;
      if (t < low) below += mass;
      if (t > high) above += mass;
    }
    return {below / total, above / total};
  }

 private:
  // ln of the density that the rig gives the fitted slope, over that of a rig of which nothing is
  // known; the slope's own error widens both.
  [[nodiscard]] double of_rig(const ShapeFit& fit) const {
    if (!log_rig_slope_) return 0;
    const double off = fit.parameters[2] - *log_rig_slope_;
    const double own2 =
        std::max(fit.unscaled_covariance(2, 2), 0.0) + rig_slope_sigma_ * rig_slope_sigma_;
    double density = 0;
    double of_nothing = 0;
    for (const curve::RigSlopeError& component : curve::kRigSlopeErrorsOfRivals) {
      const double variance = component.sigma * component.sigma + own2;
      of_nothing = std::exp(-0.5 * off * off / variance) / std::sqrt(variance);
      density += component.share * of_nothing;
    }
    return of_nothing > 0 ? std::log(density / of_nothing)
                          : std::log(curve::kRigSlopeErrorsOfRivals.back().share);
  }

  void curve_weights(const std::vector<std::size_t>& bad, const ShapeFit* fit,
                     double seeing_scatter = kSeeingScattersOfRivals[1]) {
    for (std::size_t i = 0; i < count(); ++i) {
      double size = samples_.y[i];
      double share = 0.5;
      if (fit != nullptr) {
        const auto value = curve::curve_at(fitter_.shape(), fit->parameters, samples_.t[i]);
        size = curve::bounded_exp(fit->parameters[1]) * value.h;
        share = curve::seeing_share(value, value.u);
      }
      samples_.weight[i] = 1 / (size * std::hypot(measuring_[i], seeing_scatter * share));
    }
    for (const std::size_t i : bad) samples_.weight[i] = 0;
  }

  std::vector<std::size_t> which_;
  Samples samples_;
  std::vector<double> commanded_;
  std::vector<double> measuring_;  // relative
  curve::ShapeFitter fitter_;
  double prior_degrees_;
  std::optional<double> log_rig_slope_;  // in scaled units
  double rig_slope_sigma_ = 0;           // beside what kRigSlopeErrorsOfRivals allow
  std::optional<ShapeFit> start_;
};

// Where the focus is when a play of `width` stands between drive and tube: it follows only once
// the play is used up. Outward moves end at the commanded place if `outward`, else inward ones do.
// `taken_up`: the start was reached from the side that the first move goes on from; else from the
// other one, which leaves the play open.
std::vector<double> with_play(const std::vector<double>& commanded, double width, bool outward,
                              bool taken_up) {
  std::vector<double> places = commanded;
  double place = commanded.front() + (taken_up ? 0.0 : outward ? width : -width);
  for (double& p : places) {
    place = outward ? std::clamp(place, p, p + width) : std::clamp(place, p - width, p);
    p = place;
  }
  return places;
}

double first_move_of(const std::vector<double>& places) {
  for (std::size_t i = 1; i < places.size(); ++i) {
    if (places[i] != places[i - 1]) return places[i] - places[i - 1];
  }
  return 0;
}

// The first place after the moves turned back; 0 where they never do.
std::size_t first_turn(const std::vector<double>& places) {
  double way = 0;
  for (std::size_t i = 1; i < places.size(); ++i) {
    const double move = places[i] - places[i - 1];
    if (move * way < 0) return i;
    if (move != 0) way = move;
  }
  return 0;
}

// The variants of one account: roughly weighed first, those near the best in full.
struct Variant {
  std::vector<double> places;
  double log_prior = 0;
  double amount = 0;  // scaled
  std::size_t at = 0;
};

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

// The likeliest frames, as many as hold all but a fiftieth of the account; of each the amounts
// within two standard errors.
std::vector<Account::Variant> near_variants(const Best& best, Weigher& weigher, const RunView& run,
                                            const WithAmount& with_amount) {
  struct Group {
    Variant top;
    double evidence = kNone;  // of `top`
    double sum = kNone;
  };
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
  constexpr double kEnough = 0.98;
  constexpr std::size_t kMost = 6;
  constexpr std::array kErrors{-1.8, -0.9, 0.0, 0.9, 1.8};
  std::vector<Account::Variant> variants;
  double held = 0;
  double total = 0;
  for (std::size_t k = 0; k < std::min(kMost, all.size()) && held < kEnough; ++k) {
    const double weight = std::exp(all[k].sum - best.log_evidence);
    held += weight;
    const auto add = [&](const Variant& variant, double share) {
      variants.push_back({weight * share, weigher.which()[variant.at],
                          variant.amount * weigher.samples().half_range_steps,
                          moved_steps_of(variant, weigher, run)});
      total += weight * share;
    };
    if (!with_amount) {
      add(all[k].top, 1);
      continue;
    }
    const AmountFound found = find_amount(weigher, all[k].top, with_amount);
    const double sign = all[k].top.amount < 0 ? -1 : 1;
    for (const double error : kErrors) {
      const double amount = sign * std::exp(found.log_amount + error * found.sigma);
      add(with_amount(all[k].top, amount), std::exp(-0.5 * error * error));
    }
  }
  for (Account::Variant& variant : variants) variant.weight /= total;
  return variants;
}

// `with_amount`: empty for an account that has none.
Account account_of(const Best& best, const Weighed& healthy, double others, Weigher& weigher,
                   const RunView& run, const WithAmount& with_amount) {
  Account account;
  if (best.variant.places.empty() || !(best.log_evidence > kNone)) return account;
  const Samples& s = weigher.samples();
  account.log_odds = best.log_evidence - others;
  account.amount_steps = best.variant.amount * s.half_range_steps;
  account.at = weigher.which()[best.variant.at];
  account.moved_steps = moved_steps_of(best.variant, weigher, run);
  account.best_focus_steps = s.steps(best.weighed.best_t);
  account.shift_steps = (best.weighed.best_t - healthy.best_t) * s.half_range_steps;
  if (healthy.squares > 0) {
    account.misfit_share = std::clamp(1 - best.weighed.squares / healthy.squares, 0.0, 1.0);
  }
  constexpr double kNegligible = -6;  // its amounts are not looked at more closely
  if (account.log_odds < kNegligible) return account;
  account.variants = near_variants(best, weigher, run, with_amount);
  const auto top =
      std::max_element(account.variants.begin(), account.variants.end(),
                       [](const auto& a, const auto& b) { return a.weight < b.weight; });
  account.amount_steps = top->amount_steps;
  account.at = top->at;
  account.moved_steps = top->moved_steps;
  std::vector<double> places = weigher.commanded();
  for (std::size_t k = 0; k < places.size(); ++k) {
    places[k] += top->moved_steps[weigher.which()[k]] / s.half_range_steps;
  }
  const double refined = weigher.weigh(places).best_t;
  account.best_focus_steps = s.steps(refined);
  account.shift_steps = (refined - healthy.best_t) * s.half_range_steps;
  return account;
}

double log_all_good(std::size_t n) { return static_cast<double>(n) * std::log(1 - kBad.share); }

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

// Amounts from a twentieth of the range, evenly in the logarithm, up to half of it.
constexpr int kAmounts = 14;
double amount_of(int i) {
  constexpr double kLeast = 0.05;
  constexpr double kMost = 1.2;
  return kLeast * std::pow(kMost / kLeast, i / (kAmounts - 1.0));
}

// Where the focus was in a run with free play, for places `t` as commanded.
std::vector<Variant> slack_variants(const std::vector<double>& t) {
  const double first_move = first_move_of(t);
  std::vector<Variant> variants;
  const std::size_t turn = first_turn(t);
  const int starts = turn > 0 ? 2 : 1;  // without a turn a play that is taken up does not show
  for (int i = 0; i < starts * kAmounts; ++i) {
    const bool taken_up = i >= kAmounts;
    const double width = amount_of(i % kAmounts);
    variants.push_back({with_play(t, width, first_move > 0, taken_up),
                        std::log(kPriorSlack / (starts * kAmounts)) + log_all_good(t.size()), width,
                        taken_up ? turn : 0});
  }
  return variants;
}

// The same in a run that came to a stop.
std::vector<Variant> stop_variants(const std::vector<double>& t) {
  const std::size_t n = t.size();
  std::vector<Variant> variants;
  for (std::size_t k = 1; k + 2 < n; ++k) {  // the last place reached; two misses at the least
    std::vector<double> places = t;
    for (std::size_t i = k + 1; i < n; ++i) places[i] = t[k];
    variants.push_back({places, std::log(kPriorNoMotion / static_cast<double>(n)) + log_all_good(n),
                        std::abs(t[n - 1] - t[k]), k});
  }
  return variants;
}

std::vector<double> with_jump(std::vector<double> places, std::size_t at, double shift) {
  for (std::size_t j = at; j < places.size(); ++j) places[j] += shift;
  return places;
}

// The same in a run in which the focus jumped.
std::vector<Variant> jump_variants(const std::vector<double>& t) {
  const std::size_t n = t.size();
  std::vector<Variant> variants;
  for (std::size_t k = 2; k + 1 < n; ++k) {  // the first place after it
    for (int i = 0; i < 2 * kAmounts; ++i) {
      const double shift = i < kAmounts ? amount_of(i) : -amount_of(i - kAmounts);
      variants.push_back(
          {with_jump(t, k, shift),
           std::log(kPriorJump / (2.0 * kAmounts * static_cast<double>(n - 3))) + log_all_good(n),
           shift, k});
    }
  }
  return variants;
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
  const auto with_slack = [&t](Variant variant, double amount) {
    const bool taken_up = variant.at > 0;
    variant.places = with_play(t, amount, first_move_of(t) > 0, taken_up);
    variant.amount = amount;
    return variant;
  };
  const auto with_shift = [&t](Variant variant, double amount) {
    variant.places = with_jump(t, variant.at, amount);
    variant.amount = amount;
    return variant;
  };
  rivals.slack = account_of(slack, healthy, others(stop.log_evidence, jump.log_evidence), weigher,
                            run, with_slack);
  rivals.no_motion =
      account_of(stop, healthy, others(slack.log_evidence, jump.log_evidence), weigher, run, {});
  rivals.focus_jump = account_of(jump, healthy, others(slack.log_evidence, stop.log_evidence),
                                 weigher, run, with_shift);

  const double all = log_sum(
      no_account, log_sum(slack.log_evidence, log_sum(stop.log_evidence, jump.log_evidence)));
  rivals.probability_slack = std::exp(slack.log_evidence - all);
  rivals.probability_no_motion = std::exp(stop.log_evidence - all);
  rivals.probability_focus_jump = std::exp(jump.log_evidence - all);

  const auto [below, above] = weigher.outside(-1, 1);
  rivals.probability_below = below;
  rivals.probability_above = above;
  return rivals;
}

}  // namespace starwaist::diagnosis
