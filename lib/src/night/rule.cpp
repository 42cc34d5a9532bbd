#include "night/rule.h"

#include <algorithm>
#include <boost/math/tools/minima.hpp>
#include <cmath>

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

}  // namespace

RefocusRule refocus_rule(const std::optional<Drift>& drift, const RuleFacts& facts,
                         const NightOptions& options) {
  RefocusRule rule;
  rule.refocus_minutes = options.refocus_minutes;
  if (!drift) {
    if (facts.focus_lost && facts.seen_limit) {
      rule.when_size_px = facts.level_size_px * std::exp(*facts.seen_limit);
      rule.summary =
          "No steady drift was seen. Refocus when three frames in a row are larger than " +
          format_fixed(*rule.when_size_px, 2) +
          " px: seeing alone hardly went beyond that in this night.";
    } else {
      rule.summary =
          "No drift of focus shows in this night, so it tells no rule. Keep to the one you have.";
    }
    return rule;
  }
  const bool thermal = drift->by == DriftBy::temperature;
  const double rate_per_hour = thermal ? drift->rate * facts.c_per_hour : drift->rate;
  std::optional<double> pays_x;
  std::optional<double> pays_hours;
  if (rate_per_hour > 0 && options.refocus_minutes > 0) {
    pays_x = best_refocus_cycle(options.refocus_minutes / 60 * rate_per_hour);
    pays_hours = *pays_x / rate_per_hour;
  }
  std::optional<double> zone_x;
  if (options.half_zone_steps && options.arm_slope_px_per_step) {
    // The arms' slope over the size in focus is x per step far from focus. Near it a round blur on
    // a seeing disc grows less: (x')^2 is ln 2 (Gaussian) to about 0.9 (Kolmogorov) of x^2.
    constexpr double kNearFocus = 0.9;  // of x, between the two
    zone_x = kNearFocus * *options.half_zone_steps * *options.arm_slope_px_per_step /
             facts.level_size_px;
  }
  const auto x = zone_x ? zone_x : pays_x;
  if (!x) {
    rule.summary = "Focus drifted, but not at a rate from which a rule could be told.";
    return rule;
  }
  rule.basis = zone_x ? RefocusBasis::zone : RefocusBasis::time;
  if (thermal) rule.every_c = *x / drift->rate;
  if (rate_per_hour > 0) rule.every_minutes = 60 * *x / rate_per_hour;
  if (pays_hours) {
    rule.pays_after_minutes = 60 * *pays_hours;
    const double grown = growth(*pays_x);
    if (facts.seen_limit) {
      rule.when_size_px = facts.level_size_px * std::exp(std::max(grown, *facts.seen_limit));
    }
  }
  std::string text = "Refocus every ";
  if (rule.every_c) text += format_fixed(*rule.every_c, 1) + " °C";
  if (rule.every_minutes) {
    text += rule.every_c ? ", in a night like this every " + minutes_words(*rule.every_minutes)
                         : minutes_words(*rule.every_minutes);
  }
  text += zone_x ? ": that moves focus by half the critical zone."
                 : ": from then on drift costs more exposure than a refocus of " +
                       format_short(options.refocus_minutes) + " minutes takes.";
  if (zone_x && rule.pays_after_minutes && *rule.pays_after_minutes > 1.15 * *rule.every_minutes) {
    text += " In this night's seeing a refocus of " + format_short(options.refocus_minutes) +
            " minutes paid only after " + minutes_words(*rule.pays_after_minutes) + ".";
  }
  if (rule.when_size_px) {
    text += " By size: when three frames in a row are larger than " +
            format_fixed(*rule.when_size_px, 2) + " px.";
  }
  rule.summary = text;
  return rule;
}

}  // namespace night
}  // namespace starwaist
