#include <algorithm>
#include <vector>

#include "stars/registration.h"
#include "starwaist/stars.h"

namespace starwaist {
namespace {

std::vector<StarPlace> places_of(const FrameMeasurement& frame) {
  std::vector<StarPlace> places;
  for (const Star& s : frame.stars) places.push_back({s.x_px, s.y_px});
  return places;
}

std::size_t reference_frame(const FrameGroup& frames, SizeMeasure kind) {
  std::size_t best = 0;
  std::ptrdiff_t most = -1;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto usable = std::count_if(frames[i].stars.begin(), frames[i].stars.end(),
                                      [&](const Star& s) { return has_dependable_size(s, kind); });
    // Of equals the first by name: the frames' order must not matter.
    if (usable > most || (usable == most && frames[i].file < frames[best].file)) {
      most = usable;
      best = i;
    }
  }
  return best;
}

}  // namespace

Alignment align_frames(const FrameGroup& frames, SizeMeasure kind) {
  Alignment result;
  if (frames.empty()) return result;
  result.reference = reference_frame(frames, kind);
  result.maps.resize(frames.size());
  result.pairs.resize(frames.size());
  const std::vector<StarPlace> reference_places = places_of(frames[result.reference]);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const std::vector<StarPlace> places = places_of(frames[i]);
    const double size = frames[i].hfr_px.value_or(2.0);
    const double tolerance = std::max(2.5, 0.6 * size);
    result.maps[i] = i == result.reference ? std::optional<PlaceMap>(PlaceMap{})
                                           : stars::find_map(places, reference_places, tolerance);
    if (!result.maps[i]) continue;
    result.pairs[i] = stars::pair_places(places, reference_places, *result.maps[i], tolerance);
  }
  return result;
}

std::vector<std::vector<StarPlace>> missing_stars(const FrameGroup& frames,
                                                  const Alignment& alignment) {
  std::vector<std::vector<StarPlace>> missing(frames.size());
  if (frames.empty()) return missing;
  const std::vector<Star>& reference = frames[alignment.reference].stars;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!alignment.maps[i]) continue;
    std::vector<bool> there(reference.size(), false);
    for (const auto& pair : alignment.pairs[i]) {
      if (pair) there[*pair] = true;
    }
    for (std::size_t j = 0; j < reference.size(); ++j) {
      if (there[j] || !has_dependable_size(reference[j])) continue;
      const StarPlace p = alignment.maps[i]->inverse({reference[j].x_px, reference[j].y_px});
      if (p.x_px < 0 || p.y_px < 0 || p.x_px > frames[i].width_px - 1 ||
          p.y_px > frames[i].height_px - 1) {
        continue;
      }
      missing[i].push_back({p.x_px, p.y_px});
    }
  }
  return missing;
}

std::vector<StarTrack> star_tracks(const FrameGroup& frames, const Alignment& alignment) {
  std::vector<StarTrack> tracks;
  if (frames.empty()) return tracks;
  tracks.assign(frames[alignment.reference].stars.size(), StarTrack(frames.size(), std::nullopt));
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto& pairs = alignment.pairs[i];
    for (std::size_t k = 0; k < pairs.size(); ++k) {
      if (pairs[k]) tracks[*pairs[k]][i] = k;
    }
  }
  const auto alone = [](const StarTrack& track) {
    return std::count_if(track.begin(), track.end(),
                         [](const auto& star) { return star.has_value(); }) < 2;
  };
  tracks.erase(std::remove_if(tracks.begin(), tracks.end(), alone), tracks.end());
  return tracks;
}

}  // namespace starwaist
