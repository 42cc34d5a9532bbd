#include "diagnosis/remedies.h"

#include <algorithm>
#include <array>

#include "starwaist/codes.h"

namespace starwaist::diagnosis {
namespace {

struct Changes {
  std::string_view code;
  Remedy what;
};

// The others are of their own: they may stand beside any other.
constexpr std::array kChanges{
    Changes{codes::repeat_sweep, Remedy::sweep},
    Changes{codes::take_more_points, Remedy::sweep},
    Changes{codes::find_the_side, Remedy::sweep},
    Changes{codes::wait_for_steadier_air, Remedy::sweep},
    Changes{codes::expose_less, Remedy::exposure},
    Changes{codes::get_more_star_light, Remedy::exposure},
};

}  // namespace

std::optional<Remedy> changed_by(std::string_view code) {
  const auto place = std::find_if(kChanges.begin(), kChanges.end(),
                                  [&](const Changes& one) { return one.code == code; });
  if (place != kChanges.end()) return place->what;
  const bool known = std::any_of(
      codes::kAll.begin(), codes::kAll.end(),
      [&](const codes::Entry& entry) { return entry.code == code && entry.kind == "remedy"; });
  if (!known) return std::nullopt;
  return Remedy::of_its_own;
}

}  // namespace starwaist::diagnosis
