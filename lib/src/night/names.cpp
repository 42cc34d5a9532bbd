#include "starwaist/night.h"

namespace starwaist {

std::string enum_name(RefocusBasis basis) {
  switch (basis) {
    case RefocusBasis::zone:
      return "zone";
    case RefocusBasis::time:
      return "time";
  }
  return {};
}

}  // namespace starwaist
