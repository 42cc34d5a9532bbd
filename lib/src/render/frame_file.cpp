#include "render/frame_file.h"

#include <fitsio.h>

#include <algorithm>
#include <filesystem>
#include <system_error>

namespace starwaist::render {

namespace {

Error write_error(const std::string& path, const std::string& why) {
  return {ErrorCode::cannot_write,
          std::filesystem::path(path).filename().string() + " cannot be written: " + why,
          "Check the folder's rights and the free space"};
}

void write_card(fitsfile* file, const Card& card, int* status) {
  const char* comment = card.comment.empty() ? nullptr : card.comment.c_str();
  if (const auto* number = std::get_if<double>(&card.value)) {
    double value = *number;
    // 15 digits: what a double read back can be relied on to keep.
    fits_write_key(file, TDOUBLE, card.keyword.c_str(), &value, comment, status);
  } else if (const auto* integer = std::get_if<int>(&card.value)) {
    int value = *integer;
    fits_write_key(file, TINT, card.keyword.c_str(), &value, comment, status);
  } else {
    std::string text = std::get<std::string>(card.value);
    fits_write_key(file, TSTRING, card.keyword.c_str(), text.data(), comment, status);
  }
}

}  // namespace

Result<void> write_frame_file(const std::string& path, const FrameImage& image,
                              const std::vector<Card>& header, bool tile_compressed) {
  const std::string part = path + ".part";
  std::error_code ignored;
  std::filesystem::remove(part, ignored);
  int status = 0;
  fitsfile* file = nullptr;
  // A plain disk file: brackets and colons in the path are letters.
  fits_create_diskfile(&file, part.c_str(), &status);
  if (status == 0) {
    long axes[2] = {image.width_px, image.height_px};
    if (tile_compressed) fits_set_compression_type(file, RICE_1, &status);
    fits_create_img(file, USHORT_IMG, 2, axes, &status);
    for (const Card& card : header) write_card(file, card, &status);
    // CFITSIO takes no const pointer, and does not write through it.
    auto* pixels = const_cast<std::uint16_t*>(image.pixels_adu.data());
    fits_write_img(file, TUSHORT, 1, static_cast<LONGLONG>(image.pixels_adu.size()), pixels,
                   &status);
    // DATASUM alone, without the day: the same seed writes the same bytes.
    fits_write_chksum(file, &status);
    fits_modify_comment(file, "DATASUM", "data unit checksum", &status);
    fits_delete_key(file, "CHECKSUM", &status);
    int close_status = 0;
    fits_close_file(file, &close_status);
    status = status != 0 ? status : close_status;
  }
  if (status != 0) {
    char text[FLEN_STATUS] = {};
    fits_get_errstatus(status, text);
    fits_clear_errmsg();
    std::filesystem::remove(part, ignored);
    return tl::unexpected(write_error(path, text));
  }
  std::error_code error;
  std::filesystem::rename(part, path, error);
  if (error) {
    std::filesystem::remove(part, ignored);
    return tl::unexpected(write_error(path, error.message()));
  }
  return {};
}

}  // namespace starwaist::render
