#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "stars/defect_map.h"
#include "starwaist/darks.h"

namespace starwaist {
namespace {

// The pixels' own currents differ, mostly upwards: far more stand out by four spreads of the darker
// half than noise alone would lift. Fainter ones make no star.
constexpr double kDarkSnr = 6.0;

std::string size_words(int width_px, int height_px) {
  return std::to_string(width_px) + " x " + std::to_string(height_px) + " pixels";
}

}  // namespace

Result<DefectMap> defects_of_darks(const std::vector<std::string>& paths,
                                   const FrameReadOptions& read, int threads) {
  if (paths.empty()) return fail(ErrorCode::no_data, "no dark was given", "Name a file");
  struct Standing {
    SharpPixel pixel;
    std::size_t darks = 0;
  };
  std::map<std::pair<int, int>, Standing> standing;
  std::string first;
  int width = 0;
  int height = 0;
  for (const std::string& path : paths) {
    const auto dark = read_frame(path, read);
    if (!dark) return tl::unexpected<Error>(dark.error());
    if (first.empty()) {
      first = dark->file;
      width = dark->pixels.width_px();
      height = dark->pixels.height_px();
    } else if (dark->pixels.width_px() != width || dark->pixels.height_px() != height) {
      return fail(ErrorCode::invalid_argument,
                  dark->file + ": has " +
                      size_words(dark->pixels.width_px(), dark->pixels.height_px()) + ", " + first +
                      " has " + size_words(width, height),
                  "Give darks of one size");
    }
    for (const SharpPixel& pixel : sharp_pixels(*dark, threads)) {
      if (pixel.excess_adu < kDarkSnr * pixel.noise_adu) continue;
      Standing& entry = standing[{pixel.y_px, pixel.x_px}];
      entry.pixel = pixel;
      ++entry.darks;
    }
  }
  std::vector<SharpPixel> found;
  for (const auto& [place, entry] : standing) {
    if (2 * entry.darks >= paths.size()) found.push_back(entry.pixel);
  }
  DefectMap map = stars::grouped_map(found, {}, width, height, stars::Spread::as_seen);
  map.source = first;
  return map;
}

}  // namespace starwaist
