#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage extended_objects_page() {
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

// One object as the frames near best focus show it: `excess` is ln of its size over the typical.
struct SeenObject {
  Object object;
  double sigma = 0;
  std::size_t zone = 0;   // ninth of the field
  bool extended = false;  // set apart from the stars when the run was measured
};

// Frames in which the objects' own sizes still show.
std::vector<std::size_t> near_focus(const RunView& run) {
  double smallest = 0;
  for (const std::size_t i : run.sized_points()) {
    const double size = *run.point(i).size_px;
    if (smallest == 0 || size < smallest) smallest = size;
  }
  constexpr double kNear = 1.35;  // of the smallest size
  std::vector<std::size_t> near;
  for (const std::size_t i : run.sized_points()) {
    if (*run.point(i).size_px <= kNear * smallest) near.push_back(i);
  }
  return near;
}

// Absent where the object is not well seen in most of the frames `near` focus.
std::optional<SeenObject> seen_object(const RunView& run, const StarTrack& track,
                                      const std::vector<std::size_t>& near) {
  const FrameGroup frames(run.record().frames);
  std::vector<double> ratios;
  std::vector<double> sigmas;
  std::size_t extended = 0;
  const Star* last = nullptr;
  std::size_t last_frame = 0;
  for (const std::size_t i : near) {
    if (!track[i]) continue;
    const Star& star = frames[i].stars[*track[i]];
    if (star.saturated || star.at_edge || !star.hfr_px || !star.hfr_sigma_px || star.snr < 10) {
      return std::nullopt;
    }
    ratios.push_back(std::log(*star.hfr_px / *run.point(i).size_px));
    sigmas.push_back(*star.hfr_sigma_px / *star.hfr_px);
    extended += star.extended ? 1 : 0;
    last = &star;
    last_frame = i;
  }
  if (last == nullptr || 2 * ratios.size() <= near.size()) return std::nullopt;
  const auto cell = [](double at, int size) {
    return static_cast<std::size_t>(std::clamp(static_cast<int>(3 * at / size), 0, 2));
  };
  SeenObject s;
  s.object = {last->x_px, last->y_px, median(ratios), last->flux_adu};
  s.extended = 2 * extended > ratios.size();
  s.sigma = median(sigmas) / std::sqrt(static_cast<double>(sigmas.size()));
  s.zone = 3 * cell(last->y_px, frames[last_frame].height_px) +
           cell(last->x_px, frames[last_frame].width_px);
  return s;
}

// The size of a star among these values (ln, over the typical). Stars are the narrow ones: the
// lower third stands for them even where they are the fewer, and where it is no group of one size
// (the stars then fewer still), the lower sixth.
double size_of_stars(const std::vector<double>& all) {
  constexpr double kOneSize = 0.2;  // ln
  const double third = sample_quantile(all, 0.3);
  const double sixth = sample_quantile(all, 0.15);
  return third - sixth > kOneSize ? sixth : third;
}

// What the frames near best focus show, each object against the stars of its part of the field.
Objects objects_of(const RunView& run) {
  Objects objects;
  const std::vector<std::size_t> near = near_focus(run);
  std::vector<SeenObject> seen;
  std::vector<double> all;
  std::vector<std::vector<double>> of_zone(9);
  for (const StarTrack& track : run.record().tracks) {
    const auto object = seen_object(run, track, near);
    if (!object) continue;
    seen.push_back(*object);
    if (object->extended) continue;
    of_zone[object->zone].push_back(object->object.excess);
    all.push_back(object->object.excess);
  }
  if (all.empty()) return objects;
  const double everywhere = size_of_stars(all);
  constexpr double kWide = 0.34;  // ln 1.4: twice the light's spread in area
  for (const SeenObject& s : seen) {
    const std::vector<double>& zone = of_zone[s.zone];
    constexpr std::size_t kEnough = 6;
    const double usual = zone.size() >= kEnough
                             ? std::min(sample_quantile(zone, 0.3), everywhere + 0.5 * kWide)
                             : everywhere;
    const double excess = s.object.excess - usual;
    ++objects.all;
    objects.light += std::max(0.0, s.object.light);
    // Set apart by all frames, or wide in those near focus.
    constexpr double kWideAmongMany = 0.17;
    if (s.extended ? excess > kWideAmongMany : excess > kWide && excess > 5 * s.sigma) {
      objects.wide.push_back(s.object);
      objects.wide.back().excess = std::exp(excess);
    }
  }
  return objects;
}

// Settings that leave an object out that one points at: gathered about the middle of the frame.
std::vector<std::pair<std::string, double>> region_to_ignore(const RunView& run,
                                                             const Objects& objects) {
  const FrameMeasurement& frame = run.record().frames.front().measurement;
  std::vector<double> distances;
  for (const Object& o : objects.wide) {
    distances.push_back(
        std::hypot(o.x_px - 0.5 * (frame.width_px - 1), o.y_px - 0.5 * (frame.height_px - 1)));
  }
  const double reach = sample_quantile(distances, 0.9);
  if (!(reach < 0.3 * std::min(frame.width_px, frame.height_px))) return {};
  return {{"ignore_radius_px", std::ceil(1.2 * reach + 4 * run.point(0).size_px.value_or(5))}};
}

std::optional<Candidate> look_for_extended_objects(const RunView& run) {
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
  c.remedy = {
      codes::avoid_extended_objects,
      "Focus on a field of stars nearby, or keep the part with the object out with --region. This "
      "program left the widest of them out."};
  c.settings = region_to_ignore(run, objects);
  return c;
}

}  // namespace

Cause cause_extended_objects() { return {extended_objects_page(), look_for_extended_objects}; }

}  // namespace starwaist::diagnosis
