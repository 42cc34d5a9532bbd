#include <algorithm>
#include <cmath>
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "core/parallel.h"
#include "stars/background.h"
#include "stars/camera.h"
#include "stars/detect.h"
#include "stars/field_sizes.h"
#include "stars/frame_summary.h"
#include "stars/neighbours.h"
#include "stars/one_star.h"
#include "stars/stack.h"
#include "starwaist/numbers.h"
#include "starwaist/stars.h"

// Order of work: sky, candidates, the size that the frame's stars share, the sky again with the
// stars masked. Then some bright stars from all over the field, twice: in a first aperture, and,
// once their growth profile is stacked, in the profile's. From them come the profile, the wings,
// the sky's pedestal and the sizes over the field; with these every star is measured once.

namespace starwaist {
namespace {

using stars::Candidate;
using stars::Centre;
using stars::FieldSizes;
using stars::FrameContext;
using stars::GrowthProfile;
using stars::MaskedDisc;
using stars::MeasuredStar;
using stars::Pedestal;
using stars::SkyMap;

constexpr double kFirstApertureOfSize = 3.0;
// The aperture holds this fraction of a star's light: wide enough that the correction for the rest
// is small, narrow enough that the sky's noise is (a Gaussian star keeps 95 % inside 2.1 half-flux
// radii, where the scatter from the sky is within 5 % of its least).
constexpr double kApertureFraction = 0.95;

// Levels of the smoothing that match stars of a size: a Gaussian's own sigma is 0.85, the best
// kernel for a thin ring 1.3 half-flux radii. The finest level costs most and is left out where
// the next finds nine tenths of the signal.
struct Levels {
  int first = 0;
  int last = 0;
};

constexpr double kFinestBelowPx = 1.6;

Levels matching_levels(double size_px) {
  const auto level = [](double sigma) {
    return std::log2(std::max(sigma, 1e-3) / stars::template_sigma_px(0));
  };
  const int top = stars::kDetectionLevels - 1;
  Levels levels{std::clamp(static_cast<int>(std::floor(level(0.75 * size_px))), 0, top),
                std::clamp(static_cast<int>(std::ceil(level(1.4 * size_px))), 0, top)};
  if (size_px >= kFinestBelowPx) levels.first = std::max(levels.first, 1);
  return levels;
}

FrameMeasurement described(const Frame& frame, const SkyMap& sky) {
  FrameMeasurement out;
  out.file = frame.file;
  out.width_px = frame.pixels.width_px();
  out.height_px = frame.pixels.height_px();
  out.position_steps = frame.facts.position_steps;
  out.temperature_c = frame.facts.temperature_c;
  out.filter = frame.facts.filter;
  out.exposure_s = frame.facts.exposure_s;
  out.time_utc = frame.facts.time_utc;
  out.keywords = frame.facts.keywords;
  out.background_adu = sky.median_level_adu();
  out.noise_adu = sky.median_noise_adu();
  return out;
}

std::vector<MaskedDisc> discs_of(const std::vector<Candidate>& candidates, double size_px) {
  std::vector<MaskedDisc> discs;
  discs.reserve(candidates.size());
  for (const Candidate& c : candidates) {
    // Radius at which a Moffat 3.5 star of this signal sinks to a tenth of the noise: brightness
    // falls as r^-7 from snr / 3 at the half-flux radius.
    const double brightness = std::max(1.0, c.snr / 3.0);
    const double reach = size_px * std::clamp(std::pow(10 * brightness, 1.0 / 7.0), 2.5, 6.0);
    discs.push_back({c.x_px, c.y_px, std::max(reach, 3.0)});
  }
  return discs;
}

// A frame whose pixels are all alike was never exposed (a closed link, an empty buffer).
bool is_constant(const PixelBuffer& pixels) {
  std::optional<float> seen;
  std::vector<float> row(static_cast<std::size_t>(pixels.width_px()));
  for (int y = 0; y < pixels.height_px(); ++y) {
    pixels.read_row(y, 0, row);
    for (const float value : row) {
      if (!std::isfinite(value)) continue;
      if (!seen) seen = value;
      if (value != *seen) return false;
    }
  }
  return true;
}

struct Found {
  std::vector<Candidate> candidates;
  int defect_count = 0;
  double size_px = 0;  // that the frame's stars share
};

// Absent where nothing has a size; `defect_count` is told either way.
std::optional<Found> find_stars(const FrameContext& context, double threshold_snr, int threads,
                                int& defect_count) {
  constexpr double kReach = 2.0;  // kernel sigmas within which a weaker peak is the same object
  constexpr int kTop = stars::kDetectionLevels - 1;
  auto detection = stars::detect(*context.frame, *context.sky, threshold_snr, 1, kTop, threads);
  defect_count = static_cast<int>(detection.defects.size());
  auto size = stars::frame_size(context, stars::merged(detection.candidates, 0, kTop, kReach));
  if (!size || *size < kFinestBelowPx) {
    detection = stars::detect(*context.frame, *context.sky, threshold_snr, 0, kTop, threads);
    size = stars::frame_size(context, stars::merged(detection.candidates, 0, kTop, kReach));
  }
  if (!size) return std::nullopt;
  const Levels levels = matching_levels(*size);
  return Found{stars::merged(detection.candidates, levels.first, levels.last, kReach), defect_count,
               *size};
}

MeasuredStar star_at(const Candidate& candidate, double expected_px) {
  MeasuredStar measured;
  measured.star.x_px = candidate.x_px;
  measured.star.y_px = candidate.y_px;
  measured.size_px = expected_px;
  return measured;
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
    const double kernel = stars::template_sigma_px(c.level);
    return c.snr * (star * star + kernel * kernel) / kernel;
  };
  std::vector<bool> lonely(found.candidates.size(), true);
  const auto place = [&](std::size_t i) {
    return Centre{found.candidates[i].x_px, found.candidates[i].y_px};
  };
  stars::for_each_neighbour(
      found.candidates.size(), place, stars::kLonelyReach * found.size_px,
      [&](std::size_t i, std::size_t j, double) {
        if (light(found.candidates[j]) > kNotable * light(found.candidates[i])) {
          lonely[i] = false;
        }
      });
  return lonely;
}

// What the frame's bright stars tell of all of them.
struct FrameModel {
  GrowthProfile profile = GrowthProfile::gaussian();
  Pedestal pedestal;
  FieldSizes sizes;
  double beta = 0;

  [[nodiscard]] double aperture_px(double size_px) const {
    const double reach =
        std::clamp(profile.radius_of(kApertureFraction) / profile.radius_of(0.5), 1.5, 4.0);
    return std::max(reach * size_px, 2.5);
  }
};

// Pedestal of the annuli of clean stars.
Pedestal pedestal_of(const std::vector<MeasuredStar>& measured, double noise_adu) {
  std::vector<stars::AnnulusOfStar> annuli;
  for (const MeasuredStar& m : measured) {
    if (!m.annulus || !m.measured || m.defect || m.star.blended || m.star.saturated) continue;
    annuli.push_back({*m.annulus, m.star.flux_adu});
  }
  return Pedestal(annuli, noise_adu);
}

FrameModel learn(const FrameContext& context, const Found& found, int threads) {
  const int width = context.frame->pixels.width_px();
  const int height = context.frame->pixels.height_px();
  const double noise_adu = context.sky->median_noise_adu();
  FrameModel model{GrowthProfile::gaussian(), Pedestal(noise_adu),
                   FieldSizes(width, height, found.size_px), 0};
  const std::vector<std::size_t> chosen = model_candidates(context, found);
  const std::vector<bool> all_lonely = lonely_candidates(found);
  std::vector<bool> lonely(chosen.size());
  for (std::size_t k = 0; k < chosen.size(); ++k) lonely[k] = all_lonely[chosen[k]];

  std::vector<MeasuredStar> measured(chosen.size());
  for (const bool first : {true, false}) {
    core::parallel_for(chosen.size(), threads, [&](std::size_t k) {
      const Candidate& candidate = found.candidates[chosen[k]];
      const double expected = model.sizes.at(candidate.x_px, candidate.y_px);
      if (!measured[k].measured) measured[k] = star_at(candidate, expected);
      measured[k].size_px = expected;
      const double aperture =
          first ? std::max(kFirstApertureOfSize * expected, 3.0) : model.aperture_px(expected);
      stars::measure_star(context, {&model.profile, aperture, std::nullopt}, model.pedestal,
                          measured[k]);
    });
    model.sizes = FieldSizes(width, height, found.size_px, measured);
    stars::classify(measured, model.sizes);
    stars::mark_blends(model.profile, measured);
    model.pedestal = pedestal_of(measured, noise_adu);
    const auto members = stars::stack_members(measured, lonely);
    if (const auto stacked = stars::stack(context, measured, members, model.pedestal)) {
      model.profile = *stacked;
    }
    if (!first) model.beta = stars::wing_exponent(context, measured, members);
  }
  return model;
}

void tell_remarks(FrameMeasurement& out) {
  if (out.star_count == 0 && out.saturated_count > 0) {
    out.remarks.push_back("every star found is saturated: shorten the exposure or lower the gain");
  }
  constexpr double kUndersampledPx = 1.0;
  if (out.hfr_px && *out.hfr_px < kUndersampledPx) {
    out.remarks.push_back("undersampled: the stars' half-flux radius of " +
                          format_fixed(*out.hfr_px, 2) + " px is set by the pixel");
  }
}

}  // namespace

Result<FrameMeasurement> measure_frame(const Frame& given, const MeasureOptions& options) {
  if (given.facts.bayer && given.sample_fraction == 1.0) {
    const Frame colour = color_channel(given, options.channel.value_or(ColorChannel::green));
    return measure_frame(colour, options);
  }
  const Frame& frame = given;
  const int threads = core::thread_count(options.threads);
  const auto first_sky = stars::map_sky(frame, threads);
  if (!first_sky) {
    return fail(ErrorCode::no_data, frame.file + ": no pixel has a value",
                "Check the file; every pixel is blank or not a number");
  }
  if (is_constant(frame.pixels)) {
    return fail(ErrorCode::no_data, frame.file + ": all pixels have the same value",
                "Take the frame again; the camera delivered no picture");
  }
  FrameContext context;
  context.frame = &frame;
  context.sky = &*first_sky;
  FrameMeasurement out = described(frame, *first_sky);
  const auto found = find_stars(context, options.detection_snr, threads, out.defect_count);
  if (!found) return out;

  auto sky =
      stars::refined_sky(frame, *first_sky, discs_of(found->candidates, found->size_px), threads);
  if (!sky) sky = first_sky;
  context.sky = &*sky;
  out.background_adu = sky->median_level_adu();
  out.noise_adu = sky->median_noise_adu();
  context.gain_e_per_adu = stars::believable_gain(frame, options, *sky);
  context.saturation_adu = stars::saturation_level(frame, options, found->candidates);
  const FrameModel model = learn(context, *found, threads);

  std::vector<MeasuredStar> measured(found->candidates.size());
  core::parallel_for(measured.size(), threads, [&](std::size_t i) {
    const Candidate& candidate = found->candidates[i];
    const double expected = model.sizes.at(candidate.x_px, candidate.y_px);
    measured[i] = star_at(candidate, expected);
    stars::measure_star(context, {&model.profile, model.aperture_px(expected), model.beta},
                        model.pedestal, measured[i]);
  });
  stars::classify(measured, FieldSizes(out.width_px, out.height_px, found->size_px, measured));
  stars::mark_blends(model.profile, measured);
  stars::summarise(measured, options, out);

  for (const MeasuredStar& m : measured) {
    if (!m.measured) continue;
    if (m.defect) {
      ++out.defect_count;
      continue;
    }
    if (!stars::in_region(m.star, options.region)) continue;
    out.saturated_count += m.star.saturated ? 1 : 0;
    out.stars.push_back(m.star);
  }
  std::sort(out.stars.begin(), out.stars.end(), [](const Star& a, const Star& b) {
    if (a.flux_adu != b.flux_adu) return a.flux_adu > b.flux_adu;
    return a.y_px != b.y_px ? a.y_px < b.y_px : a.x_px < b.x_px;
  });
  tell_remarks(out);
  return out;
}

}  // namespace starwaist
