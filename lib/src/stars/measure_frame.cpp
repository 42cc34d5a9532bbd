#include <algorithm>
#include <cmath>
#include <cstddef>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "core/parallel.h"
#include "stars/background.h"
#include "stars/camera.h"
#include "stars/defect_map.h"
#include "stars/detect.h"
#include "stars/frame_model.h"
#include "stars/frame_summary.h"
#include "stars/mosaic_defects.h"
#include "stars/neighbours.h"
#include "stars/wide_rings.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/stars.h"

// Order of work: sky, candidates, the size that the frame's stars share, the sky again with the
// stars masked. Then some bright stars from all over the field, twice: in a first aperture, and,
// once their growth profile is stacked, in the profile's. From them come the profile, the wings,
// the sky's pedestal and the sizes over the field; with these every star is measured once.

namespace starwaist {
namespace {

using stars::Candidate;
using stars::FrameContext;
using stars::MaskedDisc;
using stars::MeasuredStar;
using stars::SkyMap;

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

void sort_brightest_first(std::vector<Star>& list) {
  std::sort(list.begin(), list.end(), [](const Star& a, const Star& b) {
    if (a.flux_adu != b.flux_adu) return a.flux_adu > b.flux_adu;
    return a.y_px != b.y_px ? a.y_px < b.y_px : a.x_px < b.x_px;
  });
}

double sites_of(const Frame& colour) {
  return colour.sample_fraction * colour.pixels.width_px() * colour.pixels.height_px();
}

bool is_mosaic(const Frame& frame) { return frame.facts.bayer && frame.sample_fraction == 1.0; }

// Whether one_colour has anything to do.
bool is_raw(const Frame& frame, const MeasureOptions& options) {
  return is_mosaic(frame) || (options.defects && stars::has_work_in(*options.defects, frame));
}

// Sensors have hot pixels in some per mille of their pixels; where many more stand out, and hardly
// a star beside them, what is left over of them passes for stars as small as a pixel that is filled
// in between others.
bool is_dark(const Frame& colour, const FrameMeasurement& out) {
  constexpr double kUsualShare = 0.005;  // common practice, no source
  constexpr double kFarMore = 30;
  const double filled_in_px = colour.sample_fraction < 0.5 ? 1.6 : 1.3;
  const auto repaired = static_cast<double>(colour.repaired.size());
  return repaired > kUsualShare * sites_of(colour) && repaired > kFarMore * out.star_count &&
         out.hfr_px.value_or(0) < filled_in_px;
}

// Takes the frame's sizes away, and what was remarked of them: what was measured are no stars.
void take_back_sizes(FrameMeasurement& out) {
  out.star_count = out.saturated_count = 0;
  for (auto* size : {&out.hfr_px, &out.hfr_sigma_px, &out.hfr_shared_sigma_px, &out.fwhm_px,
                     &out.fwhm_sigma_px, &out.mean_radius_px, &out.eccentricity,
                     &out.elongation_angle_deg, &out.elongation_coherence}) {
    size->reset();
  }
  std::erase_if(out.remarks, [](const Statement& remark) {
    return remark.code == codes::every_star_saturated || remark.code == codes::undersampled;
  });
}

// The frame's defects are those of its mosaic too.
void add_mosaic_defects(const Frame& colour, FrameMeasurement& out) {
  stars::add_places(colour.repaired, out.defects);
  stars::add_places(colour.left_out, out.defects);
  if (is_dark(colour, out)) {
    const double share = static_cast<double>(colour.repaired.size()) / sites_of(colour);
    take_back_sizes(out);
    out.stars.clear();
    out.remarks.push_back({codes::looks_like_a_dark,
                           format_fixed(100 * share, 1) +
                               " % of the pixels are hot and hardly anything else is bright: a "
                               "dark frame, or a closed cap?"});
  }
  out.defect_count = static_cast<int>(out.defects.size());
}

void tell_remarks(FrameMeasurement& out) {
  if (out.star_count == 0 && out.saturated_count > 0) {
    out.remarks.push_back(
        {codes::every_star_saturated,
         "every star found is saturated: shorten the exposure or lower the gain"});
  }
  constexpr double kUndersampledPx = 1.0;
  if (out.hfr_px && *out.hfr_px < kUndersampledPx) {
    out.remarks.push_back({codes::undersampled, "undersampled: the stars' half-flux radius of " +
                                                    format_fixed(*out.hfr_px, 2) +
                                                    " px is set by the pixel"});
  }
}

// The sky with all light in it, for a first look.
Result<SkyMap> first_sky_of(const Frame& frame, int threads) {
  auto sky = stars::map_sky(frame, threads);
  if (!sky) {
    return fail(ErrorCode::no_data, frame.file + ": no pixel has a value",
                "Check the file; every pixel is blank or not a number");
  }
  if (is_constant(frame.pixels)) {
    return fail(ErrorCode::no_data, frame.file + ": all pixels have the same value",
                "Take the frame again; the camera delivered no picture");
  }
  return std::move(*sky);
}

// The frame's size from its stars, then the stars and defects that it keeps.
void take_over(const std::vector<MeasuredStar>& measured, const FrameModel& model,
               const MeasureOptions& options, FrameMeasurement& out) {
  stars::summarise(measured, options, out);
  const bool lines = stars::are_lines(measured, options, out);
  if (out.hfr_px && out.hfr_sigma_px) {
    out.hfr_shared_sigma_px = std::hypot(out.hfr_shared_sigma_px.value_or(0),
                                         model.profile().common_size_sigma() * *out.hfr_px);
    // What is not known of the halo is the same in every frame of a run: no part of the scatter.
    out.hfr_sigma_px = std::hypot(*out.hfr_sigma_px, *out.hfr_shared_sigma_px,
                                  model.profile().halo_size_sigma() * *out.hfr_px);
  }
  for (const MeasuredStar& m : measured) {
    if (!m.measured) continue;
    if (m.defect) {
      out.defects.push_back({m.star.x_px, m.star.y_px});
      continue;
    }
    if (!stars::in_region(m.star, options.region)) continue;
    out.saturated_count += m.star.saturated ? 1 : 0;
    out.stars.push_back(m.star);
  }
  out.defect_count = static_cast<int>(out.defects.size());
  sort_brightest_first(out.stars);
  if (lines) take_back_sizes(out);
  tell_remarks(out);
}

// Clipped stars, as against pieces of a clipped ring, which are as wide as it is thick.
int clipped_stars(const FrameMeasurement& frame, double ring_radius_px) {
  constexpr double kRadiusOverPiece = 10;
  return static_cast<int>(
      std::count_if(frame.stars.begin(), frame.stars.end(), [&](const Star& star) {
        return star.saturated && star.hfr_px && *star.hfr_px * kRadiusOverPiece < ring_radius_px;
      }));
}

// Where next to no star was found, the stars may be rings too wide to be found as stars; what was
// found are then pieces of them.
void look_for_rings(const Frame& frame, const MeasureOptions& options, int threads,
                    FrameMeasurement& out) {
  constexpr int kFewStars = 3;
  constexpr double kRadiusOverSize = 1.36;  // of a ring with a shadow of 0.3
  constexpr double kAlike = 1.2;
  if (options.region || out.star_count >= kFewStars) return;
  const auto radius_px = stars::wide_ring_radius_px(frame, threads);
  if (!radius_px || clipped_stars(out, *radius_px) >= kFewStars) return;
  out.ring_radius_px = radius_px;
  const double ratio = *radius_px / (kRadiusOverSize * out.hfr_px.value_or(1));
  if (out.hfr_px && ratio < kAlike && ratio > 1 / kAlike) return;
  take_back_sizes(out);
  out.stars.clear();
  out.remarks.push_back({codes::rings_too_wide, "far out of focus: rings " +
                                                    format_fixed(2 * *radius_px, 0) +
                                                    " px wide, too wide to be measured as stars"});
}

Result<FrameMeasurement> measure_stars(const Frame& frame, const MeasureOptions& options,
                                       std::shared_ptr<const FrameModel>* model_out) {
  const int threads = core::thread_count(options.threads);
  const Result<SkyMap> first_sky = first_sky_of(frame, threads);
  if (!first_sky) return tl::unexpected(first_sky.error());
  FrameContext context;
  context.halo_px = options.halo_px.value_or(0);
  context.frame = &frame;
  context.sky = &*first_sky;
  FrameMeasurement out = described(frame, *first_sky);
  auto found = stars::find_stars(context, options.detection_snr, threads, out.defects);
  out.defect_count = static_cast<int>(out.defects.size());
  if (!found) return out;

  std::optional<SkyMap> sky;
  const auto refine = [&] {
    std::vector<MaskedDisc> discs = discs_of(found->candidates, found->size_px);
    sky = stars::refined_sky(frame, *first_sky, discs, threads);
    if (!sky) sky = *first_sky;
    context.sky = &*sky;
    return discs;
  };
  const auto discs = refine();
  if (stars::find_again(context, *first_sky, discs, options.detection_snr, threads, *found)) {
    refine();
  }
  out.background_adu = sky->median_level_adu();
  out.noise_adu = sky->median_noise_adu();
  auto camera = stars::camera_evidence(frame, options, *sky, found->candidates);
  std::optional<Statement> gain_remark;
  context.gain_e_per_adu =
      stars::settled_gain(camera, stars::gain_from_sky(camera.sky), gain_remark);
  if (gain_remark) out.remarks.push_back(*gain_remark);
  context.saturation_adu = stars::saturation_level(camera);
  const auto model = std::make_shared<const FrameModel>(
      *sky, stars::learn(context, *found, threads), context, std::move(camera));
  if (model_out != nullptr) *model_out = model;

  std::vector<MeasuredStar> measured(found->candidates.size());
  core::parallel_for(measured.size(), threads, [&](std::size_t i) {
    const Candidate& c = found->candidates[i];
    measured[i] = stars::star_at(c.x_px, c.y_px, model->expected_px(c.x_px, c.y_px));
    model->measure(frame, measured[i]);
  });
  stars::tell_apart(context, *found, model->profile(), measured);
  take_over(measured, *model, options, out);
  return out;
}

}  // namespace

Frame one_colour(Frame frame, const MeasureOptions& options) {
  if (options.defects) frame = without_defects(std::move(frame), *options.defects);
  if (!frame.facts.bayer) return frame;
  const ColorChannel channel = options.channel.value_or(ColorChannel::green);
  stars::repair_mosaic(frame, channel, core::thread_count(options.threads));
  return color_channel(std::move(frame), channel);
}

Result<FrameMeasurement> measure_frame(const Frame& given, const MeasureOptions& options,
                                       std::shared_ptr<const FrameModel>* model_out) {
  if (is_raw(given, options)) {
    return measure_frame(one_colour(given, options), options, model_out);
  }
  auto measured = measure_stars(given, options, model_out);
  if (!measured) return measured;
  add_mosaic_defects(given, *measured);
  look_for_rings(given, options, core::thread_count(options.threads), *measured);
  return measured;
}

void measure_known_stars(const Frame& given, const FrameModel& model,
                         std::span<const StarPlace> places, const MeasureOptions& options,
                         FrameMeasurement& frame) {
  if (is_raw(given, options)) {
    measure_known_stars(one_colour(given, options), model, places, options, frame);
    return;
  }
  std::vector<MeasuredStar> measured(places.size());
  core::parallel_for(places.size(), core::thread_count(options.threads), [&](std::size_t i) {
    const StarPlace& place = places[i];
    measured[i] = stars::star_at(place.x_px, place.y_px, model.expected_px(place.x_px, place.y_px));
    measured[i].star.followed = true;
    model.measure(given, measured[i], true);
  });
  // Blends are marked among all stars; those of the stars found before stay as they are.
  const std::size_t followed = measured.size();
  for (const Star& star : frame.stars) {
    MeasuredStar before;
    before.star = star;
    before.size_px = star.hfr_px.value_or(0);
    before.measured = star.hfr_px.has_value();
    measured.push_back(before);
  }
  stars::mark_blends(model.profile(), measured);
  for (std::size_t i = 0; i < followed; ++i) {
    if (measured[i].measured) frame.stars.push_back(measured[i].star);
  }
  sort_brightest_first(frame.stars);
}

}  // namespace starwaist
