// The order of names.
//
// Private header of module run.
#pragma once

#include <string>

namespace starwaist::run_detail {

// Digits compare as numbers, so that frame 9 comes before frame 10; the plain order of bytes breaks
// ties ("01" against "1").
bool natural_less(const std::string& a, const std::string& b);

}  // namespace starwaist::run_detail
