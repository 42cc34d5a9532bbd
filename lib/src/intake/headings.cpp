#include "intake/headings.h"

#include <algorithm>
#include <array>
#include <map>
#include <set>

#include "starwaist/numbers.h"

namespace starwaist::intake_detail {
namespace {

bool is_unit(const std::string& word) {
  constexpr std::array<std::string_view, 14> kUnits = {"px",  "pixel", "pixels",  "step", "steps",
                                                       "c",   "degc",  "celsius", "utc",  "s",
                                                       "sec", "adu",   "deg",     "um"};
  return std::find(kUnits.begin(), kUnits.end(), word) != kUnits.end();
}

// Of a size: what programs put before or behind its name. A scatter over the stars of a frame is
// not the error of their mean: such headings are not among the sigmas.
std::vector<std::string> headings_of_size(const std::vector<std::string>& names) {
  std::vector<std::string> headings;
  for (const char* before : {"", "mean", "average", "avg", "median", "star"}) {
    for (const std::string& name : names) headings.push_back(before + name);
  }
  for (const std::string& name : names) {
    for (const char* behind : {"mean", "average", "avg", "median"})
      headings.push_back(name + behind);
  }
  return headings;
}

using Table = std::map<std::string, std::vector<std::string>>;

const Table& table() {
  static const Table headings = {
      {"position",
       {"position", "focuserposition", "focusposition", "focuserpos", "focuspos", "pos", "focpos",
        "bestfocus", "bestfocusposition", "focuser", "focus"}},
      {"hfr", headings_of_size({"hfr", "halffluxradius", "halffluxrad"})},
      {"hfd", headings_of_size({"hfd", "halffluxdiameter", "halffluxdiam"})},
      {"fwhm", headings_of_size({"fwhm", "fullwidthhalfmaximum", "fullwidthathalfmaximum"})},
      {"sigma", {"sigma", "uncertainty", "standarderror"}},
      {"hfr_sigma", {"hfrsigma", "hfrerror"}},
      {"hfd_sigma", {"hfdsigma", "hfderror"}},
      {"fwhm_sigma", {"fwhmsigma", "fwhmerror"}},
      {"stars",
       {"stars", "starcount", "numberofstars", "nstars", "detectedstars", "starsdetected"}},
      {"flux", {"flux"}},
      {"temperature",
       {"temperature", "temp", "focusertemperature", "focusertemp", "focustemp", "tubetemperature",
        "ambienttemperature"}},
      {"filter", {"filter", "filtername"}},
      {"time", {"time", "datetime", "timestamp", "dateobs", "timeutc"}},
      {"background", {"background", "skybackground"}},
      {"eccentricity", {"eccentricity"}},
      {"exposure", {"exposure", "exposuretime", "exptime"}},
      {"altitude", {"altitude", "alt"}},
      {"verdict", {"verdict"}},
      {"rig", {"rig"}},
      {"run", {"run", "runid", "runnumber"}},
      {"telescope", {"telescope"}},
      {"file", {"file", "filename"}}};
  return headings;
}

}  // namespace

std::string compact_heading(std::string_view heading) {
  std::vector<std::string> words(1);
  for (const char c : lower_case(heading)) {
    const bool kept = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
    // What is outside ASCII (a degree sign) belongs to its word's unit and says nothing.
    if (kept) {
      words.back() += c;
    } else if (static_cast<unsigned char>(c) < 0x80 && !words.back().empty()) {
      words.emplace_back();
    }
  }
  if (words.back().empty()) words.pop_back();
  if (words.size() > 1 && is_unit(words.back())) words.pop_back();
  std::string compact;
  for (const std::string& word : words) compact += word;
  return compact;
}

const std::vector<std::string>& usual_headings(const std::string& column) {
  static const std::vector<std::string> none;
  const auto found = table().find(column);
  return found == table().end() ? none : found->second;
}

bool is_usual_heading(std::string_view heading) {
  static const std::set<std::string> all = [] {
    std::set<std::string> names;
    for (const auto& [column, headings] : table()) names.insert(headings.begin(), headings.end());
    return names;
  }();
  return all.count(compact_heading(heading)) != 0;
}

}  // namespace starwaist::intake_detail
