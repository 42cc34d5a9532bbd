#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage page() {
  return {
      "extended_objects",
      "galaxies, nebula knots or a bright core among the stars",
      "Some of what looks like stars has a size of its own: galaxies, knots of a nebula, the core "
      "of a comet or cluster. It stays large in the best focus and bends or shifts a curve that "
      "counts it.",
      "In focus these objects are much wider than the stars, in the same place in every frame; far "
      "from focus they are hardly wider. The curve's bottom is too high and too flat.",
      "Two stars close together look the same and are few on most fields; bad seeing widens all "
      "stars alike; curvature widens those far from the middle.",
      "Point at a field of stars to focus, or leave the part with the object out.",
      "common practice, no source"};
}

struct Object {
  double x_px = 0;
  double y_px = 0;
  double excess = 0;  // size in focus over that of the stars
  double light = 0;
};

struct Objects {
  std::vector<Object> wide;
  int all = 0;
  double light = 0;  // of all
};

// What the frames near best focus show, each object against the median of its part of the field.
Objects objects_of(const RunView& run) {
  const RunRecord& record = run.record();
  const FrameGroup frames(record.frames);
  double smallest = 0;
  for (const std::size_t i : run.sized_points()) {
    const double size = *run.point(i).size_px;
    if (smallest == 0 || size < smallest) smallest = size;
  }
  constexpr double kNear = 1.35;  // of the smallest size: the object's own still shows
  std::vector<std::size_t> near;
  for (const std::size_t i : run.sized_points()) {
    if (*run.point(i).size_px <= kNear * smallest) near.push_back(i);
  }
  Objects objects;
  if (near.empty()) return objects;
  struct Seen {
    Object object;
    double sigma;
    std::size_t zone;
  };
  std::vector<Seen> seen;
  std::vector<std::vector<double>> of_zone(9);
  for (const StarTrack& track : record.tracks) {
    std::vector<double> ratios;
    std::vector<double> sigmas;
    const Star* last = nullptr;
    std::size_t last_frame = 0;
    bool usable = true;
    for (const std::size_t i : near) {
      if (!track[i]) continue;
      const Star& star = frames[i].stars[*track[i]];
      if (star.saturated || star.at_edge || !star.hfr_px || !star.hfr_sigma_px || star.snr < 10) {
        usable = false;
        break;
      }
      ratios.push_back(std::log(*star.hfr_px / *run.point(i).size_px));
      sigmas.push_back(*star.hfr_sigma_px / *star.hfr_px);
      last = &star;
      last_frame = i;
    }
    if (!usable || last == nullptr || 2 * ratios.size() <= near.size()) continue;
    const auto cell = [](double at, int size) {
      return static_cast<std::size_t>(std::clamp(static_cast<int>(3 * at / size), 0, 2));
    };
    Seen s;
    s.object = {last->x_px, last->y_px, median(ratios), last->flux_adu};
    s.sigma = median(sigmas) / std::sqrt(static_cast<double>(sigmas.size()));
    s.zone = 3 * cell(last->y_px, frames[last_frame].height_px) +
             cell(last->x_px, frames[last_frame].width_px);
    of_zone[s.zone].push_back(s.object.excess);
    seen.push_back(s);
  }
  std::vector<double> all;
  for (const Seen& s : seen) all.push_back(s.object.excess);
  if (all.empty()) return objects;
  // Stars are the narrow ones: the lower third stands for them even where they are the fewer, and
  // where it is no group of one size (the stars then fewer still), the lower sixth.
  constexpr double kOneSize = 0.2;  // ln
  const double third = sample_quantile(all, 0.3);
  const double sixth = sample_quantile(all, 0.15);
  const double everywhere = third - sixth > kOneSize ? sixth : third;
  constexpr double kWide = 0.34;  // ln 1.4: twice the light's spread in area
  for (const Seen& s : seen) {
    const std::vector<double>& zone = of_zone[s.zone];
    constexpr std::size_t kEnough = 6;
    const double usual = zone.size() >= kEnough
                             ? std::min(sample_quantile(zone, 0.3), everywhere + 0.5 * kWide)
                             : everywhere;
    const double excess = s.object.excess - usual;
    ++objects.all;
    objects.light += std::max(0.0, s.object.light);
    if (excess > kWide && excess > 5 * s.sigma) {
      objects.wide.push_back(s.object);
      objects.wide.back().excess = std::exp(excess);
    }
  }
  return objects;
}

std::optional<Candidate> look(const RunView& run) {
  if (!run.has_frames()) return std::nullopt;
  const Objects objects = objects_of(run);
  constexpr int kFewestObjects = 5;
  if (objects.wide.empty() || objects.all < kFewestObjects) return std::nullopt;
  const auto wide = static_cast<double>(objects.wide.size());
  const double share = wide / objects.all;
  double light = 0;
  std::vector<double> excess;
  for (const Object& o : objects.wide) {
    light += o.light;
    excess.push_back(o.excess);
  }
  const double of_light = objects.light > 0 ? light / objects.light : 0.0;
  // Close pairs of stars are some percent of a common field.
  constexpr double kPairs = 0.04;
  constexpr double kNotable = 0.12;  // of the objects
  const double beyond_pairs = (wide - kPairs * objects.all) / std::sqrt(kPairs * objects.all + 1);
  // One bright core counts by its light.
  constexpr double kCoreExcess = 2.0;
  constexpr double kCoreLight = 0.4;
  const double widest = *std::max_element(excess.begin(), excess.end());
  Candidate c;
  const double by_count = std::min({log_ratio_of_sigmas(beyond_pairs) + log_odds_of(0.05),
                                    12 * std::log(std::max(share, 1e-3) / kNotable), 5.0});
  const double by_light =
      widest > kCoreExcess ? std::min(10 * std::log(of_light / kCoreLight + 1e-9), 4.0) : -6.0;
  c.log_odds = std::max({by_count, by_light, -6.0});
  c.share = std::max(share, by_light > by_count ? of_light : 0.0);
  c.effect = Effect::harmless;
  c.covers = {"bad_seeing"};  // the smallest size is theirs too
  // Where they are many the sizes are theirs, and so are shapes and light: what an aperture holds
  // of them changes with focus. That comes before whatever sizes or light look like; what does not
  // sharpen makes a flat curve, and apertures that lose light a cloud.
  constexpr double kMany = 0.35;
  constexpr double kFirstOfAll = 100;
  if (share > kMany && c.log_odds > 0) {
    c.log_odds = kFirstOfAll;
    for (const char* cause : {"step_too_small", "step_too_large", "one_sided", "no_motion",
                              "few_stars", "image_motion", "passing_cloud", "fogging"}) {
      c.covers.emplace_back(cause);
    }
  }
  c.summary = std::to_string(objects.wide.size()) + " of " + std::to_string(objects.all) +
              " objects stay wide in focus, " + format_fixed(median(excess), 1) +
              " times the size of a star: galaxies, knots or a bright core.";
  c.evidence = {{"objects wider than the stars in focus", wide, ""},
                {"objects looked at", static_cast<double>(objects.all), ""},
                {"their size over that of a star", median(excess), ""},
                {"their part of the light", 100 * of_light, "%"}};
  c.remedy =
      "Focus on a field of stars nearby, or keep the part with the object out with --region. This "
      "program left the widest of them out.";
  // Gathered about the middle of the frame, as an object one points at is.
  const FrameMeasurement& frame = run.record().frames.front().measurement;
  std::vector<double> distances;
  for (const Object& o : objects.wide) {
    distances.push_back(
        std::hypot(o.x_px - 0.5 * (frame.width_px - 1), o.y_px - 0.5 * (frame.height_px - 1)));
  }
  const double reach = sample_quantile(distances, 0.9);
  if (reach < 0.3 * std::min(frame.width_px, frame.height_px)) {
    c.settings = {
        {"ignore_radius_px", std::ceil(1.2 * reach + 4 * run.point(0).size_px.value_or(5))}};
  }
  return c;
}

}  // namespace

Cause cause_extended_objects() { return {page(), look}; }

}  // namespace starwaist::diagnosis
