#include "starwaist/drift.h"
#include "starwaist/numbers.h"

namespace starwaist {

std::optional<TubeMaterial> tube_material_from_name(const std::string& name) {
  const std::string lower = lower_case(name);
  if (lower == "aluminium" || lower == "aluminum") return TubeMaterial::aluminium;
  if (lower == "steel") return TubeMaterial::steel;
  if (lower == "carbon") return TubeMaterial::carbon;
  return std::nullopt;
}

double tube_expansion_um_per_c(TubeMaterial material, double length_mm) {
  constexpr double kAluminium = 23.1e-6;
  constexpr double kSteel = 11.7e-6;
  constexpr double kCarbonFibre = 1e-6;
  const double expansion = material == TubeMaterial::aluminium ? kAluminium
                           : material == TubeMaterial::steel   ? kSteel
                                                               : kCarbonFibre;
  return expansion * length_mm * 1000;
}

}  // namespace starwaist
