#include "starwaist/plan.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "advice/information.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace advice {
namespace {

constexpr int kMostPoints = 21;
constexpr int kMostFrames = 5;
constexpr double kLongestMinutes = 15;
// Outermost size over the smallest. Locally D-optimal designs have their outer points at twice the
// smallest size; up to three times costs little and forgives a sweep off centre.
constexpr double kLeastEdge = 2;
constexpr double kMostEdge = 3;
// Nobody centres a sweep exactly: best focus is taken anywhere within this (B) of its middle.
constexpr double kUnknownOffset = 1;
constexpr double kLeastOffset = 0.3;
constexpr double kMostOffset = 1.5;
// Exposures tried where a run shows what they buy; shorter ones freeze the seeing (common practice,
// no source).
constexpr std::array kExposures{3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 30.0};
// The prediction is good to some 5 %: a point more, a fifth of a run of five, is not asked for
// less.
constexpr double kNearly = 1.05;
// A focuser needs some stops inside the zone to be set to its middle.
constexpr double kStopsInZone = 5;

struct Sweep {
  int points = 0;
  double step_steps = 0;
  int frames = 1;
  double exposure_s = 0;
  double sigma_steps = 0;
  double seconds = 0;
  bool trusted = false;
};

// Scatter estimated from `degrees` residuals over its true value, not exceeded in nine of ten runs:
// root of the chi-squared quantile over the degrees (Wilson and Hilferty 1931, from memory).
double unlucky_scatter(int degrees) {
  constexpr double kNineOfTen = 1.2816;  // normal quantile
  const double c = 2.0 / (9.0 * degrees);
  return std::sqrt(std::pow(1 - c + kNineOfTen * std::sqrt(c), 3));
}

class Planner {
 public:
  Planner(const NightFacts& night, const Rig& rig, const PlanOptions& options)
      : night_(night),
        rig_(rig),
        options_(options),
        shape_(shape_of(night, rig)),
        core_(night.core_steps()) {}

  Result<FocusPlan> run() {
    if (auto room = find_room(); !room) return tl::unexpected<Error>(room.error());
    set_target();
    search();
    return describe();
  }

 private:
  Result<void> find_room() {
    centre_ = options_.centre_steps ? options_.centre_steps : night_.best_focus_steps;
    offset_ = kUnknownOffset;
    if (centre_ && !options_.centre_steps && night_.best_focus_sigma_steps) {
      offset_ = std::clamp(2 * *night_.best_focus_sigma_steps / core_, kLeastOffset, kMostOffset);
    }
    room_ = 1e300;
    if (rig_.min_position_steps && rig_.max_position_steps) {
      room_ = std::floor(*rig_.max_position_steps) - std::ceil(*rig_.min_position_steps);
      if (room_ < VerdictRules::kTrustedPoints - 1) {
        return fail(ErrorCode::invalid_argument,
                    "the focuser's limits leave room for " + format_fixed(room_, 0) + " steps",
                    "Correct --min-position-steps and --max-position-steps");
      }
    }
    if (centre_ && ((rig_.min_position_steps && *centre_ < *rig_.min_position_steps) ||
                    (rig_.max_position_steps && *centre_ > *rig_.max_position_steps))) {
      return fail(ErrorCode::invalid_argument,
                  "best focus " + format_like_sigma(*centre_, 1.0) +
                      " steps lies outside the focuser's limits",
                  "Correct --min-position-steps and --max-position-steps, or shorten or lengthen "
                  "the distance to the camera");
    }
    return {};
  }

  void set_target() {
    zone_steps_ = critical_focus_zone_steps(rig_);
    seeing_half_steps_ = core_ * distance_of_ratio(shape_, 1 + options_.seeing_tolerance);
    half_zone_ = zone_steps_ ? 0.5 * *zone_steps_ : 0.5 * seeing_half_steps_;
    wanted_ = options_.wanted_sigma_steps.value_or(
        half_zone_ / normal_quantile(0.5 + 0.5 * options_.probability));
  }

  [[nodiscard]] std::vector<double> exposures() const {
    if (options_.exposure_s) return {*options_.exposure_s};
    if (!night_.noise_measured) return {night_.exposure_s};
    std::vector<double> list(kExposures.begin(), kExposures.end());
    if (std::find(list.begin(), list.end(), night_.exposure_s) == list.end()) {
      list.push_back(night_.exposure_s);
    }
    return list;
  }

  // Middle of the sweep less the known centre: moved where a limit is near.
  [[nodiscard]] double shift_for_limits(double half_range_steps) const {
    if (!centre_) return 0;
    double shift = 0;
    if (rig_.max_position_steps) {
      shift = std::min(shift, *rig_.max_position_steps - (*centre_ + half_range_steps));
    }
    if (rig_.min_position_steps) {
      shift = std::max(shift, *rig_.min_position_steps - (*centre_ - half_range_steps));
    }
    return shift;
  }

  void predict(Sweep& sweep) const {
    const PointNoise noise{night_.measuring_error * std::sqrt(night_.exposure_s / sweep.exposure_s),
                           night_.seeing_scatter * night_.seeing_share, sweep.frames};
    const double half = 0.5 * (sweep.points - 1) * sweep.step_steps;
    const double shift = shift_for_limits(half) / core_;
    // Mean variance over where best focus may lie (midpoint rule).
    constexpr int kOffsets = 5;
    double variance = 0;
    for (int k = 0; k < kOffsets; ++k) {
      const double offset = shift + offset_ * ((2.0 * k + 1) / kOffsets - 1);
      Information information;
      for (int i = 0; i < sweep.points; ++i) {
        information.add(shape_, offset + (i * sweep.step_steps - half) / core_, noise);
      }
      const auto sigma = information.sigma();
      if (!sigma) {
        variance = 1e300;
        break;
      }
      variance += *sigma * *sigma / kOffsets;
    }
    const int frames = sweep.points * sweep.frames;
    sweep.sigma_steps = std::sqrt(variance) * core_ * fit_cost(frames);
    sweep.seconds =
        sweep.points * (options_.move_s + sweep.frames * (sweep.exposure_s + options_.download_s));
    // The scatter that a run shows of itself varies from run to run: the interval counts as it is
    // in nine of ten.
    const double half_width =
        student_t_quantile(0.975, frames - 3) * sweep.sigma_steps * unlucky_scatter(frames - 3);
    const double allowed =
        std::max(zone_steps_ ? half_zone_ : 0.0, VerdictRules::kHalfWidthOverCore * core_);
    sweep.trusted = half_width <= kNearly * allowed;
  }

  // Whole steps with which n points reach from twice to three times the smallest size; the nearest
  // that the focuser and its limits allow where none does.
  [[nodiscard]] std::vector<double> steps_of(int points) const {
    const double gaps = points - 1;
    const double low = 2 * core_ * distance_of_ratio(shape_, kLeastEdge) / gaps;
    const double high = 2 * core_ * distance_of_ratio(shape_, kMostEdge) / gaps;
    const double most = std::max(1.0, std::floor(room_ / gaps));
    std::vector<double> steps;
    constexpr int kTries = 16;
    for (int i = 0; i <= kTries; ++i) {
      const double step = std::round(low + (high - low) * i / kTries);
      const double whole = std::clamp(step, 1.0, most);
      if (whole < low - 0.5 && whole < most) continue;
      if (steps.empty() || steps.back() != whole) steps.push_back(whole);
    }
    return steps;
  }

  [[nodiscard]] bool reaches(const Sweep& s) const { return s.trusted && s.sigma_steps <= wanted_; }

  // Quicker is better among those that reach the wanted sigma, more accurate among the others.
  [[nodiscard]] bool better(const Sweep& a, const Sweep& b) const {
    if (reaches(a) != reaches(b)) return reaches(a);
    if (!reaches(a)) {
      const bool a_long = a.seconds > 60 * kLongestMinutes;
      const bool b_long = b.seconds > 60 * kLongestMinutes;
      if (a_long != b_long) return b_long;
      return a.sigma_steps < b.sigma_steps;
    }
    if (a.seconds != b.seconds) return a.seconds < b.seconds;
    return a.sigma_steps < b.sigma_steps;
  }

  void search() {
    for (int n = VerdictRules::kTrustedPoints; n <= kMostPoints; ++n) {
      if (n - 1 > room_) break;
      bool first = true;
      Sweep best_of_n;
      for (const double step : steps_of(n)) {
        for (const double exposure : exposures()) {
          for (int frames = 1; frames <= kMostFrames; ++frames) {
            Sweep sweep{n, step, frames, exposure, 0, 0, false};
            predict(sweep);
            if (first || better(sweep, best_of_n)) best_of_n = sweep;
            first = false;
          }
        }
      }
      if (!first) of_points_.push_back(best_of_n);
    }
    chosen_ = *std::min_element(of_points_.begin(), of_points_.end(),
                                [&](const Sweep& a, const Sweep& b) { return better(a, b); });
  }

  [[nodiscard]] std::optional<double> in_zone(double sigma) const {
    if (!zone_steps_) return std::nullopt;
    return 2 * normal_cdf(half_zone_ / sigma) - 1;
  }

  [[nodiscard]] double edge_ratio(int points, double step) const {
    return shape_.at(0.5 * (points - 1) * step / core_).h;
  }

  // The table's rows: one frame a point at the chosen exposure, and the chosen plan itself.
  [[nodiscard]] std::vector<PlanAlternative> alternatives() const {
    std::vector<Sweep> rows;
    for (const int n : {5, 7, 9, 11, 13, 15}) {
      if (n - 1 > room_) break;
      bool first = true;
      Sweep best;
      for (const double step : steps_of(n)) {
        Sweep sweep{n, step, 1, chosen_.exposure_s, 0, 0, false};
        predict(sweep);
        if (first || sweep.sigma_steps < best.sigma_steps) best = sweep;
        first = false;
      }
      const bool is_chosen = n == chosen_.points && chosen_.frames == 1;
      rows.push_back(is_chosen ? chosen_ : best);
    }
    if (std::none_of(rows.begin(), rows.end(), [&](const Sweep& s) {
          return s.points == chosen_.points && s.frames == chosen_.frames;
        })) {
      const auto after = std::find_if(rows.begin(), rows.end(),
                                      [&](const Sweep& s) { return s.points > chosen_.points; });
      rows.insert(after, chosen_);
    }
    std::vector<PlanAlternative> list;
    for (const Sweep& s : rows) {
      PlanAlternative a;
      a.points = s.points;
      a.step_steps = s.step_steps;
      a.frames_per_point = s.frames;
      a.exposure_s = s.exposure_s;
      a.expected_sigma_steps = s.sigma_steps;
      a.probability_in_zone = in_zone(s.sigma_steps);
      a.minutes = s.seconds / 60;
      a.edge_size_ratio = edge_ratio(s.points, s.step_steps);
      a.trusted = s.trusted;
      list.push_back(a);
    }
    return list;
  }

  void place(FocusPlan& plan) const {
    if (!centre_) return;
    const double shift = shift_for_limits(plan.half_range_steps);
    plan.centre_steps = *centre_ + shift;
    for (int i = 0; i < plan.points; ++i) {
      double position =
          std::round(*plan.centre_steps - plan.half_range_steps + i * plan.step_steps);
      if (rig_.max_position_steps) {
        position = std::min(position, std::floor(*rig_.max_position_steps));
      }
      if (rig_.min_position_steps) {
        position = std::max(position, std::ceil(*rig_.min_position_steps));
      }
      plan.positions_steps.push_back(position);
    }
    if (std::abs(shift) >= 0.5) {
      plan.notes.push_back("the focuser's limits push the sweep " +
                           format_fixed(std::abs(shift), 0) + " steps off best focus");
    }
  }

  void note(FocusPlan& plan) const {
    const auto steps = [](double value) { return format_like_sigma(value, std::nullopt); };
    if (zone_steps_ && *zone_steps_ < kStopsInZone) {
      const double gearing = std::ceil(kStopsInZone / *zone_steps_);
      std::string note = "the focuser is coarse for these optics: the focus zone is " +
                         steps(*zone_steps_) + " steps wide, one step moves the focus by " +
                         steps(*rig_.um_per_step) + " um";
      if (*zone_steps_ < 1) note += ", so that it can step over the zone";
      note += "; gearing it down " + format_fixed(gearing, 0) + " : 1 would give " +
              steps(gearing * *zone_steps_) + " steps across the zone";
      plan.notes.push_back(note);
    }
    const double edge = plan.edge_size_ratio;
    if (edge > kMostEdge * 1.1) {
      plan.notes.push_back("even with single steps the outermost stars are " +
                           format_fixed(edge, 1) +
                           " times the smallest: rings that wide may be "
                           "hard to measure");
    }
    if (edge < kLeastEdge * 0.9) {
      plan.notes.push_back(
          "the focuser's limits leave room only for a shallow curve: the "
          "outermost stars are " +
          format_fixed(edge, 1) + " times the smallest");
    }
    const bool hfr = night_.size == SizeMeasure::hfr;
    if (night_.smallest_px < (hfr ? 1.0 : 2.0)) {
      plan.notes.push_back("the star in focus is only " + steps(night_.smallest_px) +
                           (hfr ? " px in half-flux radius" : " px wide") +
                           ": the frame is undersampled, its pixel sets the smallest size");
    }
    if (2 * seeing_half_steps_ > 1.2 * 2 * half_zone_ && zone_steps_) {
      plan.notes.push_back("tonight's seeing hides more than the zone: within " +
                           steps(seeing_half_steps_) +
                           " steps of best focus a star grows by less "
                           "than " +
                           format_fixed(100 * options_.seeing_tolerance, 0) + " %");
    }
    if (chosen_.sigma_steps > wanted_) {
      plan.notes.push_back("no plan within " + format_fixed(kLongestMinutes, 0) +
                           " minutes reaches the wanted " + steps(wanted_) +
                           " steps; this is the most accurate");
    } else if (!chosen_.trusted) {
      plan.notes.push_back("with this noise the run's verdict will often be doubtful");
    }
    if (!centre_) {
      plan.notes.push_back("centre the sweep within " + steps(offset_ * core_) +
                           " steps of best focus, or sweep once more around what the first finds");
    }
    plan.notes.insert(plan.notes.end(), night_.notes.begin(), night_.notes.end());
  }

  [[nodiscard]] FocusPlan describe() const {
    FocusPlan plan;
    plan.step_steps = chosen_.step_steps;
    plan.points = chosen_.points;
    plan.half_range_steps = 0.5 * (chosen_.points - 1) * chosen_.step_steps;
    plan.frames_per_point = chosen_.frames;
    plan.exposure_s = chosen_.exposure_s;
    plan.expected_sigma_steps = chosen_.sigma_steps;
    if (const auto ratio = rig_.focal_ratio()) {
      plan.critical_focus_zone_um = critical_focus_zone_um(*ratio, rig_.wavelength_um);
    }
    plan.critical_focus_zone_steps = zone_steps_;
    plan.um_per_step = rig_.um_per_step;
    plan.edge_size_ratio = edge_ratio(chosen_.points, chosen_.step_steps);
    plan.probability_in_zone = in_zone(chosen_.sigma_steps);
    plan.minutes = chosen_.seconds / 60;
    plan.seeing_zone_tolerance = options_.seeing_tolerance;
    plan.seeing_zone_steps = 2 * seeing_half_steps_;
    if (rig_.um_per_step) plan.seeing_zone_um = plan.seeing_zone_steps * *rig_.um_per_step;
    plan.core_width_steps = core_;
    plan.smallest_size_px = night_.smallest_px;
    plan.slope_px_per_step = night_.slope_px_per_step;
    plan.measuring_error =
        night_.measuring_error * std::sqrt(night_.exposure_s / chosen_.exposure_s);
    plan.seeing_scatter = night_.seeing_scatter;
    plan.alternatives = alternatives();
    place(plan);
    note(plan);
    return plan;
  }

  const NightFacts& night_;
  const Rig& rig_;
  const PlanOptions& options_;
  curve::Shape shape_;
  double core_;
  std::optional<double> centre_;
  double offset_ = kUnknownOffset;  // B
  double room_ = 0;                 // steps between the limits
  std::optional<double> zone_steps_;
  double seeing_half_steps_ = 0;
  double half_zone_ = 0;
  double wanted_ = 0;
  std::vector<Sweep> of_points_;
  Sweep chosen_;
};

bool positive(double value) { return std::isfinite(value) && value > 0; }

}  // namespace

Result<void> check_night(const NightFacts& night) {
  if (positive(night.smallest_px) && positive(night.slope_px_per_step) &&
      positive(night.measuring_error) && positive(night.exposure_s) &&
      std::isfinite(night.seeing_scatter) && night.seeing_scatter >= 0 && night.seeing_share > 0 &&
      night.seeing_share <= 1 && positive(night.core_steps())) {
    return {};
  }
  return fail(ErrorCode::invalid_argument,
              "the night's curve needs a size, a slope, noise and an exposure above 0",
              "Take them from night_from_optics or night_from_runs");
}

}  // namespace advice

std::optional<double> predicted_sigma_steps(const NightFacts& night, const Rig& rig,
                                            std::span<const double> positions_steps,
                                            double best_focus_steps, bool fit_cost) {
  if (!advice::check_night(night)) return std::nullopt;
  const curve::Shape shape = advice::shape_of(night, rig);
  const advice::PointNoise noise{night.measuring_error, night.seeing_scatter * night.seeing_share,
                                 1};
  advice::Information information;
  for (const double position : positions_steps) {
    information.add(shape, (position - best_focus_steps) / night.core_steps(), noise);
  }
  const auto sigma = information.sigma();
  if (!sigma) return std::nullopt;
  const int n = static_cast<int>(positions_steps.size());
  return *sigma * night.core_steps() * (fit_cost ? advice::fit_cost(n) : 1.0);
}

Result<FocusPlan> plan_run(const NightFacts& night, const Rig& rig, const PlanOptions& options) {
  if (auto sound = advice::check_night(night); !sound) {
    return tl::unexpected<Error>(sound.error());
  }
  const auto valid = checked(rig);
  if (!valid) return tl::unexpected<Error>(valid.error());
  const auto not_negative = [](double v) { return std::isfinite(v) && v >= 0; };
  if (!not_negative(options.download_s) || !not_negative(options.move_s) ||
      !(options.probability > 0 && options.probability < 1) ||
      !advice::positive(options.wanted_sigma_steps.value_or(1)) ||
      !advice::positive(options.exposure_s.value_or(1)) ||
      !std::isfinite(options.centre_steps.value_or(0)) ||
      !advice::positive(options.seeing_tolerance)) {
    return fail(ErrorCode::invalid_argument,
                "times must not be negative, a wanted sigma and an exposure must be above 0 and a "
                "probability between 0 and 1",
                "Correct the plan's options");
  }
  return advice::Planner(night, *valid, options).run();
}

}  // namespace starwaist
