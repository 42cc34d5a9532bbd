// Sizes over the field.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "stars/one_star.h"

namespace starwaist::stars {

// The size that most of the frame's light-carrying objects share, from the strongest candidates,
// and how elongated they are (Probe::polarisation). Absent where none can be sized.
std::optional<Probe> frame_size(const FrameContext& context,
                                const std::vector<Candidate>& candidates, int threads);

// Sizes change smoothly over a tilted or curved field: the median of the good stars in each ninth
// of the frame, the frame's own where a ninth has too few.
class FieldSizes {
 public:
  static constexpr int kSide = 3;
  static constexpr std::size_t kZones = kSide * kSide;

  FieldSizes(int width_px, int height_px, double frame_size_px);
  FieldSizes(int width_px, int height_px, double frame_size_px,
             const std::vector<MeasuredStar>& stars);
  [[nodiscard]] double at(double x_px, double y_px) const { return size_px_[zone(x_px, y_px)]; }
  // Which ninth, row by row.
  [[nodiscard]] std::size_t zone(double x_px, double y_px) const;

 private:
  int width_px_;
  int height_px_;
  std::vector<double> size_px_;
};

// Sets `extended` where an object is clearly more drawn out than the frame's stars are (a galaxy),
// `defect` where it is a line among round stars (a satellite's trail), and clears both elsewhere.
// `usual_polarisation`: the frame's (frame_size).
void mark_elongated(std::vector<MeasuredStar>& stars, double usual_polarisation);

// Sets `defect` also where an object is too small for a star of its place and `extended` where it
// is too large.
void classify(std::vector<MeasuredStar>& stars, const FieldSizes& sizes);

}  // namespace starwaist::stars
