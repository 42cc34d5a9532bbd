// Comparison with a file below tests/golden; see its README.md for how they are renewed.
#pragma once

#include <gtest/gtest.h>

#include <cstdlib>
#include <fstream>
#include <iterator>
#include <string>

namespace starwaist::testing_support {

inline void expect_golden(const std::string& name, const std::string& text) {
  const std::string path = std::string(STARWAIST_SOURCE_DIR) + "/tests/golden/" + name;
  if (std::getenv("STARWAIST_RENEW_GOLDEN") != nullptr) {
    std::ofstream(path, std::ios::binary) << text;
    return;
  }
  std::ifstream in(path, std::ios::binary);
  ASSERT_TRUE(in) << path << " is absent";
  const std::string expected{std::istreambuf_iterator<char>(in), {}};
  EXPECT_EQ(text, expected) << "differs from " << path;
}

}  // namespace starwaist::testing_support
