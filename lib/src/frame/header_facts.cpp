#include "frame/header_facts.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <initializer_list>
#include <span>
#include <utility>

#include "frame/bayer_letters.h"
#include "frame/header_time.h"
#include "frame/keywords.h"
#include "frame/name_position.h"
#include "starwaist/numbers.h"

namespace starwaist::frame_detail {

namespace {

using Names = std::span<const std::string_view>;

std::string upper_case(std::string_view text) {
  std::string raised(text);
  for (char& c : raised) {
    if (c >= 'a' && c <= 'z') c = static_cast<char>(c - 'a' + 'A');
  }
  return raised;
}

// The text of a card's value: quotes off, doubled quotes single, trailing blanks off.
std::string plain_value(std::string_view value) {
  value = trimmed(value);
  if (value.empty() || value.front() != '\'') return std::string(value);
  std::string text;
  for (std::size_t i = 1; i < value.size(); ++i) {
    if (value[i] == '\'') {
      if (i + 1 == value.size() || value[i + 1] != '\'') break;
      ++i;
    }
    text += value[i];
  }
  return std::string(trimmed(text));
}

void append_cards(fitsfile* handle, std::vector<Card>& cards) {
  int count = 0;
  int status = 0;
  fits_get_hdrspace(handle, &count, nullptr, &status);
  for (int i = 1; status == 0 && i <= count; ++i) {
    std::array<char, FLEN_CARD> record{};
    if (fits_read_record(handle, i, record.data(), &status) != 0) break;
    std::array<char, FLEN_KEYWORD> name{};
    std::array<char, FLEN_VALUE> value{};
    std::array<char, FLEN_COMMENT> comment{};
    int length = 0;
    int card_status = 0;
    fits_get_keyname(record.data(), name.data(), &length, &card_status);
    fits_parse_value(record.data(), value.data(), comment.data(), &card_status);
    if (card_status != 0 || value[0] == '\0') continue;
    cards.push_back({upper_case(trimmed(name.data())), plain_value(value.data()),
                     lower_case(trimmed(comment.data()))});
  }
  fits_clear_errmsg();
}

// Puts facts in place and notes the keyword of each.
class FactReader {
 public:
  FactReader(const Header& header, HeaderFacts& facts) : header_(header), facts_(facts) {}

  // The first of `names` whose card `convert` turns into a value.
  template <class T, class Convert>
  bool take(const char* fact, std::optional<T>& to, Names names, Convert convert) {
    for (const std::string_view name : names) {
      const Card* card = header_.find(name);
      if (card == nullptr) continue;
      if (std::optional<T> value = convert(*card)) {
        to = std::move(value);
        note(fact, card->name);
        return true;
      }
    }
    return false;
  }

  void note(const char* fact, const std::string& keyword) {
    facts_.keywords.emplace_back(fact, keyword);
  }

 private:
  const Header& header_;
  HeaderFacts& facts_;
};

std::optional<double> number(const Card& card) { return parse_number(card.value); }

std::optional<double> positive(const Card& card) {
  const auto value = number(card);
  return value && *value > 0 ? value : std::nullopt;
}

std::optional<double> not_negative(const Card& card) {
  const auto value = number(card);
  return value && *value >= 0 ? value : std::nullopt;
}

std::optional<std::string> text(const Card& card) {
  return card.value.empty() ? std::nullopt : std::optional<std::string>(card.value);
}

bool mentions(const Card& card, std::initializer_list<std::string_view> words) {
  return std::any_of(words.begin(), words.end(), [&card](std::string_view word) {
    return card.comment.find(word) != std::string::npos;
  });
}

// Degrees Celsius. Kelvin where the comment says so or the number can be nothing else; Fahrenheit
// where the comment says so. Values no night has (-999, -1 K, 0 K) mean "no sensor".
std::optional<double> celsius(const Card& card) {
  constexpr double kColdestNightC = -90;  // the coldest air ever recorded is -89.2 C
  constexpr double kHottestNightC = 65;
  constexpr double kIceKelvin = 273.15;
  auto value = number(card);
  if (!value) return std::nullopt;
  if (mentions(card, {"kelvin", "[k]", "(k)"}) || *value > kIceKelvin + kColdestNightC) {
    *value -= kIceKelvin;
  } else if (mentions(card, {"fahrenheit", "[f]", "(f)", "[deg f]", "[degf]"})) {
    *value = (*value - 32) / 1.8;
  }
  if (*value < kColdestNightC || *value > kHottestNightC) return std::nullopt;
  return value;
}

// DATAMAX is in the standard the largest valid value; many programs write the largest value of
// this very image. Only a converter's full scale (2^n - 1 or 2^n, 8 to 16 bits) is believed.
std::optional<double> full_scale(const Card& card) {
  const auto value = number(card);
  if (!value) return std::nullopt;
  for (int bits = 8; bits <= 16; ++bits) {
    const double scale = std::ldexp(1.0, bits);
    if (*value == scale || *value == scale - 1) return value;
  }
  return std::nullopt;
}

// Degrees, plain or sexagesimal ("45 12 03", "+62:35:31").
std::optional<double> degrees(const Card& card) {
  if (const auto plain = number(card)) return plain;
  std::array<double, 3> parts{};
  std::size_t count = 0;
  std::string_view rest = trimmed(card.value);
  const bool negative = !rest.empty() && rest.front() == '-';
  if (!rest.empty() && (rest.front() == '-' || rest.front() == '+')) rest.remove_prefix(1);
  while (!rest.empty()) {
    const auto end = std::min(rest.find_first_of(": "), rest.size());
    const auto part = parse_number(rest.substr(0, end));
    if (!part || *part < 0 || count == parts.size() || (count > 0 && *part >= 60)) {
      return std::nullopt;
    }
    parts[count++] = *part;
    rest.remove_prefix(std::min(end + 1, rest.size()));
  }
  if (count < 2) return std::nullopt;
  const double value = parts[0] + parts[1] / 60 + parts[2] / 3600;
  return negative ? -value : value;
}

// Altitude of the telescope's aim. ALTITUDE is now and then the site's height in metres.
std::optional<double> aim_altitude(const Card& card) {
  const auto value = degrees(card);
  if (!value || *value < -10 || *value > 90) return std::nullopt;
  if (mentions(card, {"site", "sea", "[m]", "(m)", "metre", "meter", "observatory"})) {
    return std::nullopt;
  }
  return value;
}

std::optional<std::string> moment(const Card& card) { return moment_text(card.value); }

constexpr std::string_view kDataMax[] = {"DATAMAX"};
constexpr std::string_view kUnbinnedPixel[] = {"PIXSIZE1"};

int parity(const Header& header, std::string_view name) {
  const Card* card = header.find(name);
  const auto value = card == nullptr ? std::nullopt : number(*card);
  if (!value || std::abs(*value) > 1e6) return 0;
  return static_cast<int>(std::lround(*value)) & 1;
}

// True where the header says that the rows are stored from the picture's foot upwards. The letters
// of the mosaic then count from the last row stored (common practice, no source).
bool rows_are_bottom_up(const Header& header) {
  const Card* card = header.find("ROWORDER");
  return card != nullptr && upper_case(card->value) == "BOTTOM-UP";
}

// Four letters, row by row.
std::optional<BayerTile> bayer_tile(const Header& header, int height_px, const Card& card) {
  const std::string letters = upper_case(card.value);
  if (letters.size() != 4) return std::nullopt;
  BayerTile lettered;
  for (std::size_t site = 0; site < letters.size(); ++site) {
    const auto channel = channel_of(letters[site]);
    if (!channel) return std::nullopt;
    lettered.tile[site] = *channel;
  }
  if (!is_bayer(lettered)) return std::nullopt;
  const int x_shift = parity(header, "XBAYROFF");
  const int y_shift = parity(header, "YBAYROFF");
  const bool bottom_up = rows_are_bottom_up(header);
  BayerTile tile;
  for (int y = 0; y < 2; ++y) {
    const int from_top = bottom_up ? height_px - 1 - y : y;
    for (int x = 0; x < 2; ++x) {
      tile.tile[2 * y + x] = lettered.tile[2 * ((from_top + y_shift) & 1) + ((x + x_shift) & 1)];
    }
  }
  return tile;
}

}  // namespace

const Card* Header::find(std::string_view name) const {
  const std::string wanted = upper_case(trimmed(name));
  const auto found = std::find_if(cards_.begin(), cards_.end(),
                                  [&wanted](const Card& card) { return card.name == wanted; });
  return found == cards_.end() ? nullptr : &*found;
}

Header read_header(fitsfile* handle, int image_number) {
  std::vector<Card> cards;
  append_cards(handle, cards);
  int status = 0;
  if (image_number != 1 && fits_movabs_hdu(handle, 1, nullptr, &status) == 0) {
    append_cards(handle, cards);
    fits_movabs_hdu(handle, image_number, nullptr, &status);
  }
  return Header(std::move(cards));
}

Result<HeaderFacts> header_facts(const Header& header, int height_px,
                                 const FrameReadOptions& options, const std::string& file_name) {
  HeaderFacts facts;
  FactReader reader(header, facts);

  const auto take = [&](const char* fact, const char* word, auto& to, auto convert) {
    return reader.take(fact, to, keywords_for(word, options), convert);
  };
  take("position_steps", "position", facts.position_steps, number);
  if (options.position_from_name) {  // a bad pattern is an error whether it is needed or not
    auto position = position_in_name(*options.position_from_name, file_name);
    if (!position) return tl::unexpected<Error>(position.error());
    if (!facts.position_steps && *position) {
      facts.position_steps = *position;
      reader.note("position_steps", "file name");
    }
  }
  take("temperature_c", "temperature", facts.temperature_c, celsius);
  take("filter", "filter", facts.filter, text);
  take("exposure_s", "exposure", facts.exposure_s, not_negative);
  if (is_named("time", options)) {
    take("time_utc", "time", facts.time_utc, moment);
  } else if (auto time = exposure_start(header)) {
    facts.time_utc = std::move(time->iso);
    reader.note("time_utc", time->keyword);
  }
  take("gain_e_per_adu", "gain", facts.gain_e_per_adu, positive);
  take("gain_setting", "gain-setting", facts.gain_setting, not_negative);
  take("read_noise_e", "read-noise", facts.read_noise_e, positive);
  if (!take("saturation_adu", "saturation", facts.saturation_adu, positive) &&
      !is_named("saturation", options)) {
    reader.take("saturation_adu", facts.saturation_adu, kDataMax, full_scale);
  }
  if (!take("pixel_um", "pixel", facts.pixel_um, positive) && !is_named("pixel", options) &&
      reader.take("pixel_um", facts.pixel_um, kUnbinnedPixel, positive)) {
    const Card* binning = header.find("XBINNING");
    *facts.pixel_um *= binning == nullptr ? 1.0 : positive(*binning).value_or(1.0);
  }
  take("focal_length_mm", "focal-length", facts.focal_length_mm, positive);
  take("aperture_mm", "aperture", facts.aperture_mm, positive);
  take("altitude_deg", "altitude", facts.altitude_deg, aim_altitude);
  take("bayer", "bayer", facts.bayer,
       [&](const Card& card) { return bayer_tile(header, height_px, card); });
  return facts;
}

}  // namespace starwaist::frame_detail
