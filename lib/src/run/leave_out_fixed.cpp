#include "run/leave_out_fixed.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <set>
#include <utility>
#include <vector>

#include "core/parallel.h"
#include "starwaist/codes.h"
#include "starwaist/statistics.h"

namespace starwaist::run_detail {
namespace {

// Objects of `a` that `b` has at the same place and as large: what moves with the field or changes
// with the focus is not among them.
std::size_t alike_in_both(const FrameMeasurement& a, const FrameMeasurement& b) {
  constexpr double kBesidePx = 2;
  constexpr double kAlikeSize = 1.25;
  std::vector<const Star*> by_row;
  for (const Star& star : b.stars) by_row.push_back(&star);
  std::sort(by_row.begin(), by_row.end(),
            [](const Star* one, const Star* other) { return one->y_px < other->y_px; });
  return static_cast<std::size_t>(
      std::count_if(a.stars.begin(), a.stars.end(), [&](const Star& star) {
        auto near =
            std::lower_bound(by_row.begin(), by_row.end(), star.y_px - kBesidePx,
                             [](const Star* other, double y_px) { return other->y_px < y_px; });
        for (; near != by_row.end() && (*near)->y_px <= star.y_px + kBesidePx; ++near) {
          if (std::abs((*near)->x_px - star.x_px) > kBesidePx) continue;
          if (!star.hfr_px || !(*near)->hfr_px) return true;
          const double ratio = *star.hfr_px / *(*near)->hfr_px;
          if (ratio < kAlikeSize && ratio > 1 / kAlikeSize) return true;
        }
        return false;
      }));
}

// Whether the objects leave it open that fixed pixels are a good part of them, or outnumber them:
// only then are the frames looked at once more, which costs as much as measuring them.
bool may_hold_fixed(const std::vector<MeasuredFrame>& frames) {
  constexpr double kManyStars = 30;  // fewer are soon outnumbered
  constexpr double kDense = 2;       // defects for each object
  constexpr double kLeastAlike = 0.1;
  const FrameMeasurement* smallest = nullptr;
  const FrameMeasurement* largest = nullptr;
  std::vector<double> objects;
  std::vector<double> defects;
  for (const MeasuredFrame& frame : frames) {
    const FrameMeasurement& measured = frame.measurement;
    objects.push_back(static_cast<double>(measured.stars.size()));
    defects.push_back(measured.defect_count);
    if (!measured.hfr_px) continue;
    if (smallest == nullptr || *measured.hfr_px < *smallest->hfr_px) smallest = &measured;
    if (largest == nullptr || *measured.hfr_px > *largest->hfr_px) largest = &measured;
  }
  if (smallest == nullptr || smallest == largest) return true;
  const double count = median(objects);
  if (count < kManyStars || median(defects) >= kDense * count) return true;
  const auto alike = static_cast<double>(alike_in_both(*largest, *smallest));
  return alike >= kLeastAlike * static_cast<double>(largest->stars.size());
}

// The frame's pixels as they were measured at first.
Result<Frame> pixels_again(const MeasuredFrame& frame, const RunOptions& options) {
  FrameReadOptions read = options.read;
  if (!read.channel) read.channel = options.measure.channel;
  auto pixels = read_frame(frame.path, read);
  if (pixels) pixels->facts = frame.facts;
  return pixels;
}

// Absent where the frames are not of one size, or one can no longer be read.
std::optional<DefectMap> fixed_of(const std::vector<MeasuredFrame>& frames,
                                  const RunOptions& options) {
  const FrameMeasurement& first = frames.front().measurement;
  for (const MeasuredFrame& frame : frames) {
    if (frame.measurement.width_px != first.width_px ||
        frame.measurement.height_px != first.height_px) {
      return std::nullopt;
    }
  }
  std::vector<std::optional<std::vector<SharpPixel>>> sharp(frames.size());
  core::parallel_for(frames.size(), core::thread_count(options.threads), [&](std::size_t i) {
    if (options.stop && options.stop()) return;
    auto pixels = pixels_again(frames[i], options);
    if (!pixels) return;
    if (options.measure.defects) {
      *pixels = without_defects(std::move(*pixels), *options.measure.defects);
    }
    sharp[i] = sharp_pixels(*pixels);
  });
  std::vector<const std::vector<SharpPixel>*> lists;
  for (const auto& some : sharp) {
    if (!some) return std::nullopt;
    lists.push_back(&*some);
  }
  return fixed_pixels(lists, first.width_px, first.height_px);
}

// Whether fixed pixels are among what the run's sizes are of, or lie so dense that they disturb.
// Single hot pixels a frame leaves out by itself.
bool may_mislead(const DefectMap& fixed, const std::vector<MeasuredFrame>& frames) {
  constexpr std::size_t kFewest = 10;
  constexpr double kMistaken = 0.2;  // of the objects
  constexpr double kDense = 3;       // for each object
  constexpr int kBesidePx = 2;
  if (fixed.places.size() < kFewest) return false;
  std::set<std::pair<int, int>> beside;
  for (const PixelPlace& place : fixed.places) {
    for (int dy = -kBesidePx; dy <= kBesidePx; ++dy) {
      for (int dx = -kBesidePx; dx <= kBesidePx; ++dx) {
        beside.emplace(place.x_px + dx, place.y_px + dy);
      }
    }
  }
  std::vector<double> objects;
  std::vector<double> mistaken;
  for (const MeasuredFrame& frame : frames) {
    const std::vector<Star>& stars = frame.measurement.stars;
    const auto fixed_ones = std::count_if(stars.begin(), stars.end(), [&](const Star& star) {
      return beside.count({static_cast<int>(std::lround(star.x_px)),
                           static_cast<int>(std::lround(star.y_px))}) != 0;
    });
    const auto count = static_cast<double>(stars.size());
    objects.push_back(count);
    mistaken.push_back(static_cast<double>(fixed_ones) / std::max(count, 1.0));
  }
  return median(mistaken) >= kMistaken ||
         static_cast<double>(fixed.places.size()) >= kDense * median(objects);
}

DefectMap joined(DefectMap map, const DefectMap* also) {
  if (also == nullptr || also->width_px != map.width_px || also->height_px != map.height_px) {
    return map;
  }
  map.places.insert(map.places.end(), also->places.begin(), also->places.end());
  map.pixels.insert(map.pixels.end(), also->pixels.begin(), also->pixels.end());
  std::sort(map.pixels.begin(), map.pixels.end(), [](const PixelPlace& a, const PixelPlace& b) {
    return a.y_px != b.y_px ? a.y_px < b.y_px : a.x_px < b.x_px;
  });
  map.pixels.erase(std::unique(map.pixels.begin(), map.pixels.end(),
                               [](const PixelPlace& a, const PixelPlace& b) {
                                 return a.x_px == b.x_px && a.y_px == b.y_px;
                               }),
                   map.pixels.end());
  return map;
}

std::vector<MeasuredFrame> measured_without(const std::vector<MeasuredFrame>& frames,
                                            const RunOptions& options,
                                            const std::shared_ptr<const DefectMap>& defects) {
  std::vector<MeasuredFrame> again = frames;
  const int threads = core::thread_count(options.threads);
  core::parallel_for(frames.size(), threads, [&](std::size_t i) {
    if (options.stop && options.stop()) return;
    auto pixels = pixels_again(frames[i], options);
    if (!pixels) return;
    MeasureOptions measure = options.measure;
    measure.defects = defects;
    if (!measure.halo_px) measure.halo_px = frames[i].halo_px;
    *pixels = one_colour(std::move(*pixels), measure);
    std::shared_ptr<const FrameModel> model;
    auto measured = measure_frame(*pixels, measure, &model);
    if (!measured) return;
    again[i].measurement = std::move(*measured);
    again[i].model = std::move(model);
  });
  return again;
}

// Whether something in the frames follows the run: it moves with the field, or changes its size.
bool follows_the_run(const std::vector<MeasuredFrame>& frames) {
  constexpr double kMovedPx = 2;
  constexpr double kChanged = 1.25;
  const FrameGroup group(frames);
  for (const StarTrack& track : star_tracks(group, align_frames(group))) {
    std::vector<double> x;
    std::vector<double> y;
    std::vector<double> size;
    for (std::size_t i = 0; i < frames.size(); ++i) {
      if (!track[i]) continue;
      const Star& star = frames[i].measurement.stars[*track[i]];
      if (!has_dependable_size(star)) continue;
      x.push_back(star.x_px);
      y.push_back(star.y_px);
      size.push_back(*star.hfr_px);
    }
    if (size.size() < kFewestForFixed - 1) continue;
    const auto range = [](const std::vector<double>& values) {
      const auto [low, high] = std::minmax_element(values.begin(), values.end());
      return std::pair{*low, *high};
    };
    const auto [left, right] = range(x);
    const auto [top, bottom] = range(y);
    const auto [smallest, largest] = range(size);
    if (std::max(right - left, bottom - top) > kMovedPx || largest > kChanged * smallest) {
      return true;
    }
  }
  return false;
}

}  // namespace

std::shared_ptr<const DefectMap> leave_out_fixed(std::vector<MeasuredFrame>& frames,
                                                 const RunOptions& options) {
  if (frames.size() < kFewestForFixed || !may_hold_fixed(frames)) return nullptr;
  auto fixed = fixed_of(frames, options);
  if (!fixed || !may_mislead(*fixed, frames)) return nullptr;
  const auto defects =
      std::make_shared<const DefectMap>(joined(std::move(*fixed), options.measure.defects.get()));
  std::vector<MeasuredFrame> again = measured_without(frames, options, defects);
  if (!follows_the_run(again)) return nullptr;
  const Statement remark{codes::defects_left_out,
                         std::to_string(defects->places.size()) +
                             " places stay as they are while the stars move or change: they were "
                             "left out as defects"};
  for (MeasuredFrame& frame : again) frame.measurement.remarks.push_back(remark);
  frames = std::move(again);
  return defects;
}

}  // namespace starwaist::run_detail
