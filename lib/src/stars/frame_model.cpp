#include "stars/frame_model.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <limits>
#include <utility>

#include "core/parallel.h"
#include "stars/leverage.h"
#include "stars/neighbours.h"
#include "stars/stack.h"

namespace starwaist {
namespace stars {
namespace {

constexpr double kSameObject = 2.0;  // kernel sigmas within which a weaker peak is the same object
constexpr double kFinestBelowPx = 1.6;

// A Gaussian's own sigma is 0.85, the best kernel for a thin ring 1.3 half-flux radii. The finest
// level costs most and is left out where the next finds nine tenths of the signal.
Levels matching_levels(double size_px) {
  const auto level = [](double sigma) {
    return std::log2(std::max(sigma, 1e-3) / template_sigma_px(0));
  };
  const int top = kDetectionLevels - 1;
  Levels levels{std::clamp(static_cast<int>(std::floor(level(0.75 * size_px))), 0, top),
                std::clamp(static_cast<int>(std::ceil(level(1.4 * size_px))), 0, top)};
  if (size_px >= kFinestBelowPx) levels.first = std::max(levels.first, 1);
  return levels;
}

}  // namespace

std::optional<Found> find_stars(const FrameContext& context, double threshold_snr, int threads,
                                std::vector<StarPlace>& defects) {
  constexpr int kTop = kDetectionLevels - 1;
  auto detection = detect(*context.frame, *context.sky, threshold_snr, 1, kTop, threads);
  add_places(detection.defects, defects);
  auto size = frame_size(context, merged(detection.candidates, 0, kTop, kSameObject), threads);
  if (!size || size->size_px < kFinestBelowPx) {
    detection = detect(*context.frame, *context.sky, threshold_snr, 0, kTop, threads);
    size = frame_size(context, merged(detection.candidates, 0, kTop, kSameObject), threads);
  }
  if (!size) return std::nullopt;
  const Levels levels = matching_levels(size->size_px);
  auto candidates = merged(detection.candidates, levels.first, levels.last, kSameObject);
  return Found{std::move(candidates), size->size_px, size->polarisation, levels,
               std::move(detection)};
}

bool find_again(const FrameContext& context, const SkyMap& first_sky,
                const std::vector<MaskedDisc>& discs, double threshold_snr, int threads,
                Found& found) {
  const cv::Mat coarse = std::exchange(found.detection.coarse, cv::Mat());
  if (found.levels.first < kCoarseLevel || coarse.empty()) return false;
  const auto candidates =
      detect_again(coarse, first_sky, *context.sky, discs, threshold_snr,
                   context.frame->sample_fraction, found.levels.first, found.levels.last, threads);
  found.candidates = merged(candidates, found.levels.first, found.levels.last, kSameObject);
  return true;
}

MeasuredStar star_at(double x_px, double y_px, double expected_px) {
  MeasuredStar measured;
  measured.star.x_px = x_px;
  measured.star.y_px = y_px;
  measured.size_px = expected_px;
  return measured;
}

namespace {

constexpr double kFirstApertureOfSize = 3.0;
// The aperture holds this fraction of a star's light: wide enough that the correction for the rest
// is small, narrow enough that the sky's noise is (a Gaussian star keeps 95 % inside 2.1 half-flux
// radii, where the scatter from the sky is within 5 % of its least).
constexpr double kApertureFraction = 0.95;

// The sky's part of the relative scatter of a half-flux radius summed to `reach` radii, but for a
// common factor.
double scatter_from_sky(const GrowthProfile& profile, double reach) {
  const Leverage leverage(profile, reach, 1, 1);
  return leverage.slope > 0
             ? std::sqrt(leverage.target_variance(1, reach * reach - 1)) / leverage.slope
             : std::numeric_limits<double>::infinity();
}

// The light that diffraction throws out (`halo` over the radius) is known and need not be held. A
// disc ends so abruptly that an aperture just inside its rim would scatter more than a wider one.
double aperture_of_size(const GrowthProfile& profile, double halo) {
  constexpr double kUsual = 2.5;
  constexpr double kLeast = 1.5;
  constexpr double kMost = 4.0;
  constexpr double kWider = 1.3;
  constexpr int kSteps = 12;
  const double held = kApertureFraction * (1 - std::min(halo / kUsual, 0.2));
  const double first = std::clamp(profile.radius_of(held) / profile.radius_of(0.5), kLeast, kMost);
  double best = first;
  for (int step = 1; step <= kSteps; ++step) {
    const double reach = std::min(first * std::lerp(1.0, kWider, 1.0 * step / kSteps), kMost);
    if (scatter_from_sky(profile, reach) < scatter_from_sky(profile, best)) best = reach;
  }
  return best;
}

// True where a pixel at the candidate's peak is clipped.
bool is_clipped(const FrameContext& context, const Candidate& candidate) {
  const PixelBuffer& pixels = context.frame->pixels;
  const int x = std::clamp(static_cast<int>(std::lround(candidate.x_px)), 0, pixels.width_px() - 1);
  const int y =
      std::clamp(static_cast<int>(std::lround(candidate.y_px)), 0, pixels.height_px() - 1);
  return pixels.at(x, y) >= context.saturation_adu;
}

// Candidates to learn from, as indices: the brightest unclipped ones of each ninth of the frame,
// for the profile and the sizes, and some of all brightnesses, for the sky under them (the fainter
// the star the less its wings hide the sky).
std::vector<std::size_t> model_candidates(const FrameContext& context, const Found& found) {
  constexpr int kBrightOfZone = 30;
  constexpr std::size_t kOthers = 200;
  const FieldSizes zones(context.frame->pixels.width_px(), context.frame->pixels.height_px(),
                         found.size_px);
  std::vector<int> taken(FieldSizes::kZones, 0);
  std::vector<std::size_t> chosen;
  std::vector<std::size_t> others;
  for (std::size_t i = 0; i < found.candidates.size(); ++i) {
    const Candidate& c = found.candidates[i];
    if (is_clipped(context, c)) continue;
    int& count = taken[zones.zone(c.x_px, c.y_px)];
    (count < kBrightOfZone ? chosen : others).push_back(i);
    ++count;
  }
  const std::size_t step = std::max<std::size_t>(1, others.size() / kOthers);
  for (std::size_t k = 0; k < others.size(); k += step) chosen.push_back(others[k]);
  return chosen;
}

// One entry a candidate: no neighbour with a notable share of its light within reach of the stack.
std::vector<bool> lonely_candidates(const Found& found) {
  constexpr double kNotable = 0.05;
  const double star = found.size_px / 1.1774;
  // A Gaussian star's light from its matched filter's signal: F t / (s^2 + t^2) for star s and
  // kernel t, but for a common factor.
  const auto light = [star](const Candidate& c) {
    const double kernel = template_sigma_px(c.level);
    return c.snr * (star * star + kernel * kernel) / kernel;
  };
  std::vector<bool> lonely(found.candidates.size(), true);
  const auto place = [&](std::size_t i) {
    return Centre{found.candidates[i].x_px, found.candidates[i].y_px};
  };
  for_each_neighbour(found.candidates.size(), place, kLonelyReach * found.size_px,
                     [&](std::size_t i, std::size_t j, double) {
                       if (light(found.candidates[j]) > kNotable * light(found.candidates[i])) {
                         lonely[i] = false;
                       }
                     });
  return lonely;
}

// Pedestal of the annuli of clean stars.
Pedestal pedestal_of(const std::vector<MeasuredStar>& measured, double noise_adu) {
  std::vector<AnnulusOfStar> annuli;
  for (const MeasuredStar& m : measured) {
    if (is_clean(m) && m.annulus) annuli.push_back({*m.annulus, m.star.flux_adu});
  }
  return Pedestal(annuli, noise_adu);
}

}  // namespace

FieldSizes tell_apart(const FrameContext& context, const Found& found, const GrowthProfile& profile,
                      std::vector<MeasuredStar>& stars) {
  drop_repeats(found.size_px, stars);
  mark_elongated(stars, found.polarisation);
  FieldSizes sizes(context.frame->pixels.width_px(), context.frame->pixels.height_px(),
                   found.size_px, stars);
  classify(stars, sizes);
  mark_blends(profile, stars);
  return sizes;
}

BrightStars learn(const FrameContext& context, const Found& found, int threads) {
  const double noise_adu = context.sky->median_noise_adu();
  BrightStars model{GrowthProfile::gaussian(), kFirstApertureOfSize, Pedestal(noise_adu),
                    FieldSizes(context.frame->pixels.width_px(), context.frame->pixels.height_px(),
                               found.size_px),
                    0};
  const std::vector<std::size_t> chosen = model_candidates(context, found);
  const std::vector<bool> all_lonely = lonely_candidates(found);
  std::vector<bool> lonely(chosen.size());
  for (std::size_t k = 0; k < chosen.size(); ++k) lonely[k] = all_lonely[chosen[k]];

  std::vector<MeasuredStar> measured(chosen.size());
  for (const bool first : {true, false}) {
    core::parallel_for(chosen.size(), threads, [&](std::size_t k) {
      const Candidate& candidate = found.candidates[chosen[k]];
      const double expected = model.sizes.at(candidate.x_px, candidate.y_px);
      if (!measured[k].measured) measured[k] = star_at(candidate.x_px, candidate.y_px, expected);
      measured[k].size_px = expected;
      const double aperture =
          first ? std::max(kFirstApertureOfSize * expected, 3.0) : model.aperture_px(expected);
      measure_star(context, {&model.profile, aperture, nullptr, false}, model.pedestal,
                   measured[k]);
    });
    model.sizes = tell_apart(context, found, model.profile, measured);
    model.pedestal = pedestal_of(measured, noise_adu);
    const auto members = stack_members(measured, lonely);
    if (const auto stacked = stack(context, measured, members, model.pedestal, threads)) {
      model.profile = *stacked;
    }
    model.aperture_of_size = aperture_of_size(model.profile, context.halo_px / found.size_px);
    if (!first) model.beta = wing_exponent(context, measured, members);
  }
  return model;
}

}  // namespace stars

namespace {

// Half-flux radius of a star in a frame filled in from red or blue sites, without what the filling
// in adds to it. By Hankel transforms of the profile times the transfer function of the kernel,
// averaged over the star's place in the tile and over direction: the mean of a Gaussian, Moffat 3.5
// and Moffat 2.5, which differ by 4.5 % at 1.2 px, 3.2 % at 1.4, 1.9 % at 1.7 and 0.5 % at 2.3.
double unwidened_px(double filled_in_px) {
  struct Pair {
    double true_px;
    double widened;
  };
  constexpr std::array<Pair, 7> kTable = {Pair{1.2, 1.174},  Pair{1.4, 1.115},  Pair{1.7, 1.0645},
                                          Pair{2.0, 1.0377}, Pair{2.3, 1.0229}, Pair{3.0, 1.0083},
                                          Pair{4.0, 1.0026}};
  if (filled_in_px <= kTable.front().true_px * kTable.front().widened) {
    return filled_in_px / kTable.front().widened;
  }
  for (std::size_t i = 1; i < kTable.size(); ++i) {
    const double low = kTable[i - 1].true_px * kTable[i - 1].widened;
    const double high = kTable[i].true_px * kTable[i].widened;
    if (filled_in_px > high) continue;
    return std::lerp(kTable[i - 1].true_px, kTable[i].true_px, (filled_in_px - low) / (high - low));
  }
  return filled_in_px;
}

}  // namespace

void FrameModel::measure(const Frame& frame, stars::MeasuredStar& star, bool keep_place) const {
  const stars::FrameContext context{&frame, &sky_, gain_e_per_adu_, saturation_adu_};
  stars::measure_star(context,
                      {&bright_.profile, bright_.aperture_px(star.size_px), &wing_, keep_place},
                      bright_.pedestal, star);
  constexpr double kQuarter = 0.25;  // red or blue sites
  if (!star.measured || !star.star.hfr_px || frame.sample_fraction > kQuarter) return;
  const double ratio = unwidened_px(*star.star.hfr_px) / *star.star.hfr_px;
  for (auto* size : {&star.star.hfr_px, &star.star.hfr_sigma_px, &star.star.fwhm_px}) {
    if (*size) **size *= ratio;
  }
}

}  // namespace starwaist
