#include <algorithm>
#include <cmath>
#include <functional>
#include <map>
#include <numeric>

#include "core/clock.h"
#include "night/focus_model.h"
#include "night/light.h"
#include "night/rule.h"
#include "night/stretches.h"
#include "starwaist/night.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist {

double air_mass(double altitude_deg) {
  constexpr double kRadian = 0.017453292519943295;
  const double h = std::max(altitude_deg, 0.5);
  return 1 / std::sin((h + 244 / (165 + 47 * std::pow(h, 1.1))) * kRadian);
}

namespace night {
namespace {

constexpr double kSizeFloor = 0.006;  // relative, of any measured size
constexpr double kTemperatureShare = 0.7;

bool finite(const std::optional<double>& value) { return !value || std::isfinite(*value); }

Result<void> check(std::span<const NightFrame> frames) {
  for (const NightFrame& f : frames) {
    for (const auto& value :
         {f.time_s, f.exposure_s, f.position_steps, f.temperature_c, f.altitude_deg, f.size_px,
          f.size_sigma_px, f.fwhm_px, f.eccentricity, f.elongation_angle_deg,
          f.elongation_coherence, f.dimming_mag, f.dimming_sigma_mag, f.sky_noise_adu}) {
      if (!finite(value)) {
        return fail(ErrorCode::invalid_argument, f.file + ": a value is not a finite number",
                    "Leave out what is not known");
      }
    }
  }
  return {};
}

// "fell by 2.1 °C"
std::string change_words(double change) {
  return (change < 0 ? "fell by " : "rose by ") + format_fixed(std::abs(change), 1) + " °C";
}

std::string percent(double ln_growth) {
  return format_fixed(100 * std::expm1(ln_growth), 0) + " %";
}

class Judge {
 public:
  Judge(std::span<const NightFrame> given, const NightOptions& options) : options_(options) {
    order_.resize(given.size());
    std::iota(order_.begin(), order_.end(), std::size_t{0});
    times_known_ = !given.empty() && std::all_of(given.begin(), given.end(), [](const auto& f) {
      return f.time_s.has_value();
    });
    if (times_known_) {
      std::stable_sort(order_.begin(), order_.end(), [&](std::size_t a, std::size_t b) {
        return *given[a].time_s < *given[b].time_s;
      });
    }
    for (const std::size_t i : order_) frames_.push_back(given[i]);
    double clock = 0;
    for (const NightFrame& f : frames_) {
      time_.push_back(times_known_ ? *f.time_s : clock);
      clock += f.exposure_s.value_or(120) + 10;
    }
  }

  Result<NightJudgement> judge() {
    const auto sized = std::count_if(frames_.begin(), frames_.end(), [](const NightFrame& f) {
      return f.size_px && *f.size_px > 0;
    });
    if (sized < NightRules::kFewestFrames) {
      return fail(ErrorCode::no_data,
                  std::to_string(sized) + " of " + std::to_string(frames_.size()) +
                      " frames have stars that could be measured: a night needs three at least",
                  "Name the light frames of one session");
    }
    find_growth();
    light_ = judge_light(frames_, time_, growth_);
    moved_ = judge_motion(frames_, growth_, std::vector<double>(frames_.size(), 0.0));
    find_focus();
    moved_ = judge_motion(frames_, growth_, focus_);
    find_best();
    answer_frames();
    find_periods();
    find_rule();
    find_verdict();
    NightJudgement judgement;
    judgement.result = std::move(result_);
    judgement.frames.resize(frames_.size());
    for (std::size_t k = 0; k < order_.size(); ++k) {
      judgement.frames[order_[k]] = std::move(answers_[k]);
    }
    return judgement;
  }

 private:
  // ln size over the middle of the group.
  void find_growth() {
    std::map<int, std::vector<double>> by_group;
    for (const NightFrame& f : frames_) {
      if (f.size_px && *f.size_px > 0) by_group[f.group].push_back(std::log(*f.size_px));
    }
    growth_.resize(frames_.size());
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      const NightFrame& f = frames_[i];
      if (f.size_px && *f.size_px > 0) {
        growth_[i] = std::log(*f.size_px) - median(by_group[f.group]);
      }
    }
  }

  [[nodiscard]] Sizes sizes_with(const Stretches& stretches) {
    Sizes s;
    std::map<int, int> groups;
    used_.clear();
    int clear = 0;
    for (std::size_t i = 0; i < frames_.size(); ++i) clear += growth_[i] && !light_.fog[i] ? 1 : 0;
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      const NightFrame& f = frames_[i];
      if (!growth_[i]) continue;
      if (light_.fog[i] && clear >= NightRules::kFewestFrames) continue;
      used_.push_back(i);
      s.time_s.push_back(time_[i]);
      s.log_size.push_back(std::log(*f.size_px) - moved_[i].value_or(0));
      const double own =
          std::hypot(f.size_sigma_px.value_or(0.01 * *f.size_px) / *f.size_px, kSizeFloor);
      // What motion adds is known to half of it.
      s.variance.push_back(own * own + std::pow(0.5 * moved_[i].value_or(0), 2));
      s.group.push_back(groups.try_emplace(f.group, static_cast<int>(groups.size())).first->second);
      s.stretch.push_back(stretches.of_frame[i]);
    }
    s.groups = static_cast<int>(groups.size());
    s.positions_known = stretches.known;
    groups_ = groups;
    add_temperatures(s);
    add_air(s);
    soften_outliers(s);
    return s;
  }

  void add_temperatures(Sizes& s) const {
    std::vector<double> when;
    std::vector<double> what;
    for (const std::size_t i : used_) {
      if (!frames_[i].temperature_c) continue;
      when.push_back(time_[i]);
      what.push_back(*frames_[i].temperature_c);
    }
    if (static_cast<double>(what.size()) < kTemperatureShare * static_cast<double>(used_.size()) ||
        what.size() < 3) {
      return;
    }
    // A thermometer's steps and noise would look like focus: a straight line through the readings
    // around each frame, weighed down with distance.
    constexpr double kWidth = 600;  // seconds
    for (const std::size_t i : used_) {
      double w0 = 0;
      double w1 = 0;
      double w2 = 0;
      double y0 = 0;
      double y1 = 0;
      const auto first = std::lower_bound(when.begin(), when.end(), time_[i] - 3 * kWidth);
      for (auto k = static_cast<std::size_t>(first - when.begin());
           k < when.size() && when[k] <= time_[i] + 3 * kWidth; ++k) {
        const double t = (when[k] - time_[i]) / kWidth;
        const double w = std::exp(-t * t / 2);
        w0 += w;
        w1 += w * t;
        w2 += w * t * t;
        y0 += w * what[k];
        y1 += w * t * what[k];
      }
      const double spread = w0 * w2 - w1 * w1;
      if (w0 > 0) {
        s.temperature_c.push_back(spread > 0.05 * w0 * w0 ? (w2 * y0 - w1 * y1) / spread : y0 / w0);
      } else {  // none near: the one before, or the first
        const auto after = std::lower_bound(when.begin(), when.end(), time_[i]);
        const auto k = static_cast<std::size_t>(after - when.begin());
        s.temperature_c.push_back(what[k > 0 ? k - 1 : 0]);
      }
    }
  }

  void add_air(Sizes& s) const {
    if (!light_.slow_mag.empty()) {
      // Without altitudes air mass by the light that is lost: a fifth of a magnitude each.
      constexpr double kExtinction = 0.2;
      for (const std::size_t i : used_) {
        s.log_air_mass.push_back(std::log1p(light_.slow_mag[i] / kExtinction));
      }
      const auto [low, high] = std::minmax_element(s.log_air_mass.begin(), s.log_air_mass.end());
      if (*high - *low < 0.03) s.log_air_mass.clear();
      return;
    }
    for (const std::size_t i : used_) {
      if (!frames_[i].altitude_deg || *frames_[i].altitude_deg < 5) {
        s.log_air_mass.clear();
        return;
      }
      s.log_air_mass.push_back(std::log(air_mass(*frames_[i].altitude_deg)));
    }
    const auto [low, high] = std::minmax_element(s.log_air_mass.begin(), s.log_air_mass.end());
    if (*high - *low < 0.03) {
      s.log_air_mass.clear();
      return;
    }
    const double least = *low;
    for (double& value : s.log_air_mass) value -= least;
  }

  // A frame far off both neighbours of its group (a passing aeroplane, a bump) counts less.
  static void soften_outliers(Sizes& s) {
    std::map<int, std::vector<std::size_t>> by_group;
    for (std::size_t i = 0; i < s.size(); ++i) by_group[s.group[i]].push_back(i);
    std::vector<double> off;
    std::vector<std::pair<std::size_t, double>> found;
    for (const auto& [group, members] : by_group) {
      for (std::size_t k = 1; k + 1 < members.size(); ++k) {
        const double before = s.log_size[members[k - 1]];
        const double after = s.log_size[members[k + 1]];
        const double here = s.log_size[members[k]];
        const double beyond =
            std::max({here - std::max(before, after), std::min(before, after) - here, 0.0});
        off.push_back(std::abs(here - 0.5 * (before + after)));
        if (beyond > 0) found.emplace_back(members[k], beyond);
      }
    }
    if (off.size() < 5) return;
    const double usual = 1.4826 * median(off);
    for (const auto& [i, beyond] : found) {
      if (beyond > std::max(0.12, 4 * usual)) s.variance[i] += beyond * beyond;
    }
  }

  void find_focus() {
    stretches_ = find_stretches(frames_, false);
    sizes_ = sizes_with(stretches_);
    model_ = explain_sizes(sizes_, NightRules::kDriftOdds, NightRules::kStepOdds);
    const Stretches finer = find_stretches(frames_, true);
    if (finer.refocuses != stretches_.refocuses) {
      const Sizes other = sizes_with(finer);
      FocusModel with = explain_sizes(other, NightRules::kDriftOdds, NightRules::kStepOdds);
      const double better = score(with) - score(model_);
      if (better > 0) {
        sizes_ = other;
        model_ = std::move(with);
        stretches_ = finer;
      }
    }
    focus_.assign(frames_.size(), 0.0);
    drifted_.assign(frames_.size(), 0.0);
    seen_.assign(frames_.size(), std::nullopt);
    air_.assign(frames_.size(), 0.0);
    for (std::size_t k = 0; k < used_.size(); ++k) {
      focus_[used_[k]] = model_.focus[k];
      drifted_[used_[k]] = model_.by_drift[k];
      air_[used_[k]] = model_.air[k];
      seen_[used_[k]] = model_.seen[k];
    }
    result_.refocuses = stretches_.refocuses;
  }

  static double score(const FocusModel& model) {
    double sum = model.log_likelihood;
    if (model.drift) sum -= NightRules::kDriftOdds;
    for (const Step& step : model.steps) sum -= step.needed_odds;
    return sum;
  }

  void find_best() {
    std::vector<double> seen;
    for (const auto& value : seen_) {
      if (value) seen.push_back(*value);
    }
    typical_ = median(seen);
    good_ = sample_quantile(seen, 0.125);  // middle of the best quarter
    // Beyond 12 frames the sigma of the lower half; blind to spells of bad seeing.
    lower_ = lower_sigma(seen);
    result_.seeing_scatter_percent = 100 * std::expm1(lower_);
    std::map<std::string, NightFilter> filters;
    std::map<std::string, std::vector<double>> sizes;
    std::map<std::string, std::vector<double>> levels;
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      const std::string name = lower_case(frames_[i].filter.value_or(""));
      NightFilter& filter = filters[name];
      filter.filter = frames_[i].filter;
      if (!growth_[i]) continue;
      filter.frames += 1;
      sizes[name].push_back(*frames_[i].size_px);
      if (const auto best = best_of(i)) levels[name].push_back(*best);
    }
    for (auto& [name, filter] : filters) {
      if (!sizes[name].empty()) filter.median_size_px = median(sizes[name]);
      if (!levels[name].empty()) {
        filter.best_size_px = *std::min_element(levels[name].begin(), levels[name].end());
      }
      result_.filters.push_back(filter);
    }
    std::stable_sort(result_.filters.begin(), result_.filters.end(),
                     [](const auto& a, const auto& b) { return a.frames > b.frames; });
  }

  // Smallest size that this frame could have had.
  [[nodiscard]] std::optional<double> best_of(std::size_t i) const {
    const auto group = groups_.find(frames_[i].group);
    if (group == groups_.end()) return std::nullopt;
    return std::exp(model_.levels[static_cast<std::size_t>(group->second)] + good_ + air_[i]);
  }

  // ln of the size over the best reachable.
  [[nodiscard]] std::optional<double> loss(std::size_t i) const {
    const auto best = best_of(i);
    if (!best || !growth_[i]) return std::nullopt;
    return std::max(std::log(*frames_[i].size_px / *best), 0.0);
  }

  void answer_frames() {
    answers_.resize(frames_.size());
    cost_.assign(frames_.size(), 0.0);
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      NightFrameAnswer& answer = answers_[i];
      const auto grown = loss(i);
      const double exposure = frames_[i].exposure_s.value_or(0);
      result_.exposure_s += exposure;
      if (light_.lost_mag[i]) {
        answer.light_percent = 100 * std::pow(10, -0.4 * *light_.lost_mag[i]);
      }
      if (!grown) continue;
      answer.loss_percent = 100 * std::expm1(*grown);
      const double by_focus = std::min(focus_[i], *grown);
      answer.focus_loss_percent = 100 * std::expm1(by_focus);
      const double dimmed = light_.cloud[i] || light_.fog[i] ? light_.lost_mag[i].value_or(0) : 0;
      const double worth = std::exp(-2 * *grown) * std::pow(10, -0.8 * dimmed);
      answer.worth_percent = 100 * worth;
      result_.exposure_lost_s += exposure * (1 - worth);
      result_.focus_lost_s += exposure * (1 - std::exp(-2 * by_focus));
    }
  }

  // Frames of a cause and, for each, the share of the exposure that the cause took.
  struct Spell {
    std::string cause;
    std::vector<std::size_t> members;
    bool focus = false;
    std::vector<std::string> also;
    std::string words;
  };

  [[nodiscard]] std::string time_words(std::size_t i) const {
    if (!times_known_) return frames_[i].file;
    return core::format_utc(time_[i]).substr(11, 5);
  }

  void add_period(const Spell& spell, const std::function<double(std::size_t)>& share_lost) {
    if (spell.members.empty()) return;
    const std::size_t first = spell.members.front();
    const std::size_t last = spell.members.back();
    NightPeriod period;
    if (times_known_) {
      period.from_utc = core::format_utc(time_[first]).substr(0, 19);
      period.to_utc =
          core::format_utc(time_[last] + frames_[last].exposure_s.value_or(0)).substr(0, 19);
    }
    period.from_file = frames_[first].file;
    period.to_file = frames_[last].file;
    period.frames = static_cast<int>(spell.members.size());
    period.cause = spell.cause;
    period.also_possible = spell.also;
    period.focus_lost = spell.focus;
    period.summary = spell.words;
    double grown = 0;
    int counted = 0;
    for (const std::size_t i : spell.members) {
      if (const auto l = loss(i)) {
        grown += *l;
        ++counted;
      }
      const double lost = share_lost(i);
      period.exposure_lost_s += frames_[i].exposure_s.value_or(0) * lost;
      if (lost > cost_[i]) {
        cost_[i] = lost;
        answers_[i].cause = spell.cause;
      }
    }
    if (counted > 0) period.loss_percent = 100 * std::expm1(grown / counted);
    starts_.push_back(time_[first]);
    result_.periods.push_back(std::move(period));
  }

  // Frames that follow each other, gaps of at most `gap` frames closed.
  [[nodiscard]] std::vector<std::vector<std::size_t>> runs_of(const std::vector<bool>& mask,
                                                              std::size_t gap) const {
    std::vector<std::vector<std::size_t>> runs;
    for (std::size_t i = 0; i < mask.size(); ++i) {
      if (!mask[i]) continue;
      if (runs.empty() || i - runs.back().back() > gap + 1) runs.emplace_back();
      runs.back().push_back(i);
    }
    return runs;
  }

  void find_periods() {
    add_drift();
    add_steps();
    add_clouds();
    add_fog();
    add_motion();
    add_bad_seeing();
    add_sky();
    std::vector<std::size_t> order(starts_.size());
    std::iota(order.begin(), order.end(), std::size_t{0});
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return starts_[a] < starts_[b]; });
    std::vector<NightPeriod> sorted;
    for (const std::size_t k : order) sorted.push_back(std::move(result_.periods[k]));
    result_.periods = std::move(sorted);
  }

  void add_drift() {
    if (!model_.drift) return;
    const Drift& drift = *model_.drift;
    const bool thermal = drift.by == DriftBy::temperature;
    std::vector<std::string> also;
    if (drift.odds < NightRules::kDriftOdds + NightRules::kSureOdds)
      also.emplace_back("bad_seeing");
    if (drift.other_odds && drift.odds - *drift.other_odds < NightRules::kTie) {
      also.emplace_back(thermal ? "focus_drift" : "thermal_drift");
    }
    std::map<std::size_t, Spell> by_stretch;
    std::map<std::size_t, std::size_t> begin;  // first frame of the stretch
    for (std::size_t k = 0; k < used_.size(); ++k) {
      const std::size_t i = used_[k];
      begin.try_emplace(sizes_.stretch[k], k);
      if (drifted_[i] < NightRules::kLost) continue;
      by_stretch[sizes_.stretch[k]].members.push_back(i);
    }
    for (auto& [stretch, spell] : by_stretch) {
      spell.cause = thermal ? "thermal_drift" : "focus_drift";
      spell.also = also;
      spell.focus = true;
      double most = 0;
      for (const std::size_t i : spell.members) most = std::max(most, drifted_[i]);
      spell.words = "From " + time_words(spell.members.front()) +
                    " on focus drifted away: stars up to " + percent(most) + " larger";
      const std::size_t start = begin[stretch];
      if (!sizes_.temperature_c.empty()) {
        const auto at = [&](std::size_t i) {
          const auto place = std::lower_bound(used_.begin(), used_.end(), i);
          return sizes_.temperature_c[static_cast<std::size_t>(place - used_.begin())];
        };
        const double change = at(spell.members.back()) - sizes_.temperature_c[start];
        spell.words += ", while the temperature " + change_words(change) + " since " +
                       (stretch > 0 ? "the last refocus" : "the beginning");
      }
      spell.words += ".";
      if (drifted_[used_[start]] >= 2 * NightRules::kLost) {
        spell.words += stretch > 0 ? " The refocus before it had not reached focus."
                                   : " The night began out of focus.";
      }
      if (thermal && !also.empty() && also.back() == "focus_drift") {
        spell.words += " Time and temperature went together, so either may be behind it.";
      }
      add_period(spell, [this](std::size_t i) { return 1 - std::exp(-2 * drifted_[i]); });
    }
  }

  void add_steps() {
    for (const Step& step : model_.steps) {
      Spell spell;
      for (std::size_t k = step.first; k <= step.last; ++k) spell.members.push_back(used_[k]);
      spell.focus = true;
      spell.cause = step.from_refocus ? "missed_focus" : "focus_jump";
      if (step.odds < step.needed_odds + NightRules::kSureOdds)
        spell.also.emplace_back("bad_seeing");
      const bool ends_by_itself = step.last + 1 < used_.size() &&
                                  sizes_.stretch[step.last] == sizes_.stretch[step.last + 1];
      spell.words =
          step.from_refocus
              ? std::string(step.first == 0 ? "The night began" : "The refocus before ") +
                    (step.first == 0 ? "" : time_words(spell.members.front())) +
                    (step.first == 0 ? " out of focus" : " missed focus") + ": stars " +
                    percent(step.height) + " larger" +
                    (ends_by_itself
                         ? " until focus was changed before " + time_words(used_[step.last + 1])
                         : std::string()) +
                    "."
              : "Just before " + time_words(spell.members.front()) + " focus jumped: stars " +
                    percent(step.height) +
                    " larger from one frame to the next (a knock, a slipping focuser or a "
                    "mirror that moved).";
      const double height = step.height;
      add_period(spell, [height](std::size_t) { return 1 - std::exp(-2 * height); });
    }
  }

  void add_clouds() {
    for (const auto& members : runs_of(light_.cloud, 2)) {
      Spell spell;
      spell.cause = "passing_cloud";
      spell.members = members;
      double most = 0;
      for (const std::size_t i : members) most = std::max(most, light_.lost_mag[i].value_or(0));
      spell.words = "From " + time_words(members.front()) + " to " + time_words(members.back()) +
                    " the stars lost up to " +
                    format_fixed(100 * (1 - std::pow(10, -0.4 * most)), 0) +
                    " % of their light: cloud or haze. Focus is not to blame.";
      if (light_.fog_or_cloud && time_[members.back()] >= light_.seconds_tied_from &&
          members.back() + 3 >= frames_.size()) {
        spell.also.emplace_back("fogging");
        spell.words += " The light did not come back: dew may be behind it. Look at the optics.";
      }
      add_period(spell, [this](std::size_t i) {
        return 1 - std::pow(10, -0.8 * light_.lost_mag[i].value_or(0));
      });
    }
  }

  void add_fog() {
    for (const auto& members : runs_of(light_.fog, 1000000)) {
      Spell spell;
      spell.cause = "fogging";
      spell.members = members;
      const double most = light_.lost_mag[members.back()].value_or(0);
      spell.words = "From " + time_words(members.front()) +
                    " on the stars faded steadily and grew, down to " +
                    format_fixed(100 * std::pow(10, -0.4 * most), 0) +
                    " % of their light: dew or frost on the optics. Refocusing does not help; warm "
                    "the optics gently.";
      add_period(spell, [this](std::size_t i) {
        return 1 - std::pow(10, -0.8 * light_.lost_mag[i].value_or(0)) *
                       std::exp(-2 * loss(i).value_or(0));
      });
    }
  }

  void add_motion() {
    std::vector<bool> mask(frames_.size());
    for (std::size_t i = 0; i < frames_.size(); ++i) mask[i] = moved_[i].has_value();
    for (const auto& members : runs_of(mask, 2)) {
      Spell spell;
      spell.cause = "image_motion";
      spell.members = members;
      spell.words =
          (members.size() == 1
               ? "At " + time_words(members.front())
               : "From " + time_words(members.front()) + " to " + time_words(members.back())) +
          " the stars are drawn out, all the same way: tracking, wind or a bump. Focus is "
          "not to blame.";
      add_period(spell, [this](std::size_t i) { return 1 - std::exp(-2 * moved_[i].value_or(0)); });
    }
  }

  // Of three frames in a row the middle one.
  void add_bad_seeing() {
    std::vector<std::size_t> with;
    std::vector<double> seen;
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      if (!seen_[i] || moved_[i] || light_.fog[i]) continue;
      with.push_back(i);
      seen.push_back(*seen_[i] - typical_);
    }
    const double limit = std::max(NightRules::kBadSeeing, 4 * lower_);
    std::vector<bool> mask(frames_.size());
    for (std::size_t k = 1; k + 1 < with.size(); ++k) {
      if (median(std::span(seen).subspan(k - 1, 3)) <= limit) continue;
      for (std::size_t j = k - 1; j <= k + 1; ++j) {
        if (seen[j] > 0.5 * limit) mask[with[j]] = true;
      }
    }
    for (const auto& members : runs_of(mask, 2)) {
      Spell spell;
      spell.cause = "bad_seeing";
      spell.members = members;
      double most = 0;
      for (const std::size_t i : members) most = std::max(most, *seen_[i] - typical_);
      spell.words = "From " + time_words(members.front()) + " to " + time_words(members.back()) +
                    " stars were up to " + percent(most) +
                    " larger than usual and came back by themselves: unsteady air.";
      add_period(spell, [this](std::size_t i) {
        return 1 - std::exp(-2 * std::max(seen_[i].value_or(typical_) - typical_, 0.0));
      });
    }
  }

  // Noise of the sky squared goes as its light.
  void add_sky() {
    std::map<std::pair<int, double>, std::vector<double>> by_kind;
    const auto brightness = [&](std::size_t i) -> std::optional<double> {
      const auto& noise = frames_[i].sky_noise_adu;
      if (!noise || !(*noise > 0)) return std::nullopt;
      return 2 * std::log(*noise);
    };
    const auto kind = [&](std::size_t i) {
      return std::pair(frames_[i].group, frames_[i].exposure_s.value_or(0));
    };
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      if (const auto b = brightness(i)) by_kind[kind(i)].push_back(*b);
    }
    std::vector<bool> mask(frames_.size());
    sky_.assign(frames_.size(), 0.0);
    for (std::size_t i = 0; i < frames_.size(); ++i) {
      const auto b = brightness(i);
      if (!b) continue;
      sky_[i] = *b - sample_quantile(by_kind[kind(i)], 0.25);
      mask[i] = sky_[i] > std::log(NightRules::kSkyFactor) && !light_.cloud[i];
    }
    for (const auto& members : runs_of(mask, 2)) {
      if (members.size() < 2) continue;
      Spell spell;
      spell.cause = "background_change";
      spell.members = members;
      double most = 0;
      for (const std::size_t i : members) most = std::max(most, sky_[i]);
      spell.words = "From " + time_words(members.front()) + " to " + time_words(members.back()) +
                    " the sky was up to " + format_fixed(std::exp(most), 1) +
                    " times as bright: moon, twilight or a lamp. Focus is not to blame.";
      add_period(spell, [this](std::size_t i) { return 1 - std::exp(-sky_[i]); });
    }
  }

  void find_rule() {
    RuleFacts facts;
    facts.focus_lost = std::any_of(result_.periods.begin(), result_.periods.end(),
                                   [](const NightPeriod& p) { return p.focus_lost; });
    // Level of the filter with the most frames.
    const std::string filter = lower_case(result_.filters.front().filter.value_or(""));
    std::vector<double> levels;
    for (const NightFrame& f : frames_) {
      if (lower_case(f.filter.value_or("")) != filter) continue;
      const auto group = groups_.find(f.group);
      if (group != groups_.end()) {
        levels.push_back(model_.levels[static_cast<std::size_t>(group->second)]);
      }
    }
    if (levels.empty()) levels = model_.levels;
    facts.level_size_px = std::exp(median(levels) + typical_);
    std::vector<double> seen;
    for (const auto& value : seen_) {
      if (value) seen.push_back(*value - typical_);
    }
    constexpr std::size_t kFewest = 20;  // to tell what seeing hardly passes
    if (seen.size() >= kFewest) {
      std::vector<double> of_three;
      for (std::size_t k = 1; k + 1 < seen.size(); ++k) {
        of_three.push_back(*std::min_element(seen.begin() + static_cast<std::ptrdiff_t>(k) - 1,
                                             seen.begin() + static_cast<std::ptrdiff_t>(k) + 2));
      }
      facts.seen_limit = std::max(sample_quantile(of_three, 0.98), NightRules::kLost);
    }
    if (!sizes_.temperature_c.empty()) {
      double change = 0;
      double hours = 0;
      for (std::size_t k = 0, first = 0; k < sizes_.size(); ++k) {
        const bool ends = k + 1 == sizes_.size() || sizes_.stretch[k + 1] != sizes_.stretch[first];
        if (!ends) continue;
        change += std::abs(sizes_.temperature_c[k] - sizes_.temperature_c[first]);
        hours += (sizes_.time_s[k] - sizes_.time_s[first]) / 3600;
        first = k + 1;
      }
      if (hours > 0) facts.c_per_hour = change / hours;
    }
    result_.refocus_rule = refocus_rule(model_.drift, facts, options_);
    if (!times_known_) {  // no minutes from an order alone
      RefocusRule& rule = result_.refocus_rule;
      rule.every_minutes.reset();
      rule.pays_after_minutes.reset();
      if (rule.basis && !rule.every_c) {
        rule.basis.reset();
        rule.summary = "Focus drifted. Without times no rule in minutes can be told.";
      }
    }
  }

  void find_verdict() {
    auto& reasons = result_.reasons;
    const auto count = frames_.size();
    const auto without = static_cast<std::size_t>(
        std::count_if(growth_.begin(), growth_.end(), [](const auto& g) { return !g; }));
    const auto dark = static_cast<std::size_t>(std::count_if(
        light_.lost_mag.begin(), light_.lost_mag.end(), [](const auto& m) { return !m; }));
    if (used_.size() < NightRules::kTrustedFrames) {
      reasons.push_back("only " + std::to_string(used_.size()) +
                        " frames tell their size: with fewer than " +
                        std::to_string(NightRules::kTrustedFrames) +
                        " seeing and focus can hardly be told apart");
    }
    if (!times_known_) {
      reasons.push_back(
          "not all frames say when they were taken: they count in the order of their names, and "
          "nothing is said about time");
    }
    if (3 * without > count) {
      reasons.push_back(std::to_string(without) + " of " + std::to_string(count) +
                        " frames have no star that could be measured");
    }
    if (2 * dark > count) {
      reasons.push_back("in " + std::to_string(dark) + " of " + std::to_string(count) +
                        " frames the same stars could not be followed: cloud and dew could not be "
                        "looked for");
    }
    for (const NightPeriod& period : result_.periods) {
      const bool seeing = std::find(period.also_possible.begin(), period.also_possible.end(),
                                    "bad_seeing") != period.also_possible.end();
      const bool fog = std::find(period.also_possible.begin(), period.also_possible.end(),
                                 "fogging") != period.also_possible.end();
      if (seeing) {
        reasons.push_back("lost focus from " + period.from_utc.value_or(period.from_file) +
                          " on could also be slow seeing");
        break;
      }
      if (fog) {
        reasons.push_back("whether cloud or dew took the light from " +
                          period.from_utc.value_or(period.from_file) + " on cannot be told");
        break;
      }
    }
    result_.verdict = reasons.empty() ? Verdict::trusted : Verdict::doubtful;
    if (!stretches_.known) {
      result_.notes.emplace_back(
          "The frames do not say where the focuser stood: when it was refocused is not known.");
    } else if (stretches_.follows) {
      result_.notes.emplace_back(
          "The focuser moved at nearly every frame, as when it follows the temperature: small "
          "moves "
          "are not taken for a refocus.");
    }
    if (sizes_.temperature_c.empty()) {
      result_.notes.emplace_back("Temperatures are not known, so no rule by temperature.");
    }
  }

  NightOptions options_;
  std::vector<std::size_t> order_;
  std::vector<NightFrame> frames_;
  std::vector<double> time_;
  bool times_known_ = false;
  std::vector<std::optional<double>> growth_;
  Light light_;
  std::vector<std::optional<double>> moved_;
  Stretches stretches_;
  std::vector<std::size_t> used_;  // frames of `sizes_`
  std::map<int, int> groups_;
  Sizes sizes_;
  FocusModel model_;
  std::vector<double> focus_;
  std::vector<double> drifted_;
  std::vector<double> air_;
  std::vector<std::optional<double>> seen_;
  std::vector<double> sky_;
  double typical_ = 0;
  double good_ = 0;
  double lower_ = 0;
  std::vector<NightFrameAnswer> answers_;
  std::vector<double> cost_;
  std::vector<double> starts_;
  NightResult result_;
};

}  // namespace
}  // namespace night

Result<NightJudgement> judge_night(std::span<const NightFrame> frames,
                                   const NightOptions& options) {
  if (auto sound = night::check(frames); !sound) return tl::unexpected<Error>(sound.error());
  return night::Judge(frames, options).judge();
}

}  // namespace starwaist
