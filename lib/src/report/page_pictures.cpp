// Pictures of a run for its page: one star through focus, and the frame nearest to it.
#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "core/parallel.h"
#include "report/picture.h"
#include "starwaist/frame.h"
#include "starwaist/page.h"

namespace starwaist {

namespace {

constexpr std::size_t kMostFrames = 15;  // a strip for a phone; a choice, no source
constexpr std::size_t kMostMarks = 300;
constexpr int kLongestShownPx = 1024;
// Half a cut-out's side: room for the wings of the largest image of the star.
constexpr double kRadiiShown = 3.0;
constexpr int kSmallestHalfPx = 10;
constexpr int kLargestHalfPx = 80;

const Star* star_in(const RunRecord& record, const StarTrack& track, std::size_t frame) {
  const auto& place = track[frame];
  return place ? &record.frames[frame].measurement.stars[*place] : nullptr;
}

// The star that most frames show well; those of the reference come brightest first.
const StarTrack* best_track(const RunRecord& record) {
  constexpr double kClear = 50;  // signal to noise from which an image looks clean
  const StarTrack* best = nullptr;
  double most = 0;
  for (const StarTrack& track : record.tracks) {
    double clear = 0;
    for (std::size_t i = 0; i < track.size(); ++i) {
      const Star* star = star_in(record, track, i);
      if (star != nullptr && is_whole(*star)) clear += std::min(star->snr / kClear, 1.0);
    }
    if (clear > most) {
      most = clear;
      best = &track;
    }
  }
  return best;
}

// The point nearest to best focus, else the one with the smallest stars.
std::optional<std::size_t> nearest_frame(const FitResult& fit) {
  std::optional<std::size_t> nearest;
  double least = 0;
  for (std::size_t i = 0; i < fit.points.size(); ++i) {
    const CurvePoint& point = fit.points[i];
    if (!point.used || !point.size_px) continue;
    const double measure = fit.best_focus_steps
                               ? std::abs(point.position_steps - *fit.best_focus_steps)
                               : *point.size_px;
    if (nearest && !(measure < least)) continue;
    least = measure;
    nearest = i;
  }
  return nearest;
}

// Frames that show the star, by position; of too many every n-th, and always `nearest`.
std::vector<std::size_t> frames_of_strip(const RunRecord& record, const StarTrack& track,
                                         const std::optional<std::size_t>& nearest) {
  std::vector<std::size_t> all;
  for (std::size_t i = 0; i < record.frames.size(); ++i) {
    if (star_in(record, track, i) != nullptr) all.push_back(i);
  }
  std::stable_sort(all.begin(), all.end(), [&](std::size_t a, std::size_t b) {
    return *record.frames[a].facts.position_steps < *record.frames[b].facts.position_steps;
  });
  if (all.size() <= kMostFrames) return all;
  std::vector<std::size_t> some;
  for (std::size_t k = 0; k < kMostFrames; ++k) {
    some.push_back(all[k * (all.size() - 1) / (kMostFrames - 1)]);
  }
  const bool missing = nearest && std::find(some.begin(), some.end(), *nearest) == some.end();
  const auto place = missing ? std::find(all.begin(), all.end(), *nearest) : all.end();
  if (place != all.end()) {
    const auto rank = static_cast<std::size_t>(place - all.begin());
    some[(rank * (kMostFrames - 1) + (all.size() - 1) / 2) / (all.size() - 1)] = *nearest;
  }
  return some;
}

// Grey values that serve the star's faint wide images and its bright small ones alike: white lies
// halfway between their peaks, in ratio. Above each frame's own sky.
report::Stretch common_stretch(const RunRecord& record, const StarTrack& track,
                               const std::vector<std::size_t>& frames) {
  double faintest = 0;
  double brightest = 0;
  double noise = 0;
  for (const std::size_t i : frames) {
    const double peak = std::max(star_in(record, track, i)->peak_adu, 0.0);
    faintest = i == frames.front() ? peak : std::min(faintest, peak);
    brightest = std::max(brightest, peak);
    noise = std::max(noise, record.frames[i].measurement.noise_adu);
  }
  report::Stretch stretch{-noise, std::sqrt(std::max(faintest, 3 * noise) * brightest)};
  if (!(stretch.white > stretch.black)) stretch.white = stretch.black + 1;
  return stretch;
}

int half_side(const RunRecord& record, const StarTrack& track,
              const std::vector<std::size_t>& frames) {
  double largest = 0;
  for (const std::size_t i : frames) {
    largest = std::max(largest, star_in(record, track, i)->hfr_px.value_or(0));
  }
  return std::clamp(static_cast<int>(std::ceil(kRadiiShown * largest)), kSmallestHalfPx,
                    kLargestHalfPx);
}

struct Cut {
  const StarTrack* track = nullptr;
  report::Stretch stretch;
  int half_px = 0;
};

// Beyond the frame's edge it is black.
cv::Mat cutout(const PixelBuffer& pixels, const Star& star, double sky_adu, const Cut& cut) {
  const int side = 2 * cut.half_px + 1;
  cv::Mat picture(side, side, CV_8UC1, cv::Scalar(0));
  const int left = static_cast<int>(std::lround(star.x_px)) - cut.half_px;
  const int top = static_cast<int>(std::lround(star.y_px)) - cut.half_px;
  for (int y = std::max(0, -top); y < std::min(side, pixels.height_px() - top); ++y) {
    for (int x = std::max(0, -left); x < std::min(side, pixels.width_px() - left); ++x) {
      picture.at<std::uint8_t>(y, x) = cut.stretch.gray(pixels.at(left + x, top + y) - sky_adu);
    }
  }
  return picture;
}

StarCutout made_cutout(const Frame& frame, const MeasuredFrame& measured, const Star& star,
                       const Cut& cut) {
  return {measured.measurement.file, *measured.facts.position_steps, star.hfr_px,
          report::png_of(cutout(frame.pixels, star, measured.measurement.background_adu, cut))};
}

MarkedFrame::Mark::Kind kind_of(const Star& star) {
  using Kind = MarkedFrame::Mark::Kind;
  if (star.saturated) return Kind::saturated;
  if (star.blended) return Kind::blended;
  return star.at_edge ? Kind::at_edge : Kind::counts;
}

MarkedFrame marked(const Frame& frame, const MeasuredFrame& measured) {
  const int shrink = report::shrink_to(frame.pixels, kLongestShownPx);
  const cv::Mat picture = report::gray_picture(frame.pixels, shrink);
  MarkedFrame made;
  made.file = measured.measurement.file;
  made.position_steps = *measured.facts.position_steps;
  made.width_px = picture.cols;
  made.height_px = picture.rows;
  made.png = report::png_of(picture);
  std::vector<const Star*> stars;
  for (const Star& star : measured.measurement.stars) {
    if (std::isfinite(star.x_px) && std::isfinite(star.y_px)) stars.push_back(&star);
  }
  std::stable_sort(stars.begin(), stars.end(),
                   [](const Star* a, const Star* b) { return a->flux_adu > b->flux_adu; });
  if (stars.size() > kMostMarks) stars.resize(kMostMarks);
  for (const Star* star : stars) {
    const report::Mark mark = report::mark_of(*star, shrink);
    made.marks.push_back({mark.x_px, mark.y_px, mark.radius_px, kind_of(*star)});
  }
  return made;
}

// The pixels as they were measured.
std::optional<Frame> read_again(const std::string& path, const RunOptions& options) {
  if (options.stop && options.stop()) return std::nullopt;
  FrameReadOptions read = options.read;
  if (!read.channel) read.channel = options.measure.channel;
  auto frame = read_frame(path, read);
  if (!frame) return std::nullopt;
  return one_colour(std::move(*frame), options.measure);
}

}  // namespace

RunPictures run_pictures(const RunRecord& record, const RunOptions& options) {
  RunPictures pictures;
  const auto nearest = record.frames.empty() ? std::nullopt : nearest_frame(record.fit);
  Cut cut;
  cut.track = best_track(record);
  std::vector<std::size_t> strip;
  if (cut.track != nullptr) {
    strip = frames_of_strip(record, *cut.track, nearest);
    cut.stretch = common_stretch(record, *cut.track, strip);
    cut.half_px = half_side(record, *cut.track, strip);
    pictures.cutout_side_px = 2 * cut.half_px + 1;
  }
  std::vector<std::size_t> needed = strip;
  if (nearest && std::find(needed.begin(), needed.end(), *nearest) == needed.end()) {
    needed.push_back(*nearest);
  }
  std::vector<std::optional<StarCutout>> cutouts(needed.size());
  core::parallel_for(needed.size(), core::thread_count(options.threads), [&](std::size_t k) {
    const MeasuredFrame& measured = record.frames[needed[k]];
    const auto frame = read_again(measured.path, options);
    if (!frame) return;
    if (k < strip.size()) {
      cutouts[k] = made_cutout(*frame, measured, *star_in(record, *cut.track, needed[k]), cut);
    }
    if (nearest && needed[k] == *nearest) pictures.nearest = marked(*frame, measured);
  });
  for (auto& made : cutouts) {
    if (made && !made->png.empty()) pictures.cutouts.push_back(std::move(*made));
  }
  if (pictures.nearest && pictures.nearest->png.empty()) pictures.nearest.reset();
  return pictures;
}

}  // namespace starwaist
