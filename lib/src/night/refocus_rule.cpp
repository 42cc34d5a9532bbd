#include "night/refocus_rule.h"

#include <algorithm>
#include <boost/math/tools/minima.hpp>
#include <cmath>
#include <string>

#include "starwaist/numbers.h"

namespace starwaist {

double best_refocus_cycle(double refocus) {
  // Time lost over a cycle p: refocus, and the integral of x^2 / (1 + x^2), which is p - atan p.
  const auto share = [&](double log_p) {
    const double p = std::exp(log_p);
    return (refocus + p - std::atan(p)) / (refocus + p);
  };
  const double start = std::cbrt(1.5 * refocus);
  constexpr int kBits = 26;
  return std::exp(
      boost::math::tools::brent_find_minima(share, std::log(start) - 3, std::log(start) + 5, kBits)
          .first);
}

namespace night {
namespace {

std::string minutes_words(double minutes) {
  return minutes < 90 ? format_fixed(minutes, 0) + " minutes"
                      : format_fixed(minutes / 60, 1) + " hours";
}

// Without a drift: by the size that seeing alone hardly passed, where focus was lost.
RefocusRule rule_by_size(const RuleInput& input, RefocusRule rule) {
  if (input.focus_lost && input.seen_limit) {
    rule.when_size_px = input.level_size_px * std::exp(*input.seen_limit);
    rule.summary = "No steady drift was seen. Refocus when three frames in a row are larger than " +
                   format_fixed(*rule.when_size_px, 2) +
                   " px: seeing alone hardly went beyond that in this night.";
  } else {
    rule.summary =
        "No drift of focus shows in this night, so it tells no rule. Keep to the one you have.";
  }
  return rule;
}

// x at which focus has moved by half the zone; absent where the rig is not known.
std::optional<double> x_of_zone(const RuleInput& input, const NightOptions& options) {
  if (!options.half_zone_steps || !options.arm_slope_px_per_step) return std::nullopt;
  // The arms' slope over the size in focus is x per step far from focus. Near it a round blur on
  // a seeing disc grows less: (x')^2 is ln 2 (Gaussian) to about 0.9 (Kolmogorov) of x^2.
  constexpr double kNearFocus = 0.9;  // of x, between the two
  return kNearFocus * *options.half_zone_steps * *options.arm_slope_px_per_step /
         input.level_size_px;
}

// The rule stands in a sentence of its own, before its reason.
std::string rule_words(const RefocusRule& rule) {
  const bool zone = rule.basis == RefocusBasis::zone;
  std::string text = "Refocus every ";
  if (rule.every_c) text += format_fixed(*rule.every_c, 1) + " °C";
  if (rule.every_minutes) {
    const std::string minutes = minutes_words(*rule.every_minutes);
    text += rule.every_c ? " (some " + minutes + " in a night like this)" : minutes;
  }
  text += ". ";
  text += zone ? "That moves focus by half the critical zone."
               : "From then on drift costs more exposure than a refocus of " +
                     format_short(rule.refocus_minutes) + " minutes takes.";
  if (rule.when_size_px) {
    text += " Sooner where three frames in a row are larger than " +
            format_fixed(*rule.when_size_px, 2) + " px.";
  }
  return text;
}

RefocusRule rule_by_drift(const FocusDrift& drift, const RuleInput& input,
                          const NightOptions& options, RefocusRule rule) {
  const bool thermal = drift.by == DriftBy::temperature;
  const double rate_per_hour = thermal ? drift.rate * input.c_per_hour : drift.rate;
  std::optional<double> pays_x;
  if (rate_per_hour > 0 && options.refocus_minutes > 0) {
    pays_x = best_refocus_cycle(options.refocus_minutes / 60 * rate_per_hour);
  }
  const std::optional<double> zone_x = x_of_zone(input, options);
  const auto x = zone_x ? zone_x : pays_x;
  if (!x) {
    rule.summary = "Focus drifted, but not at a rate from which a rule could be told.";
    return rule;
  }
  rule.basis = zone_x ? RefocusBasis::zone : RefocusBasis::time;
  if (thermal) rule.every_c = *x / drift.rate;
  if (rate_per_hour > 0) rule.every_minutes = 60 * *x / rate_per_hour;
  if (pays_x) {
    const double pays_hours = *pays_x / rate_per_hour;
    rule.pays_after_minutes = 60 * pays_hours;
    if (input.seen_limit) {
      rule.when_size_px =
          input.level_size_px * std::exp(std::max(growth(*pays_x), *input.seen_limit));
    }
  }
  rule.summary = rule_words(rule);
  return rule;
}

// No minutes from an order alone.
void drop_minutes(RefocusRule& rule) {
  rule.every_minutes.reset();
  rule.pays_after_minutes.reset();
  if (rule.basis && !rule.every_c) {
    rule.basis.reset();
    rule.summary = "Focus drifted. Without times no rule in minutes can be told.";
  }
}

}  // namespace

RefocusRule refocus_rule(const RuleInput& input, const NightOptions& options) {
  RefocusRule rule;
  rule.refocus_minutes = options.refocus_minutes;
  rule =
      input.drift ? rule_by_drift(*input.drift, input, options, rule) : rule_by_size(input, rule);
  if (!input.times_known) drop_minutes(rule);
  return rule;
}

}  // namespace night
}  // namespace starwaist
