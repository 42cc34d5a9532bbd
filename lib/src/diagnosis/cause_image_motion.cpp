#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <string>

#include "curve/priors.h"
#include "diagnosis/cause.h"
#include "diagnosis/phrases.h"
#include "numerics/robust.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage image_motion_page() {
  return {
      "image_motion",
      "trailed or shaken frames",
      "The stars moved during the exposure: tracking, wind, a footstep, a cable that pulls. They "
      "are drawn out, all the same way within a frame, and too large.",
      "Single points lie above the curve, most near best focus, where a star is small; with "
      "trails in every frame the whole bottom is too high.",
      "Astigmatism draws stars out too, but across the other way on the other side of best focus; "
      "coma does so near focus and moves the shadow of out-of-focus stars. Shaking in all "
      "directions alike leaves stars round and cannot be distinguished from bad seeing.",
      "Check tracking and balance, keep out of the wind, wait some seconds after every move of "
      "the focuser, and take shorter exposures.",
      "common practice, no source"};
}

using Vector = std::array<double, 2>;

double length(const Vector& v) { return std::hypot(v[0], v[1]); }

// How a frame's stars are drawn out: (a^2 - b^2) / (a^2 + b^2) along and across.
struct Drawn {
  std::size_t point = 0;
  double from_focus = 0;  // steps
  double square_px2 = 0;  // a^2 + b^2 of a star
  Vector mean{};
  double sigma = 0;  // of either component
  // The same with the shapes that objects have of themselves (galaxies, pairs), which more frames
  // do not average out.
  double own_sigma = 0;
};

// Standard deviation by the mean distance from `middle`, which heeds wide objects more than a
// median does.
double mean_deviation(const std::vector<double>& values, double middle) {
  double sum = 0;
  for (const double v : values) sum += std::abs(v - middle);
  // sqrt(pi / 2) for a normal distribution, as for the error of its median.
  return numerics::kMedianErrorOverMean * sum / static_cast<double>(values.size());
}

std::optional<Drawn> drawn_out(const RunView& run, std::size_t i, double smallest_px) {
  const FrameMeasurement& frame = run.record().frames[i].measurement;
  std::vector<double> along;
  std::vector<double> across;
  constexpr double kLeastSnr = 20;
  constexpr std::size_t kFewestStars = 8;
  for (const Star& star : frame.stars) {
    if (!has_dependable_size(star) || star.snr < kLeastSnr || star.followed) continue;
    if (!star.eccentricity || !star.angle_deg) continue;
    const double e2 = *star.eccentricity * *star.eccentricity;
    const double drawn = e2 / (2 - e2);
    const double twice = 2 * *star.angle_deg * std::numbers::pi / 180;
    along.push_back(drawn * std::cos(twice));
    across.push_back(drawn * std::sin(twice));
  }
  if (along.size() < kFewestStars) return std::nullopt;
  Drawn d;
  d.point = i;
  d.mean = {median(along), median(across)};
  constexpr double kFloor = 0.005;  // pixels and neighbours draw a little too
  // Unresolved pairs are drawn out each its own way, the more the wider the stars are; few stars do
  // not show how much.
  constexpr double kLeastSpread = 0.08;
  const double wider = *run.point(i).size_px / smallest_px;
  const double spread = std::max({robust_sigma(along), robust_sigma(across), kLeastSpread * wider});
  d.sigma = std::hypot(
      numerics::kMedianErrorOverMean * spread / std::sqrt(static_cast<double>(along.size())),
      kFloor * wider);
  const double shapes =
      std::max(mean_deviation(along, d.mean[0]), mean_deviation(across, d.mean[1]));
  d.own_sigma =
      numerics::kMedianErrorOverMean * shapes / std::sqrt(static_cast<double>(along.size()));
  d.square_px2 = std::pow(*run.point(i).size_px, 2) / std::numbers::ln2;
  return d;
}

// The optics' own share: constant (coma) and changing in step with defocus (astigmatism), in px^2.
// By medians: half of the frames may be trailed one by one.
struct OpticsShare {
  Vector constant{};
  Vector by_step{};
  [[nodiscard]] Vector at(double from_focus) const {
    return {constant[0] + by_step[0] * from_focus, constant[1] + by_step[1] * from_focus};
  }
};

OpticsShare optics_share(const std::vector<Drawn>& frames) {
  OpticsShare share;
  for (std::size_t c = 0; c < 2; ++c) {
    std::vector<double> slopes;
    std::vector<double> weights;
    for (std::size_t i = 0; i < frames.size(); ++i) {
      for (std::size_t j = 0; j < i; ++j) {
        const double apart = frames[i].from_focus - frames[j].from_focus;
        if (apart == 0) continue;
        slopes.push_back(
            (frames[i].mean[c] * frames[i].square_px2 - frames[j].mean[c] * frames[j].square_px2) /
            apart);
        weights.push_back(std::abs(apart) / std::hypot(frames[i].sigma * frames[i].square_px2,
                                                       frames[j].sigma * frames[j].square_px2));
      }
    }
    if (!slopes.empty()) share.by_step[c] = weighted_median(slopes, weights);
    std::vector<double> left;
    std::vector<double> trust;
    for (const Drawn& d : frames) {
      left.push_back(d.mean[c] * d.square_px2 - share.by_step[c] * d.from_focus);
      trust.push_back(1 / (d.sigma * d.square_px2));
    }
    share.constant[c] = weighted_median(left, trust);
  }
  return share;
}

// Error of either component of the optics' share at `from_focus`, in px^2, as the frames but
// `left_out` give it: medians about a straight line.
double optics_error(const std::vector<Drawn>& frames, double from_focus,
                    const Drawn* left_out = nullptr) {
  double weights = 0;
  double first = 0;
  double second = 0;
  for (const Drawn& d : frames) {
    if (&d == left_out) continue;
    const double w = 1 / std::pow(d.sigma * d.square_px2, 2);
    weights += w;
    first += w * d.from_focus;
    second += w * d.from_focus * d.from_focus;
  }
  const double mean = first / weights;
  const double spread = second / weights - mean * mean;
  const double away = from_focus - mean;
  return numerics::kMedianErrorOverMean *
         std::sqrt((1 + (spread > 0 ? away * away / spread : 0.0)) / weights);
}

double direction_deg(const Vector& v) {
  return 0.5 * std::atan2(v[1], v[0]) * 180 / std::numbers::pi;
}

// A trail of length L adds L^2 / 12 along it.
double trail_px(double square_px2) { return std::sqrt(12 * std::max(0.0, square_px2)); }

// Below this even stars that are drawn out are hardly larger: 3 %.
constexpr double kLeastDrawn = 0.06;

// ln of the odds that `drawn` is more than `least`, a matter of opinion to a seventh of it.
double log_odds_notable(double drawn, double least) { return 7 * std::log(drawn / least) / 0.5; }

constexpr double kUsualShare = 0.04;  // of runs; common practice, no source

// How far a frame's size lies above the curve, in standard errors: what trails its stars makes them
// larger too. No more than `kMost`, seeing does that as well.
double too_large(const RunView& run, std::size_t point) {
  constexpr double kMost = 4;
  if (!run.curve()) return 0;
  const double excess = *run.point(point).size_px - run.curve()->size_px[point];
  return std::clamp(excess / run.curve()->sigma_px[point], 0.0, kMost);
}

// Frames that are drawn out by more than the run's others.
std::optional<Candidate> single_frames(const RunView& run, const std::vector<Drawn>& frames,
                                       const OpticsShare& optics) {
  Candidate c;
  double strongest = 0;
  double most_drawn = 0;
  double longest = 0;
  double angle = 0;
  for (const Drawn& d : frames) {
    const Vector expected = optics.at(d.from_focus);
    const Vector extra = {d.mean[0] - expected[0] / d.square_px2,
                          d.mean[1] - expected[1] / d.square_px2};
    // What the others lead one to expect is known only so well, least where a run is one-sided.
    const double by_shape =
        length(extra) / std::hypot(d.sigma, optics_error(frames, d.from_focus, &d) / d.square_px2);
    constexpr double kStandsOut = 5;
    constexpr double kLeastByShape = 3;
    const double sigmas = std::hypot(by_shape, too_large(run, d.point));
    if (by_shape < kLeastByShape || sigmas < kStandsOut || length(extra) < kLeastDrawn) continue;
    c.spoiled.push_back(d.point);
    strongest = std::max(strongest, sigmas);
    most_drawn = std::max(most_drawn, length(extra));
    const double trail = trail_px(length(extra) * d.square_px2);
    if (trail > longest) {
      longest = trail;
      angle = direction_deg(extra);
    }
  }
  if (c.spoiled.empty()) return std::nullopt;
  c.log_odds =
      std::min(log_ratio_of_sigmas(std::min(strongest, 12.0), static_cast<double>(frames.size())) +
                   log_odds_of(kUsualShare),
               log_odds_notable(most_drawn, kLeastDrawn) + 0.5);
  c.log_odds = std::min(c.log_odds, 5.0);
  c.share = static_cast<double>(c.spoiled.size()) / static_cast<double>(frames.size());
  c.summary = "In " + std::to_string(c.spoiled.size()) + " of " + std::to_string(frames.size()) +
              " frames all stars are drawn out the same way, by up to " + format_fixed(longest, 1) +
              " px.";
  c.evidence = {{"frames with drawn-out stars", static_cast<double>(c.spoiled.size()), ""},
                {"longest trail", longest, "px"},
                {"its direction, from +x towards +y", angle, "deg"}};
  return c;
}

// True where the shadow of out-of-focus stars shows coma along this direction, which draws stars
// out in focus as a trail does.
bool is_coma(const std::optional<Collimation>& collimation, double along_deg) {
  constexpr double kStandsOut = 5;
  constexpr double kSameWayDeg = 20;
  if (!collimation || collimation->coma_offset < kStandsOut * collimation->coma_sigma) return false;
  const double apart = std::abs(std::remainder(along_deg - collimation->coma_angle_deg, 180.0));
  return apart < kSameWayDeg;
}

// All frames drawn out alike on both sides of best focus.
std::optional<Candidate> every_frame(const std::vector<Drawn>& frames, const OpticsShare& optics,
                                     const std::optional<Collimation>& collimation) {
  // In focus, where the stars are smallest.
  const auto focus =
      std::min_element(frames.begin(), frames.end(),
                       [](const auto& a, const auto& b) { return a.square_px2 < b.square_px2; });
  const double drawn = length(optics.constant) / focus->square_px2;
  const double sigma = std::max(optics_error(frames, 0), focus->own_sigma * focus->square_px2);
  // Guiding, coma and what else is common draw stars out to eccentricities of 0.35.
  constexpr double kCommon = 0.085;
  if (drawn < 0.5 * kCommon) return std::nullopt;
  Candidate c;
  c.log_odds = std::min({log_ratio_of_sigmas(std::min(length(optics.constant) / sigma, 12.0)) +
                             log_odds_of(kUsualShare),
                         log_odds_notable(drawn, kCommon), 4.0});
  if (is_coma(collimation, direction_deg(optics.constant))) return std::nullopt;
  const double trail = trail_px(length(optics.constant));
  c.share = 1;
  c.summary = "All stars are drawn out the same way in every frame, by about " +
              format_fixed(trail, 1) + " px.";
  c.evidence = {{"frames with drawn-out stars", static_cast<double>(frames.size()), ""},
                {"trail", trail, "px"},
                {"its direction, from +x towards +y", direction_deg(optics.constant), "deg"}};
  return c;
}

// Least squares of size^2 = a + b t + c t^2 (variances add) with relative errors.
struct Squares {
  double chi2 = 0;
  std::array<double, 3> terms{};
  [[nodiscard]] double at(double t) const { return terms[0] + t * (terms[1] + t * terms[2]); }
};

struct Sized {
  std::size_t point = 0;
  double t = 0;       // position, scaled to order one
  double square = 0;  // of the size
  double error = 0;   // of it
};

std::optional<Squares> fit_squares(const std::vector<Sized>& all, const std::vector<bool>& out) {
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (out[i]) continue;
    const Eigen::Vector3d z(1, all[i].t, all[i].t * all[i].t);
    normal += z * z.transpose() / (all[i].error * all[i].error);
    right += z * all[i].square / (all[i].error * all[i].error);
  }
  const Eigen::Vector3d terms = normal.ldlt().solve(right);
  if (!terms.allFinite() || !(terms(2) > 0)) return std::nullopt;
  Squares fit;
  fit.terms = {terms(0), terms(1), terms(2)};
  // The smallest size must be one.
  if (!(terms(0) - terms(1) * terms(1) / (4 * terms(2)) > 0)) return std::nullopt;
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (out[i]) continue;
    fit.chi2 += std::pow((all[i].square - fit.at(all[i].t)) / all[i].error, 2);
  }
  return fit;
}

// Frames whose size is known; empty where too few have one or too many to try all choices.
std::vector<Sized> sized_frames(const RunView& run) {
  const std::vector<std::size_t>& sized = run.sized_points();
  constexpr std::size_t kFewestFrames = 7;
  constexpr std::size_t kMostFrames = 15;
  if (sized.size() < kFewestFrames || sized.size() > kMostFrames) return {};
  const auto [low, high] = ends_of(run, [&](std::size_t i) { return run.position_steps(i); });
  const double smallest = smallest_size_px(run);
  if (!(high > low)) return {};
  std::vector<Sized> all;
  for (const std::size_t i : sized) {
    const double size = *run.point(i).size_px;
    // Seeing moves the square by twice its relative scatter of the smallest one; half-flux radii
    // leave the hyperbola by some percent.
    constexpr double kModel = 0.02;
    const double own =
        run.point(i).sigma_px.value_or(curve::kUsualMeasuringErrorOfFrame * size) / size;
    const double error = 2 * std::hypot(curve::kSeeingScatterOfMotion * smallest * smallest,
                                        std::hypot(kModel, own) * size * size);
    all.push_back({i, 2 * (run.position_steps(i) - low) / (high - low) - 1, size * size, error});
  }
  return all;
}

// Frames that are left out of the curve, all larger by about the same square.
struct Choice {
  double score = 0;  // ln of the likelihood ratio, the choice paid for
  std::vector<std::size_t> members;
  Squares fit;
};

// What leaving `out` out gains; absent where those frames are not larger.
std::optional<Choice> weigh_choice(const std::vector<Sized>& all, const std::vector<bool>& out,
                                   double whole_chi2) {
  const auto fit = fit_squares(all, out);
  if (!fit) return std::nullopt;
  std::vector<double> excess;
  std::vector<std::size_t> members;
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (!out[i]) continue;
    excess.push_back(all[i].square - fit->at(all[i].t));
    members.push_back(i);
  }
  const double typical = median(excess);
  if (!(typical > 0)) return std::nullopt;
  double chi2 = fit->chi2;
  for (std::size_t k = 0; k < members.size(); ++k) {
    const double error = std::hypot(all[members[k]].error, 0.5 * typical);
    chi2 += std::pow((excess[k] - typical) / error, 2);
  }
  // The noise is known but for a factor, by some prior degrees of freedom: Student's t.
  constexpr double kPriorDegrees = 6;
  const double score = 0.5 * (kPriorDegrees + static_cast<double>(all.size()) - 3) *
                       std::log((kPriorDegrees + whole_chi2) / (kPriorDegrees + chi2));
  return Choice{score, std::move(members), *fit};
}

// The best choice of two to four frames; without members where none pays.
Choice best_choice(const std::vector<Sized>& all, double whole_chi2) {
  Choice best;
  const std::size_t most = std::min<std::size_t>(4, (all.size() - 1) / 2 - 1);
  for (std::size_t count = 2; count <= most; ++count) {
    std::vector<bool> out(all.size(), false);
    std::fill(out.end() - static_cast<std::ptrdiff_t>(count), out.end(), true);
    double choices = 0;
    Choice of_count;
    of_count.score = -1e300;
    do {
      ++choices;
      auto choice = weigh_choice(all, out, whole_chi2);
      if (choice && choice->score > of_count.score) of_count = std::move(*choice);
    } while (std::next_permutation(out.begin(), out.end()));
    // One more unknown, the square, spread over some ten of its errors.
    of_count.score -= std::log(choices) + std::log(10.0);
    if (of_count.score > best.score) best = std::move(of_count);
  }
  return best;
}

// Frames shaken in all directions: as round as the others, and larger by the same square near focus
// and far from it, as nothing else is that strikes single frames.
std::optional<Candidate> shaken_round(const RunView& run) {
  const std::vector<Sized> all = sized_frames(run);
  if (all.empty()) return std::nullopt;
  const auto whole = fit_squares(all, std::vector<bool>(all.size(), false));
  const double whole_chi2 = whole ? whole->chi2 : 1e6;
  const Choice best = best_choice(all, whole_chi2);
  if (best.members.empty()) return std::nullopt;
  const double least_square =
      best.fit.terms[0] - std::pow(best.fit.terms[1], 2) / (4 * best.fit.terms[2]);
  std::vector<double> excess;
  Candidate c;
  double nearest_px = 1e300;
  for (const std::size_t k : best.members) {
    excess.push_back(all[k].square - best.fit.at(all[k].t));
    c.spoiled.push_back(all[k].point);
    nearest_px = std::min(nearest_px, std::sqrt(best.fit.at(all[k].t)));
  }
  const double typical = median(excess);
  // Beyond what seeing does from frame to frame, by size in focus; seen where stars are small.
  constexpr double kLeastGrowth = 0.35;  // of the square: 16 % of the size
  const double growth = typical / least_square;
  if (nearest_px > 2.2 * std::sqrt(least_square)) return std::nullopt;
  c.log_odds = std::min({best.score + log_odds_of(kUsualShare), 7 * std::log(growth / kLeastGrowth),
                         log_odds_of(0.85)});
  // A row of neighbours at the beginning or the end is rather slack, a jump or a stall.
  const bool row = best.members.back() - best.members.front() + 1 == best.members.size();
  const bool at_end = best.members.front() == 0 || best.members.back() + 1 == all.size();
  constexpr double kRather = 3;  // ln of the odds
  if (row && at_end) c.log_odds -= kRather;
  // What the focuser did itself comes first: it moves frames off the curve too.
  if (const auto& r = run.rivals()) {
    const double focuser = std::max({r->slack.log_odds, r->focus_jump.log_odds});
    if (focuser > 0) c.log_odds = std::min(c.log_odds, 0.99 * focuser);
  }
  c.share = std::clamp(1 - best.fit.chi2 / std::max(whole_chi2, 1e-9), 0.0, 1.0);
  // A size is 1.18 rms of a Gaussian: its square 2 ln 2 times the variance.
  const double shake = std::sqrt(typical / (2 * std::numbers::ln2));
  c.summary = "In " + std::to_string(c.spoiled.size()) + " of " + std::to_string(all.size()) +
              " frames the stars are round and too large, as if shaken by " +
              format_fixed(shake, 1) + " px all ways; bursts of bad seeing look the same.";
  c.evidence = {{"frames with stars too large", static_cast<double>(c.spoiled.size()), ""},
                {"shaking that this would take, rms along each axis", shake, "px"}};
  return c;
}

std::vector<Drawn> all_drawn(const RunView& run) {
  std::vector<Drawn> frames;
  const double smallest_px = smallest_size_px(run);
  // Of a run without a best focus the sharpest frame's place.
  std::optional<double> focus = run.record().fit.best_focus_steps;
  for (const std::size_t i : run.sized_points()) {
    if (!focus && *run.point(i).size_px == smallest_px) focus = run.point(i).position_steps;
  }
  for (const std::size_t i : run.sized_points()) {
    if (auto d = drawn_out(run, i, smallest_px)) {
      d->from_focus = run.point(i).position_steps - *focus;
      frames.push_back(*d);
    }
  }
  return frames;
}

std::optional<Candidate> look_for_image_motion(const RunView& run) {
  if (!run.has_frames()) return std::nullopt;
  const std::vector<Drawn> frames = all_drawn(run);
  constexpr std::size_t kFewestFrames = 3;
  std::optional<Candidate> best = shaken_round(run);
  const auto consider = [&](std::optional<Candidate> other) {
    if (other && (!best || other->log_odds > best->log_odds)) best = std::move(other);
  };
  if (frames.size() >= kFewestFrames) {
    const OpticsShare optics = optics_share(frames);
    consider(single_frames(run, frames, optics));
    consider(every_frame(frames, optics, run.record().collimation));
  }
  if (!best) return std::nullopt;
  // A point or two that count little leave the answer as it is.
  const bool few = 3 * best->spoiled.size() <= run.count();
  // Where most frames are trailed the smallest size is the trail's.
  const bool most = best->spoiled.empty() || 2 * best->spoiled.size() >= run.count();
  if (most) best->covers = {"bad_seeing"};
  best->effect = few ? Effect::harmless : Effect::doubtful;
  // Unless the others lead elsewhere; the two differ by their own noise too, no more than a hint.
  if (few && run.curve() && !best->spoiled.empty()) {
    const std::optional<HealthyCurve> rest = run.with(best->spoiled, {}).curve();
    const bool same =
        rest && effect_of_shift(run, rest->best_focus_steps - run.curve()->best_focus_steps) ==
                    Effect::harmless;
    if (!same) best->effect = Effect::doubtful;
  }
  best->remedy = {
      codes::steady_the_image,
      "Check tracking and balance, shield the telescope from wind, and wait a few seconds after "
      "each move. A shorter exposure helps where the motion is slow."};
  return best;
}

}  // namespace

Cause cause_image_motion() { return {image_motion_page(), look_for_image_motion}; }

}  // namespace starwaist::diagnosis
