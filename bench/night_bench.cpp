// Simulated nights judged: how many troubles are found, how many are made up, how good the rule is.
//
//   night_bench [--nights N] [--seed S] [--only CAUSE] [--show]
#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <string>
#include <vector>

#include "starwaist/night.h"
#include "starwaist/statistics.h"
#include "support/night_sessions.h"

namespace {

using namespace starwaist;
using testing_support::NightMaker;
using testing_support::NightSession;
using testing_support::TrueSpell;

struct Found {
  std::string cause;
  std::size_t first = 0;
  std::size_t last = 0;
  std::vector<std::string> also;
};

std::vector<Found> periods_of(const NightSession& night, const NightResult& result) {
  std::map<std::string, std::size_t> place;
  for (std::size_t i = 0; i < night.frames.size(); ++i) place[night.frames[i].file] = i;
  std::vector<Found> found;
  for (const auto& period : result.periods) {
    found.push_back(
        {period.cause, place[period.from_file], place[period.to_file], period.also_possible});
  }
  return found;
}

double overlap(std::size_t a0, std::size_t a1, std::size_t b0, std::size_t b1) {
  const std::size_t low = std::max(a0, b0);
  const std::size_t high = std::min(a1, b1);
  return high < low ? 0.0 : static_cast<double>(high - low + 1);
}

struct Count {
  int spells = 0;
  int found = 0;       // half of the frames within a period of this cause
  int as_other = 0;    // within one that names it as possible, or of another kind of lost focus
  int told = 0;        // periods of this cause
  int right = 0;       // of them on a spell of this cause
  int half_right = 0;  // of them on another spell of lost focus, or naming the true one as possible
};

bool is_focus(const std::string& cause) {
  return cause == "thermal_drift" || cause == "focus_drift" || cause == "focus_jump" ||
         cause == "missed_focus";
}

// Frames that true spells and told periods have in common: of one cause, or of another that the
// period names as possible or that is a like kind of lost focus.
struct Shared {
  double same = 0;
  double other = 0;

  void add(const TrueSpell& spell, const Found& f) {
    const double frames = overlap(spell.first, spell.last, f.first, f.last);
    const bool named = std::find(f.also.begin(), f.also.end(), spell.cause) != f.also.end();
    if (f.cause == spell.cause) {
      same += frames;
    } else if (named || (is_focus(f.cause) && is_focus(spell.cause))) {
      other += frames;
    }
  }
};

// The cycle at which drift and refocusing cost least, by the blur's own curve, summed up.
double true_cycle(double refocus) {
  double best = 0;
  double least = 1e9;
  double lost = 0;
  constexpr double kStep = 0.002;
  for (double x = kStep; x < 5; x += kStep) {
    lost += kStep * (1 - std::pow(testing_support::blurred_size(x - kStep / 2), -2));
    const double share = (refocus + lost) / (refocus + x);
    if (share < least) {
      least = share;
      best = x;
    }
  }
  return best;
}

}  // namespace

int main(int argc, char** argv) {
  int nights = 60;
  std::uint64_t seed = 1;
  bool show = false;
  std::string only;
  for (int i = 1; i < argc; ++i) {
    const std::string word = argv[i];
    if (word == "--nights" && i + 1 < argc) nights = std::atoi(argv[++i]);
    if (word == "--seed" && i + 1 < argc) seed = std::strtoull(argv[++i], nullptr, 10);
    if (word == "--only" && i + 1 < argc) only = argv[++i];
    if (word == "--show") show = true;
  }
  const std::vector<std::string> causes = {"thermal_drift", "focus_drift",   "focus_jump",
                                           "missed_focus",  "passing_cloud", "fogging",
                                           "image_motion",  "bad_seeing",    "background_change"};
  std::vector<std::vector<std::string>> plans = {{"healthy"}, {"healthy"}, {"healthy"}};
  for (const auto& cause : causes) plans.push_back({cause});
  plans.push_back({"thermal_drift", "passing_cloud"});
  plans.push_back({"thermal_drift", "focus_jump"});
  plans.push_back({"thermal_drift", "image_motion"});
  plans.push_back({"bad_seeing", "passing_cloud"});

  std::map<std::string, Count> counts;
  int healthy = 0;
  int healthy_clean = 0;
  std::map<std::string, int> healthy_told;
  std::vector<double> rule_error;
  int rules_wanted = 0;
  int rules_given = 0;
  int rules_made_up = 0;
  double seconds = 0;
  int judged = 0;
  for (std::size_t p = 0; p < plans.size(); ++p) {
    if (!only.empty() && (plans[p].size() != 1 || plans[p][0] != only)) continue;
    for (int k = 0; k < nights; ++k) {
      NightMaker maker(seed * 1000003 + p * 7919 + static_cast<std::uint64_t>(k));
      const NightSession night = maker.make({plans[p]});
      const auto before = std::chrono::steady_clock::now();
      const auto judgement = judge_night(night.frames);
      seconds += std::chrono::duration<double>(std::chrono::steady_clock::now() - before).count();
      ++judged;
      if (!judgement) {
        std::printf("refused: %s\n", judgement.error().text().c_str());
        continue;
      }
      const auto found = periods_of(night, judgement->result);
      if (show) {
        std::printf("%s%s night %d:", plans[p][0].c_str(),
                    plans[p].size() > 1 ? ("+" + plans[p][1]).c_str() : "", k);
        for (const auto& s : night.spells) {
          std::printf(" true %s %zu-%zu", s.cause.c_str(), s.first, s.last);
        }
        for (const auto& f : found) {
          std::printf(" | %s%s %zu-%zu", f.cause.c_str(), f.also.empty() ? "" : "?", f.first,
                      f.last);
        }
        std::printf(" (%zu frames)\n", night.frames.size());
      }
      if (plans[p][0] == "healthy") {
        ++healthy;
        if (found.empty()) ++healthy_clean;
        for (const auto& f : found) ++healthy_told[f.cause];
      }
      for (const TrueSpell& spell : night.spells) {
        Count& c = counts[spell.cause];
        ++c.spells;
        const auto length = static_cast<double>(spell.last - spell.first + 1);
        Shared shared;
        for (const Found& f : found) shared.add(spell, f);
        if (shared.same >= 0.5 * length) {
          ++c.found;
        } else if (shared.same + shared.other >= 0.5 * length) {
          ++c.as_other;
        }
      }
      for (const Found& f : found) {
        Count& c = counts[f.cause];
        ++c.told;
        const auto length = static_cast<double>(f.last - f.first + 1);
        Shared shared;
        for (const TrueSpell& spell : night.spells) shared.add(spell, f);
        if (shared.same >= 0.4 * length) {
          ++c.right;
        } else if (shared.same + shared.other >= 0.4 * length) {
          ++c.half_right;
        }
      }
      const auto& rule = judgement->result.refocus_rule;
      if (night.x_per_c) {
        ++rules_wanted;
        if (rule.every_c) {
          ++rules_given;
          const double cycle =
              true_cycle(5.0 / 60 * *night.x_per_c * night.rate_c_per_hour()) / *night.x_per_c;
          rule_error.push_back(*rule.every_c / cycle - 1);
        }
      } else if (!night.x_per_hour && rule.basis) {
        ++rules_made_up;
      }
    }
  }
  std::printf("%d nights, %.1f ms each\n", judged, 1e3 * seconds / judged);
  std::printf("healthy nights without a period: %d of %d (%.1f %%)", healthy_clean, healthy,
              100.0 * healthy_clean / std::max(healthy, 1));
  for (const auto& [cause, count] : healthy_told) std::printf(", %s %d", cause.c_str(), count);
  std::printf("\n\n%-18s %7s %8s %10s %7s %8s %10s\n", "cause", "spells", "found %", "+ similar",
              "told", "right %", "+ similar");
  for (const auto& cause : causes) {
    const Count& c = counts[cause];
    std::printf("%-18s %7d %8.1f %10.1f %7d %8.1f %10.1f\n", cause.c_str(), c.spells,
                100.0 * c.found / std::max(c.spells, 1),
                100.0 * (c.found + c.as_other) / std::max(c.spells, 1), c.told,
                100.0 * c.right / std::max(c.told, 1),
                100.0 * (c.right + c.half_right) / std::max(c.told, 1));
  }
  std::printf("\nrule by temperature: given in %d of %d nights that drifted with it", rules_given,
              rules_wanted);
  if (!rule_error.empty()) {
    std::vector<double> size;
    for (const double e : rule_error) size.push_back(std::abs(e));
    std::printf(
        "; error of every_c: middle %+.1f %%, half of them within %.1f %%, 90 %% within %.1f %%",
        100 * median(rule_error), 100 * median(size), 100 * sample_quantile(size, 0.9));
  }
  std::printf("; made up in %d nights without drift\n", rules_made_up);
  return 0;
}
