#include "starwaist/seeing.h"

namespace starwaist {

std::string enum_name(SeeingProfile profile) {
  switch (profile) {
    case SeeingProfile::moffat:
      return "moffat";
    case SeeingProfile::kolmogorov:
      return "kolmogorov";
    case SeeingProfile::gaussian:
      return "gaussian";
  }
  return {};
}

}  // namespace starwaist
