#include "diagnosis/light_history.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "diagnosis/cause.h"
#include "diagnosis/run_view.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

// Points that show it: light is sharp, a number of stars is not.
constexpr std::size_t kFewestLights = 3;
constexpr std::size_t kFewestCounts = 5;
// The air is never steadier than this, and apertures never better (relative).
constexpr double kSteadiest = 0.015;
constexpr double kSteadiestCount = 0.06;
constexpr double kPerWidth = 0.015;  // more for a star twice as large
// Light that goes with the stars' size (wings lost, faint stars lost): prior of d ln light / d ln
// size.
constexpr double kSizeTerm = 0.1;
constexpr double kSizeTermCount = 0.8;
// Price of calling one frame dimmed, and of a cloud or fog at all, in units of ln odds.
constexpr double kPriceFrame = 2.5;
constexpr double kPriceCloud = 3.5;
constexpr double kPriceFog = 4.5;
// What a cloud or fog takes at the least (ln): thinner ones hurt nobody.
constexpr double kLeastLoss = 0.06;
constexpr double kLeastLossCount = 0.3;
constexpr double kDeviant = 2.5;  // noises below the level: dimmed
// Where stars are clipped, light is inferred from the few whole ones: its error for all clipped.
constexpr double kClipped = 0.15;
// A cloud lights up the sky: worth so much in ln odds where the dimmed frames' sky is brighter.
constexpr double kBrighterSky = 4;
constexpr double kSkyStandsOut = 5;  // scatters of the clear frames' sky

// Error of a frame's light, relative, that all its stars share: light beyond the apertures, and
// what clipping leaves.
double shared_error(const RunView& run, std::size_t i) {
  if (!run.has_frames()) return 0;
  const FrameMeasurement& frame = run.record().frames[i].measurement;
  double error = 0;
  if (frame.hfr_shared_sigma_px && frame.hfr_px) {
    constexpr double kSizeOfLight = 0.7213;  // d ln HFR / d ln light of a Gaussian star
    error = *frame.hfr_shared_sigma_px / *frame.hfr_px / kSizeOfLight;
  }
  const double stars = run.facts(i).stars.value_or(0);
  const double clipped = stars > 0 ? std::min(1.0, frame.saturated_count / stars) : 0.0;
  return std::hypot(error, kClipped * clipped);
}

struct Data {
  std::vector<std::size_t> which;
  std::vector<double> log_light;
  std::vector<double> sigma;
  std::vector<double> log_size;  // less its mean
  std::vector<double> order;     // 0 first to 1 last
  bool counts = false;
};

Data collect(const RunView& run) {
  Data d;
  std::size_t lights = 0;
  for (std::size_t i = 0; i < run.count(); ++i) lights += run.facts(i).light ? 1 : 0;
  d.counts = lights < kFewestLights || 2 * lights < run.count();
  for (std::size_t i = 0; i < run.count(); ++i) {
    const PointFacts& f = run.facts(i);
    if (d.counts ? !f.stars : !f.light) continue;
    d.which.push_back(i);
    d.order.push_back(static_cast<double>(i) /
                      static_cast<double>(std::max<std::size_t>(1, run.count() - 1)));
    const std::optional<double> size =
        run.curve() ? std::optional(run.curve()->size_px[i]) : run.point(i).size_px;
    d.log_size.push_back(size ? std::log(*size) : 0.0);
    if (d.counts) {
      // The same field every time: a number of stars scatters less than independent counts would.
      const double stars = *f.stars + 0.5;
      d.log_light.push_back(std::log(stars));
      d.sigma.push_back(std::hypot(kSteadiestCount, 0.6 / std::sqrt(stars)));
    } else {
      d.log_light.push_back(std::log(*f.light));
      // The sky under a wide star is not known as well as its light asks.
      const double wider = run.curve() ? run.curve()->size_px[i] / run.curve()->smallest_px - 1 : 0;
      d.sigma.push_back(std::hypot(kSteadiest + kPerWidth * std::max(wider, 0.0),
                                   f.light_sigma ? *f.light_sigma / *f.light : 0.0,
                                   shared_error(run, i)));
    }
  }
  if (d.which.empty()) return d;
  double mean = 0;
  for (const double s : d.log_size) mean += s / static_cast<double>(d.log_size.size());
  for (double& s : d.log_size) s -= mean;
  return d;
}

// Level + size term + fade * shape, weighted least squares with priors on the last two. Returns the
// sum of squares.
struct Fitted {
  double level = 0;
  double size_term = 0;
  double fade = 0;
  double squares = 0;
};

Fitted fit(const Data& d, const std::vector<bool>& kept, const std::vector<double>* shape) {
  const double size_prior = d.counts ? kSizeTermCount : kSizeTerm;
  // Normal equations of three unknowns by hand: symmetric 3 x 3.
  std::array<std::array<double, 4>, 3> a{};
  a[1][1] = 1 / (size_prior * size_prior);
  a[2][2] = shape == nullptr ? 1e12 : 1e-6;
  for (std::size_t i = 0; i < d.which.size(); ++i) {
    if (!kept[i]) continue;
    const double w = 1 / (d.sigma[i] * d.sigma[i]);
    const std::array<double, 3> row{1.0, d.log_size[i], shape == nullptr ? 0.0 : (*shape)[i]};
    for (std::size_t p = 0; p < 3; ++p) {
      for (std::size_t q = 0; q < 3; ++q) a[p][q] += w * row[p] * row[q];
      a[p][3] += w * row[p] * d.log_light[i];
    }
  }
  for (std::size_t p = 0; p < 3; ++p) {
    for (std::size_t r = p + 1; r < 3; ++r) {
      const double factor = a[r][p] / a[p][p];
      for (std::size_t q = p; q < 4; ++q) a[r][q] -= factor * a[p][q];
    }
  }
  Fitted f;
  f.fade = a[2][3] / a[2][2];
  f.size_term = (a[1][3] - a[1][2] * f.fade) / a[1][1];
  f.level = (a[0][3] - a[0][2] * f.fade - a[0][1] * f.size_term) / a[0][0];
  f.squares = std::pow(f.size_term / size_prior, 2);
  for (std::size_t i = 0; i < d.which.size(); ++i) {
    if (!kept[i]) continue;
    const double model =
        f.level + f.size_term * d.log_size[i] + (shape == nullptr ? 0.0 : f.fade * (*shape)[i]);
    f.squares += std::pow((d.log_light[i] - model) / d.sigma[i], 2);
  }
  return f;
}

// The frames that keep the level: begun with the brightest half, grown until nothing changes.
std::vector<bool> clear_frames(const Data& d, Fitted& level) {
  const std::size_t n = d.which.size();
  std::vector<double> sorted = d.log_light;
  std::sort(sorted.rbegin(), sorted.rend());
  const double brightest_half = sorted[(n - 1) / 2];
  std::vector<bool> kept(n);
  for (std::size_t i = 0; i < n; ++i) kept[i] = d.log_light[i] >= brightest_half;
  constexpr int kRounds = 12;
  for (int round = 0; round < kRounds; ++round) {
    level = fit(d, kept, nullptr);
    std::vector<bool> next(n);
    for (std::size_t i = 0; i < n; ++i) {
      const double model = level.level + level.size_term * d.log_size[i];
      next[i] = d.log_light[i] > model - kDeviant * d.sigma[i];
    }
    if (next == kept) break;
    kept = next;
  }
  level = fit(d, kept, nullptr);
  return kept;
}

// Where nobody gave the noise of the light, the scatter of the clear frames is it.
void widen_noise(Data& d, const std::vector<bool>& kept, const Fitted& level) {
  double squares = 0;
  double n = 0;
  for (std::size_t i = 0; i < d.which.size(); ++i) {
    if (!kept[i]) continue;
    const double model = level.level + level.size_term * d.log_size[i];
    squares += std::pow((d.log_light[i] - model) / d.sigma[i], 2);
    ++n;
  }
  constexpr double kPriorFrames = 4;
  const double factor =
      std::sqrt(std::max(1.0, (squares + kPriorFrames) / (std::max(n - 2, 0.0) + kPriorFrames)));
  for (double& s : d.sigma) s *= factor;
}

// True where the sky of every dimmed frame is brighter than that of the clear ones, the cloud's
// edges less so.
bool sky_brighter(const RunView& run, const Data& d, const std::vector<bool>& kept) {
  std::vector<double> clear;
  for (std::size_t i = 0; i < d.which.size(); ++i) {
    const auto& sky = run.facts(d.which[i]).background_adu;
    if (!sky) return false;
    if (kept[i]) clear.push_back(*sky);
  }
  constexpr std::size_t kFewestClear = 4;
  if (clear.size() < kFewestClear) return false;
  const double level = median(clear);
  constexpr double kSteadySky = 0.002;
  const double scatter = std::max(robust_sigma(clear), kSteadySky * std::abs(level));
  double brightest = 0;
  double brightest_clear = 0;
  for (std::size_t i = 0; i < d.which.size(); ++i) {
    const double excess = *run.facts(d.which[i]).background_adu - level;
    if (!kept[i] && excess < kSkyStandsOut * scatter) return false;
    double& most = kept[i] ? brightest_clear : brightest;
    most = std::max(most, excess);
  }
  constexpr double kEdge = 0.7;
  return brightest_clear < kEdge * brightest;
}

}  // namespace

std::optional<LightHistory> light_history(const RunView& run) {
  Data d = collect(run);
  const std::size_t n = d.which.size();
  if (n < (d.counts ? kFewestCounts : kFewestLights)) return std::nullopt;
  LightHistory history;
  history.from_counts = d.counts;
  const double least = d.counts ? kLeastLossCount : kLeastLoss;

  Fitted level;
  std::vector<bool> kept = clear_frames(d, level);
  widen_noise(d, kept, level);
  kept = clear_frames(d, level);
  history.noise = median(d.sigma);

  const std::vector<bool> all(n, true);
  const double steady = -0.5 * fit(d, all, nullptr).squares;

  double cloud = -0.5 * level.squares - kPriceCloud;
  double deepest = 0;
  for (std::size_t i = 0; i < n; ++i) {
    if (kept[i]) continue;
    const double loss = level.level + level.size_term * d.log_size[i] - d.log_light[i];
    cloud -= kPriceFrame + (loss < least ? 5.0 : 0.0);
    deepest = std::max(deepest, loss);
    history.dimmed.push_back(d.which[i]);
  }
  history.deepest_loss = 1 - std::exp(-deepest);
  if (!history.dimmed.empty() && sky_brighter(run, d, kept)) cloud += kBrighterSky;

  // Fog begins at some frame and grows from there on.
  double fog = -1e300;
  const std::size_t begins = n > 3 ? n - 3 : 1;  // two frames after it at the least, better three
  for (std::size_t k = 0; k < begins; ++k) {
    std::vector<double> shape(n);
    for (std::size_t i = 0; i < n; ++i) {
      shape[i] = std::max(0.0, d.order[i] - d.order[k]) / (d.order[n - 1] - d.order[k]);
    }
    const Fitted faded = fit(d, all, &shape);
    if (faded.fade > -least) continue;
    const double value = -0.5 * faded.squares - kPriceFog - std::log(static_cast<double>(begins));
    if (value <= fog) continue;
    fog = value;
    history.fog_loss = 1 - std::exp(faded.fade);
    history.fog_from = d.which[k];
  }
  if (!history.dimmed.empty()) history.log_odds_cloud = cloud - log_sum(steady, fog);
  if (fog > -1e299) {
    history.log_odds_fog = fog - (history.dimmed.empty() ? steady : log_sum(steady, cloud));
  }
  return history;
}

}  // namespace starwaist::diagnosis
