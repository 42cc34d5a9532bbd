#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <string>
#include <thread>
#include <vector>

#include "starwaist/live.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing::ElementsAre;
using testing::IsEmpty;

WholeFiles::Listed file(const std::string& name, std::uint64_t inode, std::int64_t bytes,
                        std::int64_t changed_ns, bool closed = false) {
  return {name, {1, inode, bytes, changed_ns}, closed};
}

TEST(WholeFiles, AClosedFileIsToldAtOnceAndOnlyOnce) {
  WholeFiles files(1.0);
  EXPECT_THAT(files.look({file("a", 1, 100, 5, true)}, 0), ElementsAre("a"));
  EXPECT_THAT(files.look({file("a", 1, 100, 5, true)}, 10), IsEmpty());
  EXPECT_FALSE(files.waiting());
}

TEST(WholeFiles, AGrowingFileIsToldOnceItSettles) {
  WholeFiles files(1.0);
  EXPECT_THAT(files.look({file("a", 1, 100, 5)}, 0), IsEmpty());
  EXPECT_THAT(files.look({file("a", 1, 200, 6)}, 0.9), IsEmpty());
  EXPECT_THAT(files.look({file("a", 1, 200, 6)}, 1.5), IsEmpty());
  EXPECT_TRUE(files.waiting());
  EXPECT_THAT(files.look({file("a", 1, 200, 6)}, 2.0), ElementsAre("a"));
}

TEST(WholeFiles, AnEmptyFileIsNeverWhole) {
  WholeFiles files(1.0);
  EXPECT_THAT(files.look({file("a", 1, 0, 5, true)}, 0), IsEmpty());
  EXPECT_THAT(files.look({file("a", 1, 0, 5)}, 100), IsEmpty());
  EXPECT_FALSE(files.waiting());
}

TEST(WholeFiles, ARenamedFileIsNotToldAgain) {
  WholeFiles files(1.0);
  files.look({file("part.fits", 1, 100, 5, true)}, 0);
  EXPECT_THAT(files.look({file("frame.fits", 1, 100, 5, true)}, 1), IsEmpty());
}

TEST(WholeFiles, AFileWrittenAnewUnderItsNameIsToldAgain) {
  WholeFiles files(1.0);
  files.look({file("focus.fits", 1, 100, 5, true)}, 0);
  EXPECT_THAT(files.look({file("focus.fits", 1, 100, 9, true)}, 1), ElementsAre("focus.fits"));
  EXPECT_THAT(files.look({file("focus.fits", 2, 100, 12, true)}, 2), ElementsAre("focus.fits"));
}

TEST(WholeFiles, SeveralAreToldInTheOrderOfTheirLastChange) {
  WholeFiles files(0.0);
  EXPECT_THAT(files.look({file("c", 1, 100, 5), file("a", 2, 100, 9), file("b", 3, 100, 7)}, 0),
              ElementsAre("c", "b", "a"));
}

TEST(WholeFiles, AnUnreadableFileIsTriedOnceMoreOrWhenItChanges) {
  WholeFiles files(1.0);
  files.look({file("a", 1, 100, 5, true)}, 0);
  EXPECT_TRUE(files.retry("a", 0, 2.0));
  EXPECT_TRUE(files.waiting());
  EXPECT_THAT(files.look({file("a", 1, 100, 5)}, 1.9), IsEmpty());
  EXPECT_THAT(files.look({file("a", 1, 100, 5)}, 2.1), ElementsAre("a"));
  EXPECT_FALSE(files.retry("a", 2.1, 2.0));  // it had its second try
  EXPECT_FALSE(files.waiting());
  EXPECT_THAT(files.look({file("a", 1, 100, 5)}, 10), IsEmpty());
  EXPECT_THAT(files.look({file("a", 1, 150, 11, true)}, 11), ElementsAre("a"));
}

class FollowedFolder : public testing::Test {
 protected:
  std::vector<std::string> names_within(FolderFollower& follower, int milliseconds) const {
    const auto paths = follower.next(std::chrono::milliseconds(milliseconds));
    EXPECT_TRUE(paths.has_value());
    std::vector<std::string> names;
    for (const std::string& path : paths.value_or(std::vector<std::string>())) {
      names.push_back(std::filesystem::path(path).filename().string());
    }
    return names;
  }
  [[nodiscard]] std::string at(const std::string& name) const { return folder_.in(name); }

  testing_support::TemporaryFolder folder_;
};

constexpr int kLongEnoughMs = 20000;  // a loaded machine; returns as soon as there is something

TEST_F(FollowedFolder, FramesAreToldAsTheyAreClosedAndOthersPassedOver) {
  // So long a settling time shows that the closing of the file was seen.
  auto follower = FolderFollower::open(folder_.path().string(), 1000);
  ASSERT_TRUE(follower.has_value());
  folder_.write("notes.txt", "no frame");
  folder_.write("frame_1.fits", "whole");
  EXPECT_THAT(names_within(*follower, kLongEnoughMs), ElementsAre("frame_1.fits"));
  std::ofstream growing(at("frame_2.fits"), std::ios::binary);
  growing << "begun" << std::flush;
  EXPECT_THAT(names_within(*follower, 50), IsEmpty());
  growing << " and ended";
  growing.close();
  EXPECT_THAT(names_within(*follower, kLongEnoughMs), ElementsAre("frame_2.fits"));
  folder_.write("frame_3.tmp", "under another name first");
  std::filesystem::rename(at("frame_3.tmp"), at("frame_3.fits"));
  EXPECT_THAT(names_within(*follower, kLongEnoughMs), ElementsAre("frame_3.fits"));
  std::filesystem::rename(at("frame_3.fits"), at("frame_03.fits"));
  EXPECT_THAT(names_within(*follower, 50), IsEmpty());
}

TEST_F(FollowedFolder, WhatLiesThereAlreadyIsToldOnceItHasSettled) {
  folder_.write("frame_1.fits", "whole");
  auto follower = FolderFollower::open(folder_.path().string(), 0.05);
  ASSERT_TRUE(follower.has_value());
  EXPECT_THAT(names_within(*follower, kLongEnoughMs), ElementsAre("frame_1.fits"));
  EXPECT_FALSE(follower->waiting());
}

TEST_F(FollowedFolder, AFolderThatIsNotThereIsAnError) {
  const auto follower = FolderFollower::open(at("absent"));
  ASSERT_FALSE(follower.has_value());
  EXPECT_EQ(follower.error().code, ErrorCode::not_found);
}

TEST_F(FollowedFolder, AFolderThatGoesAwayIsAnError) {
  std::filesystem::create_directory(at("night"));
  auto follower = FolderFollower::open(at("night"));
  ASSERT_TRUE(follower.has_value());
  std::filesystem::remove(at("night"));
  EXPECT_FALSE(follower->next(std::chrono::milliseconds(10)).has_value());
}

}  // namespace
}  // namespace starwaist
