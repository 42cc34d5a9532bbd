// What a test needs and may not find: real data beside the repository, a program of Debian's.
#pragma once

#include <gtest/gtest.h>

#include <cstdlib>
#include <string_view>

namespace starwaist::testing_support {

// tests/run.sh sets STARWAIST_REQUIRE_DATA=1 where it has installed the packages and the data are
// there: then nothing that is missing may pass for a test that was done.
inline bool everything_is_required() {
  const char* required = std::getenv("STARWAIST_REQUIRE_DATA");
  return required != nullptr && std::string_view(required) == "1";
}

}  // namespace starwaist::testing_support

// Ends the test where `there` is false: skipped, or failed where everything is required. `message`
// may hold <<.
#define STARWAIST_NEEDS(there, message)                                            \
  do {                                                                             \
    if (there) break;                                                              \
    if (::starwaist::testing_support::everything_is_required()) FAIL() << message; \
    GTEST_SKIP() << message;                                                       \
  } while (false)
