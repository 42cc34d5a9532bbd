// The profile that seeing gives a star.
//
// Module: optics.
#pragma once

#include <string>

namespace starwaist {

enum class SeeingProfile { moffat, kolmogorov, gaussian };
std::string enum_name(SeeingProfile profile);

}  // namespace starwaist
