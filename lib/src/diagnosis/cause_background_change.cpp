#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/light_history.h"
#include "diagnosis/phrases.h"
#include "numerics/normal_equations.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage background_change_page() {
  return {
      "background_change",
      "the sky changed its brightness",
      "The sky level changed during the run: a lamp, twilight, the moon, headlights, a flat "
      "panel left on. Faint stars come and go with it.",
      "Mostly the curve is whole; single points may scatter.",
      "Clouds over a town brighten the sky too, but take light from the stars at the same time.",
      "Find the light and switch it off or wait; repeat the run if points were lost.",
      "common practice, no source"};
}

constexpr double kEven = 0.2;     // part of the sky's light that changed at even odds
constexpr double kSteepness = 5;  // d log odds / d ln of that part
constexpr double kMostOdds = 4.0;
constexpr double kFelt = 0.5;  // a change that the pixels do not feel is none: of their noise

double log_odds_of_part(double part) {
  return std::min(kSteepness * std::log(std::max(part, 1e-3) / kEven), kMostOdds);
}

const char* const kRemedy =
    "Find the light (lamp, moon, twilight, panel) and switch it off or wait it out; "
    "repeat the run if points were lost.";

std::optional<Candidate> level_changed(const RunView& run, const std::vector<std::size_t>& clear) {
  std::vector<double> levels;
  std::vector<double> noises;
  for (const std::size_t i : clear) {
    if (run.facts(i).background_adu) levels.push_back(*run.facts(i).background_adu);
    if (run.facts(i).noise_adu) noises.push_back(*run.facts(i).noise_adu);
  }
  constexpr std::size_t kFewest = 3;
  if (levels.size() < kFewest) return std::nullopt;
  const auto [low, high] = std::minmax_element(levels.begin(), levels.end());
  const double change = *high - *low;
  const double middle = median(levels);
  // Part of the sky's own light: the level has a pedestal that nobody knows, the photon noise
  // squared has only the read noise's. Without the noise the level itself must do.
  double part = change / std::max(std::abs(middle), 1e-9);
  double in_noise = 0;
  if (noises.size() == levels.size()) {
    // Of the darkest and the brightest sky: stars' wings make pixels scatter too.
    const double quiet = noises[static_cast<std::size_t>(low - levels.begin())];
    const double loud = noises[static_cast<std::size_t>(high - levels.begin())];
    part = std::max(part, loud * loud / (quiet * quiet) - 1);
    in_noise = change / std::min(quiet, loud);
    if (in_noise < kFelt) return std::nullopt;
  }
  Candidate c;
  c.log_odds = log_odds_of_part(part);
  c.share = std::min(part, 1.0);
  c.summary = "The sky level went from " + format_short(*low) + " to " + format_short(*high) +
              " ADU during the run.";
  c.evidence = {{"lowest sky level", *low, "ADU"}, {"highest sky level", *high, "ADU"}};
  if (in_noise > 0) c.evidence.push_back({"change over a pixel's noise", in_noise, ""});
  return c;
}

// Rise of a plane through the sky's cells from the left edge to the right and from the first row to
// the last, with the error of either.
struct Slope {
  Eigen::Vector2d across = Eigen::Vector2d::Zero();
  double sigma = 0;
};

Slope slope_of(const std::vector<double>& cells) {
  std::vector<Eigen::Vector3d> places;
  for (int row = 0; row < kSkyRows; ++row) {
    for (int column = 0; column < kSkyColumns; ++column) {
      places.emplace_back(1, (column + 0.5) / kSkyColumns - 0.5, (row + 0.5) / kSkyRows - 0.5);
    }
  }
  Slope slope;
  std::vector<bool> out(cells.size(), false);  // cells with a bright star, a nebula
  constexpr int kRounds = 3;
  constexpr double kFar = 3;
  for (int round = 0; round < kRounds; ++round) {
    numerics::NormalEquations<3> equations;
    for (std::size_t k = 0; k < cells.size(); ++k) {
      if (!out[k]) equations.add(places[k], cells[k]);
    }
    const Eigen::Vector3d plane = equations.solve();
    std::vector<double> residuals;
    for (std::size_t k = 0; k < cells.size(); ++k) {
      residuals.push_back(cells[k] - places[k].dot(plane));
    }
    const double scatter = robust_sigma(residuals);
    for (std::size_t k = 0; k < cells.size(); ++k) {
      out[k] = std::abs(residuals[k]) > kFar * scatter;
    }
    slope.across = {plane(1), plane(2)};
    slope.sigma =
        scatter * std::sqrt(equations.information.inverse().diagonal().tail<2>().maxCoeff());
  }
  return slope;
}

// The two frames whose skies differ most across the field.
std::optional<Candidate> gradient_changed(const RunView& run,
                                          const std::vector<std::size_t>& clear) {
  std::vector<std::size_t> told;
  std::vector<Eigen::Vector2d> across;
  for (const std::size_t i : clear) {
    const SkyCells* sky = run.sky(i);
    if (sky == nullptr) continue;
    told.push_back(i);
    across.push_back(slope_of(sky->level_adu).across);
  }
  double most = -1;
  std::size_t first = 0;
  std::size_t second = 0;
  for (std::size_t i = 0; i < told.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      const double apart = (across[i] - across[j]).norm();
      if (!(apart > most)) continue;
      most = apart;
      first = told[j];
      second = told[i];
    }
  }
  constexpr std::size_t kFewest = 3;
  if (told.size() < kFewest) return std::nullopt;
  // Of the differences: what both have (vignetting, nebulae, crowds of stars) drops out.
  const SkyCells& a = *run.sky(first);
  const SkyCells& b = *run.sky(second);
  std::vector<double> change;
  std::vector<double> change_of_noise;  // of the noise's square, relative
  for (std::size_t k = 0; k < a.level_adu.size(); ++k) {
    change.push_back(b.level_adu[k] - a.level_adu[k]);
    const bool both = a.noise_adu[k] > 0 && b.noise_adu[k] > 0;
    change_of_noise.push_back(both ? 2 * std::log(b.noise_adu[k] / a.noise_adu[k]) : 0.0);
  }
  const Slope level = slope_of(change);
  const double rise = level.across.norm();
  constexpr double kStandsOut = 5;
  const double noise = std::min(median(a.noise_adu), median(b.noise_adu));
  if (rise < kStandsOut * level.sigma || rise < kFelt * noise) return std::nullopt;
  double part = rise / std::max(std::abs(median(b.level_adu)), 1e-9);
  // As with the level: the photon noise knows no pedestal.
  const Slope squares = slope_of(change_of_noise);
  const double along = squares.across.dot(level.across) / rise;
  constexpr double kSure = 3;  // sigmas: where it lies and which way it goes the level shows
  if (along > kSure * squares.sigma) part = std::max(part, along);
  Candidate c;
  c.log_odds = log_odds_of_part(part);
  c.share = std::min(part, 1.0);
  c.summary =
      "The sky grew brighter on one side of the frame than on the other during the run, by " +
      percent(part) + " of its light from edge to edge (" + format_short(rise) + " ADU).";
  c.evidence = {{"change of the sky's slope from edge to edge", rise, "ADU"},
                {"part of the sky's light", 100 * part, "%"},
                {"its direction, from +x towards +y",
                 std::atan2(level.across.y(), level.across.x()) * 180 / M_PI, "deg"}};
  return c;
}

std::optional<Candidate> look_for_background_change(const RunView& run) {
  // A cloud lights up by itself: its frames say nothing of the sky.
  std::vector<bool> clouded(run.count(), false);
  if (const auto light = light_history(run); light && light->log_odds_cloud > 0) {
    for (const std::size_t i : light->dimmed) clouded[i] = true;
  }
  std::vector<std::size_t> clear;
  for (std::size_t i = 0; i < run.count(); ++i) {
    if (!clouded[i]) clear.push_back(i);
  }
  std::optional<Candidate> best = level_changed(run, clear);
  std::optional<Candidate> other = gradient_changed(run, clear);
  if (other && (!best || other->log_odds > best->log_odds)) best = std::move(other);
  constexpr double kHopeless = -6;
  if (!best || best->log_odds < kHopeless) return std::nullopt;
  best->remedy = {codes::switch_off_light, kRemedy};
  return best;
}

}  // namespace

Cause cause_background_change() { return {background_change_page(), look_for_background_change}; }

}  // namespace starwaist::diagnosis
