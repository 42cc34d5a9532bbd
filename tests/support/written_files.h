// Files that a Python script writes once for all tests of a suite.
#pragma once

#include <gtest/gtest.h>

#include <cstdlib>
#include <optional>
#include <string>

#include "support/needed.h"
#include "support/temporary_folder.h"

namespace starwaist::testing_support {

// `Suite` distinguishes its folder from those of other suites and has:
//   static constexpr const char* kScript     below the repository
//   static constexpr const char* kAvailable  shell command that ends with 0 where the script can
//   run static constexpr const char* kMissing    what is said where it cannot
template <class Suite>
class WrittenFiles : public testing::Test {
 protected:
  static void SetUpTestSuite() {
    folder().emplace();
    there() = std::system(Suite::kAvailable) == 0;
    if (!there()) return;
    const std::string script = std::string(STARWAIST_SOURCE_DIR "/") + Suite::kScript;
    ASSERT_EQ(std::system(("/usr/bin/python3 -W ignore '" + script + "' '" + in("") + "'").c_str()),
              0);
  }
  static void TearDownTestSuite() { folder().reset(); }
  void SetUp() override { STARWAIST_NEEDS(there(), Suite::kMissing); }
  static std::string in(const std::string& name) { return folder()->in(name); }
  static std::optional<TemporaryFolder>& folder() {
    static std::optional<TemporaryFolder> shared;
    return shared;
  }

 private:
  static bool& there() {
    static bool found = false;
    return found;
  }
};

}  // namespace starwaist::testing_support
