#include "stars/stamp.h"

#include <algorithm>
#include <cmath>
#include <span>

#include "stars/hot_pixels.h"

namespace starwaist::stars {

Stamp cut_stamp(const FrameContext& context, Centre centre, double radius_px) {
  constexpr double kDefectSnr = 5.0;
  const PixelBuffer& pixels = context.frame->pixels;
  const int reach = static_cast<int>(std::ceil(radius_px)) + 2;
  const int cx = static_cast<int>(std::lround(centre.x_px));
  const int cy = static_cast<int>(std::lround(centre.y_px));
  Stamp stamp;
  stamp.x_begin_px = cx - reach;
  stamp.y_begin_px = cy - reach;
  stamp.width_px = stamp.height_px = 2 * reach + 1;
  stamp.pixels.assign(
      static_cast<std::size_t>(stamp.width_px) * static_cast<std::size_t>(stamp.height_px),
      std::numeric_limits<float>::quiet_NaN());
  // Of a quarter of the pixels the sum over own sites would change by some per cent with the star's
  // place among them; what filling in adds is taken off the size instead (unwidened_px).
  const bool sums_own = context.frame->sample_fraction == 0.5;
  for (int site = 0; sums_own && site < 4; ++site) {
    const int of_frame = 2 * ((stamp.y_begin_px + site / 2) & 1) + ((stamp.x_begin_px + site) & 1);
    stamp.own_sites[static_cast<std::size_t>(site)] =
        context.frame->own_sites[static_cast<std::size_t>(of_frame)];
  }
  const int x_first = std::max(0, stamp.x_begin_px);
  const int x_end = std::min(pixels.width_px(), stamp.x_begin_px + stamp.width_px);
  if (x_end <= x_first) return stamp;
  const auto count = static_cast<std::size_t>(x_end - x_first);
  for (int y = std::max(0, stamp.y_begin_px);
       y < std::min(pixels.height_px(), stamp.y_begin_px + stamp.height_px); ++y) {
    float* row = stamp.pixels.data() +
                 static_cast<std::ptrdiff_t>(y - stamp.y_begin_px) * stamp.width_px +
                 (x_first - stamp.x_begin_px);
    pixels.read_row(y, x_first, std::span(row, count));
    context.sky->subtract_from_row(y, x_first, std::span(row, count));
  }
  const double noise_adu = std::sqrt(pixel_variance(context, centre));
  for (int y = 1; y + 1 < stamp.height_px; ++y) {
    repair_hot_row(
        [&stamp](int row) {
          return stamp.pixels.data() + static_cast<std::ptrdiff_t>(row) * stamp.width_px;
        },
        stamp.width_px, stamp.height_px, y, kDefectSnr * noise_adu, [](int) { return 0.0F; },
        [noise_adu](int, int) { return noise_adu; }, [](int, int) {});
  }
  return stamp;
}

double pixel_variance(const FrameContext& context, Centre centre) {
  const double sigma = context.sky->noise_adu(centre.x_px, centre.y_px);
  const double fraction = context.frame->sample_fraction;
  // Filled-in sites are smoother than true ones, and the spread is read over both kinds: the mean
  // variance of green sites and those filled in by the kernel 10/32, -1/32 is 0.70 of a true one's.
  const double smoothing = fraction < 1 ? 0.70 : 1.0;
  return sigma * sigma / (smoothing * fraction);
}

}  // namespace starwaist::stars
