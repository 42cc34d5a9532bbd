#include "star_truth/score.h"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstddef>
#include <cstdio>

namespace starwaist::bench::star_truth {

namespace {

bool is_usable(const Star& s) {
  return s.hfr_px && !s.saturated && !s.blended && !s.at_edge && !s.extended;
}

// What was listed at the place of a star.
struct Place {
  const Star* best = nullptr;
  double best_px = 1e9;
  int pieces = 0;
};

struct Matches {
  std::vector<Place> places;           // as the scene's stars
  std::vector<const Star*> strangers;  // where no star is
};

Matches matches_of(const Known& truth, const Scene& scene, const FrameMeasurement& measured) {
  const double match_px = std::max(2.5, 0.6 * truth.hfr_px);
  Matches matches;
  matches.places.resize(scene.stars.size());
  for (const Star& s : measured.stars) {
    std::size_t nearest = 0;
    double nearest_px = 1e9;
    for (std::size_t i = 0; i < scene.stars.size(); ++i) {
      const double d_px = std::hypot(s.x_px - scene.stars[i].x_px, s.y_px - scene.stars[i].y_px);
      if (d_px < nearest_px) {
        nearest_px = d_px;
        nearest = i;
      }
    }
    if (nearest_px > truth.body_px) {
      matches.strangers.push_back(&s);
      continue;
    }
    Place& place = matches.places[nearest];
    ++place.pieces;
    if (nearest_px < match_px && nearest_px < place.best_px) {
      place.best_px = nearest_px;
      place.best = &s;
    }
  }
  return matches;
}

// Of one star.
Score score_of(const Known& truth, const PlacedStar& placed, const Place& place) {
  Score score;
  ++(placed.faint ? score.faint_placed : score.placed);
  if (place.pieces > 1) ++score.split;
  if (place.best == nullptr) return score;
  ++(placed.faint ? score.faint_found : score.found);
  if (!is_usable(*place.best)) return score;
  const double error_px = *place.best->hfr_px - truth.hfr_px;
  if (placed.faint) {
    score.faint_relative.push_back(error_px / truth.hfr_px);
    return score;
  }
  score.relative.push_back(error_px / truth.hfr_px);
  score.over_limit.push_back(error_px /
                             growth_limit_px(truth, placed.flux_e, place.best->aperture_px));
  score.aperture_over_hfr.push_back(place.best->aperture_px / truth.hfr_px);
  if (place.best->hfr_sigma_px) score.z.push_back(error_px / *place.best->hfr_sigma_px);
  return score;
}

}  // namespace

void add(Score& sum, const Score& part) {
  const auto append = [](std::vector<double>& to, const std::vector<double>& from) {
    to.insert(to.end(), from.begin(), from.end());
  };
  append(sum.relative, part.relative);
  append(sum.over_limit, part.over_limit);
  append(sum.z, part.z);
  append(sum.faint_relative, part.faint_relative);
  append(sum.frame_relative, part.frame_relative);
  append(sum.frame_z, part.frame_z);
  append(sum.aperture_over_hfr, part.aperture_over_hfr);
  sum.placed += part.placed;
  sum.found += part.found;
  sum.faint_placed += part.faint_placed;
  sum.faint_found += part.faint_found;
  sum.detections += part.detections;
  sum.false_stars += part.false_stars;
  sum.usable += part.usable;
  sum.false_usable += part.false_usable;
  sum.split += part.split;
  sum.frames += part.frames;
  sum.frames_without_size += part.frames_without_size;
  sum.seconds += part.seconds;
}

Score score_of(const Known& truth, const Scene& scene, const FrameMeasurement& measured) {
  const Matches matches = matches_of(truth, scene, measured);
  Score score;
  for (const Star& s : measured.stars) {
    ++score.detections;
    if (is_usable(s)) ++score.usable;
  }
  for (const Star* s : matches.strangers) {
    ++score.false_stars;
    if (is_usable(*s)) ++score.false_usable;
  }
  for (std::size_t i = 0; i < scene.stars.size(); ++i) {
    add(score, score_of(truth, scene.stars[i], matches.places[i]));
  }
  ++score.frames;
  if (!measured.hfr_px) {
    ++score.frames_without_size;
    return score;
  }
  score.frame_relative.push_back(*measured.hfr_px / truth.hfr_px - 1);
  if (measured.hfr_sigma_px) {
    score.frame_z.push_back((*measured.hfr_px - truth.hfr_px) / *measured.hfr_sigma_px);
  }
  return score;
}

Score measure_and_score(const Known& truth, const Scene& scene, const Frame& frame,
                        const MeasureOptions& options) {
  const auto begin = std::chrono::steady_clock::now();
  const auto measured = measure_frame(frame, options);
  const double seconds =
      std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  Score score;
  if (measured) {
    score = score_of(truth, scene, *measured);
  } else {
    std::printf("  measure_frame failed: %s\n", measured.error().message.c_str());
  }
  score.seconds = seconds;
  return score;
}

}  // namespace starwaist::bench::star_truth
