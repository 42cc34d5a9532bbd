// Header cards and the facts read from them.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "frame/fits_file.h"
#include "starwaist/frame.h"

namespace starwaist::frame_detail {

struct Card {
  std::string name;     // upper case
  std::string value;    // without quotes and trailing blanks
  std::string comment;  // lower case
};

// The cards of the image's HDU and behind them those of the primary HDU.
class Header {
 public:
  explicit Header(std::vector<Card> cards) : cards_(std::move(cards)) {}
  // The first card of that name (any case) that has a value.
  [[nodiscard]] const Card* find(std::string_view name) const;

 private:
  std::vector<Card> cards_;
};

// Reads the cards of HDU `image_number`, then of the primary HDU. Cards that are not keyword and
// value are passed over.
Header read_header(fitsfile* handle, int image_number);

// See frame.h for the keywords. `height_px` is the image's, for mosaics whose rows are stored from
// the foot upwards. `file_name` serves position_from_name only.
Result<HeaderFacts> header_facts(const Header& header, int height_px,
                                 const FrameReadOptions& options, const std::string& file_name);

}  // namespace starwaist::frame_detail
