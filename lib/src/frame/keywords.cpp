#include "frame/keywords.h"

#include <algorithm>
#include <array>

namespace starwaist {

namespace frame_detail {
namespace {

// A keyword stands here where a standard or the published keyword dictionary of an observatory has
// it, or where writers of several kinds use it. "Practice": common practice, no source. The
// observatories' dictionaries and headers are cited from memory.
constexpr std::array<std::string_view, 6> kPosition = {
    "FOCUSPOS",  // practice
    "FOCPOS",    // practice
    "FOCUS",     // practice
    "FOCPOSN",   // headers of a network of 0.4 to 2 m telescopes, beside FOCDMD and FOCTEMP
    "CAMFOCUS",  // NOAO keyword dictionary: focus of the camera
    "TELFOCUS",  // NOAO keyword dictionary: focus of the telescope
};
constexpr std::array<std::string_view, 5> kTemperature = {
    "FOCTEMP",   // practice, and as FOCPOSN
    "FOCUSTEM",  // practice
    "AMBTEMP",   // practice
    "AIRTEMP",   // headers of the Sloan survey
    "OUTTEMP",   // headers of the Dark Energy Camera
};
constexpr std::array<std::string_view, 2> kFilter = {
    "FILTER",   // practice; NOAO keyword dictionary
    "FILTER1",  // practice of observatories with more than one wheel
};
constexpr std::array<std::string_view, 3> kExposure = {
    "EXPTIME",   // NOAO keyword dictionary, HEASARC's list of commonly used keywords
    "EXPOSURE",  // HEASARC's list of commonly used keywords
    "XPOSURE",   // FITS standard 4.0, section 9
};
// FITS standard 4.0, section 9; DATE-OBS first. Without a time of day in DATE-OBS one of the
// keywords of header_time.cpp adds it.
constexpr std::array<std::string_view, 4> kTime = {"DATE-OBS", "DATE-BEG", "MJD-OBS", "MJD-BEG"};
constexpr std::array<std::string_view, 1> kGain = {"EGAIN"};        // practice
constexpr std::array<std::string_view, 1> kGainSetting = {"GAIN"};  // practice
constexpr std::array<std::string_view, 3> kReadNoise = {
    "RDNOISE",   // NOAO keyword dictionary
    "READNOIS",  // practice of observatories
    "RON",       // practice of observatories
};
// DATAMAX (FITS standard 4.0) comes behind it, where it is a converter's full scale.
constexpr std::array<std::string_view, 1> kSaturation = {"SATURATE"};  // practice of observatories
// Practice: the size of a pixel as stored. PIXSIZE1 (NOAO keyword dictionary) comes behind it and
// is multiplied by XBINNING.
constexpr std::array<std::string_view, 1> kPixel = {"XPIXSZ"};
constexpr std::array<std::string_view, 1> kFocalLength = {"FOCALLEN"};  // practice
constexpr std::array<std::string_view, 1> kAperture = {"APTDIA"};       // practice
constexpr std::array<std::string_view, 3> kAltitude = {
    "OBJCTALT",  // practice
    "CENTALT",   // practice
    "ALTITUDE",  // practice of observatories
};
constexpr std::array<std::string_view, 1> kBayer = {"BAYERPAT"};  // practice

constexpr FactKeywords kFacts[] = {
    {"position", kPosition},
    {"temperature", kTemperature},
    {"filter", kFilter},
    {"exposure", kExposure},
    {"time", kTime},
    {"gain", kGain},
    {"gain-setting", kGainSetting},
    {"read-noise", kReadNoise},
    {"saturation", kSaturation},
    {"pixel", kPixel},
    {"focal-length", kFocalLength},
    {"aperture", kAperture},
    {"altitude", kAltitude},
    {"bayer", kBayer},
};

const KeywordName* named(std::string_view word, const FrameReadOptions& options) {
  const auto found = std::find_if(options.keywords.rbegin(), options.keywords.rend(),
                                  [&](const KeywordName& k) { return k.fact == word; });
  return found == options.keywords.rend() ? nullptr : &*found;
}

}  // namespace

std::span<const FactKeywords> all_fact_keywords() { return kFacts; }

bool is_named(std::string_view word, const FrameReadOptions& options) {
  return named(word, options) != nullptr;
}

std::vector<std::string_view> keywords_for(std::string_view word, const FrameReadOptions& options) {
  if (const KeywordName* own = named(word, options)) return {own->keyword};
  for (const FactKeywords& fact : kFacts) {
    if (fact.word == word) return {fact.usual.begin(), fact.usual.end()};
  }
  return {};
}

}  // namespace frame_detail

std::vector<std::string> keyword_facts() {
  std::vector<std::string> words;
  for (const auto& fact : frame_detail::all_fact_keywords()) words.emplace_back(fact.word);
  return words;
}

}  // namespace starwaist
