#include <algorithm>
#include <filesystem>
#include <string>
#include <string_view>
#include <utility>

#include "frame/fits_file.h"
#include "frame/header_facts.h"
#include "frame/image_hdu.h"
#include "starwaist/frame.h"
#include "starwaist/numbers.h"

namespace starwaist {

Result<Frame> read_frame(const std::string& path, const FrameReadOptions& options) {
  const frame_detail::CfitsioGuard guard;
  auto file = frame_detail::open_fits(path);
  if (!file) return tl::unexpected<Error>(file.error());
  auto image = frame_detail::find_image(*file);
  if (!image) return tl::unexpected<Error>(image.error());
  auto facts =
      frame_detail::header_facts(frame_detail::read_header(file->handle.get(), image->number),
                                 image->height_px, options, file->name);
  if (!facts) return tl::unexpected<Error>(facts.error());
  auto pixels = frame_detail::read_pixels(*file, *image);
  if (!pixels) return tl::unexpected<Error>(pixels.error());

  Frame frame;
  frame.file = file->name;
  frame.pixels = std::move(*pixels);
  frame.facts = std::move(*facts);
  return frame;
}

bool is_frame_name(const std::string& path) {
  std::string name = lower_case(std::filesystem::path(path).filename().string());
  const auto drop_ending = [&name](std::string_view ending) {
    if (name.size() <= ending.size() ||
        name.compare(name.size() - ending.size(), ending.size(), ending) != 0) {
      return false;
    }
    name.resize(name.size() - ending.size());
    return true;
  };
  drop_ending(".gz");
  constexpr std::string_view kEndings[] = {".fits", ".fit", ".fts", ".fz"};
  return std::any_of(std::begin(kEndings), std::end(kEndings), drop_ending);
}

}  // namespace starwaist
