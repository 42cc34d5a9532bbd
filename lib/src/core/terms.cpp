#include "starwaist/terms.h"

namespace starwaist {

std::string enum_name(Verdict verdict) {
  switch (verdict) {
    case Verdict::trusted:
      return "trusted";
    case Verdict::doubtful:
      return "doubtful";
    case Verdict::unusable:
      return "unusable";
  }
  return {};
}

std::string enum_name(SizeMeasure size) {
  switch (size) {
    case SizeMeasure::hfr:
      return "hfr";
    case SizeMeasure::fwhm:
      return "fwhm";
  }
  return {};
}

std::string enum_name(Direction direction) {
  switch (direction) {
    case Direction::outward:
      return "outward";
    case Direction::inward:
      return "inward";
  }
  return {};
}

}  // namespace starwaist
