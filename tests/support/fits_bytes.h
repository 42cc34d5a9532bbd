// FITS files written byte by byte from the standard, without the library and without CFITSIO (FITS
// standard 4.0, sections 3.3, 4.1 and 5.2).
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

namespace starwaist::testing_support {

using Cards = std::vector<std::pair<std::string, std::string>>;  // keyword, value as written

inline std::string fits_card(const std::string& key, const std::string& value) {
  std::string text = key;
  text.resize(8, ' ');
  text += "= " + value;
  text.resize(80, ' ');
  return text;
}

inline std::string padded_block(std::string bytes, char fill) {
  bytes.resize((bytes.size() + 2879) / 2880 * 2880, fill);
  return bytes;
}

// A primary header, SIMPLE and END added, in whole blocks.
inline std::string fits_header(const Cards& cards) {
  std::string text = fits_card("SIMPLE", "T");
  for (const auto& [key, value] : cards) text += fits_card(key, value);
  std::string end = "END";
  end.resize(80, ' ');
  return padded_block(text + end, ' ');
}

// A whole file of unsigned 16-bit pixels (BZERO 32768), row by row.
inline std::string fits_image(int width_px, int height_px, const std::vector<std::uint16_t>& pixels,
                              const Cards& more = {}) {
  Cards cards{{"BITPIX", "16"},
              {"NAXIS", "2"},
              {"NAXIS1", std::to_string(width_px)},
              {"NAXIS2", std::to_string(height_px)},
              {"BZERO", "32768"}};
  cards.insert(cards.end(), more.begin(), more.end());
  std::string data;
  data.reserve(2 * pixels.size());
  for (const std::uint16_t pixel : pixels) {
    const auto stored = static_cast<std::uint16_t>(pixel ^ 0x8000U);
    data += static_cast<char>(stored >> 8U);
    data += static_cast<char>(stored & 0xFFU);
  }
  return fits_header(cards) + padded_block(std::move(data), '\0');
}

}  // namespace starwaist::testing_support
