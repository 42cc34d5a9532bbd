// The committed demo run is what its scenario makes.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "starwaist/frame.h"
#include "starwaist_tool.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

const fs::path kDemo = fs::path(STARWAIST_SOURCE_DIR) / "demo-frames";

// Numbers to 1e-9, all else exactly: the last bits of a Fourier transform may differ between
// builds.
void expect_same(const nlohmann::json& a, const nlohmann::json& b, const std::string& where) {
  if (a.is_number() && b.is_number()) {
    const double expected = a.get<double>();
    EXPECT_NEAR(b.get<double>(), expected, 1e-9 * std::max(1.0, std::abs(expected))) << where;
    return;
  }
  ASSERT_EQ(a.type(), b.type()) << where;
  ASSERT_EQ(a.size(), b.size()) << where;
  if (a.is_object()) {
    for (const auto& [key, value] : a.items()) {
      ASSERT_TRUE(b.contains(key)) << where << "/" << key;
      expect_same(value, b[key], std::string(where).append("/").append(key));
    }
  } else if (a.is_array()) {
    for (std::size_t i = 0; i < a.size(); ++i) {
      expect_same(a[i], b[i], std::string(where).append("/").append(std::to_string(i)));
    }
  } else {
    EXPECT_EQ(a, b) << where;
  }
}

nlohmann::json json_of(const fs::path& path) {
  std::ifstream in(path);
  return nlohmann::json::parse(in, nullptr, false);
}

TEST(DemoFrames, AreWhatTheirScenarioRenders) {
  const fs::path folder = fs::path(::testing::TempDir()) / "starwaist_demo_frames";
  fs::remove_all(folder);
  std::ostringstream out;
  std::ostringstream err;
  const std::vector<std::string> arguments = {
      "render",   "--config",      (kDemo / "scenario.conf").string(),
      "--output", folder.string(), "--quiet"};
  ASSERT_EQ(tool::run_tool(arguments, {out, err, false, {}}), 0) << err.str();
  const auto truth = json_of(kDemo / "truth.json");
  ASSERT_TRUE(truth.is_object());
  expect_same(truth, json_of(folder / "truth.json"), "truth.json");
  ASSERT_EQ(truth["frames"].size(), 11U);
  for (const auto& entry : truth["frames"]) {
    const std::string file = entry["file"];
    const auto committed = read_frame((kDemo / file).string());
    const auto remade = read_frame((folder / file).string());
    ASSERT_TRUE(committed.has_value()) << committed.error().text();
    ASSERT_TRUE(remade.has_value()) << remade.error().text();
    ASSERT_EQ(remade->pixels.storage().index(), committed->pixels.storage().index()) << file;
    EXPECT_TRUE(remade->pixels.storage() == committed->pixels.storage()) << file;
    EXPECT_EQ(remade->facts.position_steps, committed->facts.position_steps);
    EXPECT_EQ(remade->facts.time_utc, committed->facts.time_utc);
  }
  fs::remove_all(folder);
}

TEST(DemoFrames, AreSmallEnoughToCloneQuickly) {
  std::uintmax_t bytes = 0;
  for (const auto& file : fs::directory_iterator(kDemo)) bytes += file.file_size();
  EXPECT_LT(bytes, 4U * 1000 * 1000);
}

}  // namespace
}  // namespace starwaist
