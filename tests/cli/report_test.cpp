// The command report, and the page of watch.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>

#include "cli/call_program.h"
#include "cli/with_rig.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;
using testing_support::Answer;
using testing_support::call;
using testing_support::read;
using testing_support::with_rig;
using testing_support::write;
using Json = nlohmann::json;

constexpr const char* kDemoRun = STARWAIST_SOURCE_DIR "/demo-frames";
constexpr const char* kDemoRig = STARWAIST_SOURCE_DIR "/demo-frames/rig.conf";
constexpr std::uintmax_t kLargestPage = 3'000'000;  // bytes; a phone gets it at once
constexpr const char* kSizeRows =
    "position,hfr,sigma\n4900,2.83,0.02\n4950,2.25,0.02\n4975,2.07,0.02\n5000,2.00,0.02\n"
    "5025,2.05,0.02\n5050,2.24,0.02\n5100,2.82,0.02\n";

class ReportCommand : public testing::Test {
 protected:
  [[nodiscard]] std::string in(const std::string& name) const { return folder_.in(name); }
  [[nodiscard]] std::ptrdiff_t count() const {
    return std::distance(fs::directory_iterator(folder_.path()), fs::directory_iterator());
  }
  testing_support::TemporaryFolder folder_;
};

Json answer_in(const std::string& html) {
  const std::string opening = "<script type=\"application/json\" id=\"answer\">";
  const auto begin = html.find(opening) + opening.size();
  return Json::parse(html.substr(begin, html.find("</script>", begin) - begin));
}

TEST_F(ReportCommand, DemonstrationIsOnePageWithItsNumbersAndPictures) {
  const Answer made = call({"report", kDemoRun, "--config", kDemoRig, "--output", in("a.html"),
                            "--json", in("a.json"), "--threads", "1"});
  EXPECT_EQ(made.status, 0) << made.err;
  const Answer words = call({"fit", kDemoRun, "--config", kDemoRig});
  EXPECT_THAT(made.out, HasSubstr(words.out.substr(0, words.out.find('\n'))));
  const std::string html = read(in("a.html"));
  EXPECT_LT(fs::file_size(in("a.html")), kLargestPage);
  EXPECT_EQ(answer_in(html), Json::parse(read(in("a.json"))));
  const Answer fit = call({"fit", kDemoRun, "--config", kDemoRig, "--json", "-"});
  EXPECT_EQ(answer_in(html)["fit"]["best_focus_steps"], Json::parse(fit.out)["best_focus_steps"]);
  EXPECT_THAT(
      html, AllOf(HasSubstr("One star through focus"), HasSubstr("The frame nearest to best focus"),
                  HasSubstr("Focus over the field"), HasSubstr("Settings for the next run"),
                  HasSubstr("data:image/png;base64,iVBORw0KGgo")));
  EXPECT_EQ(call({"report", kDemoRun, "--config", kDemoRig, "--output", in("b.html"), "--threads",
                  "2", "--quiet"})
                .status,
            0);
  EXPECT_TRUE(read(in("b.html")) == html) << "the same bytes for any number of threads";
  EXPECT_EQ(count(), 3) << "no unfinished file is left";
}

TEST_F(ReportCommand, TableHasNoPictures) {
  write(in("sizes.csv"), kSizeRows);
  const Answer made = call({"report", in("sizes.csv"), "--output", "-"});
  EXPECT_EQ(made.status, 0) << made.err;
  EXPECT_THAT(made.out, AllOf(HasSubstr("<!DOCTYPE html>"), HasSubstr("id=\"curve\""),
                              Not(HasSubstr("<img")), HasSubstr("row 7")));
}

TEST_F(ReportCommand, RunThatIsRefusedHasAPageThatSaysSo) {
  write(in("sizes.csv"), "position,hfr\n4900,2.8\n4950,2.2\n5000,2.0\n");
  const Answer made = call({"report", in("sizes.csv"), "--output", in("a.html")});
  EXPECT_EQ(made.status, 1) << made.err;
  EXPECT_THAT(read(in("a.html")), HasSubstr("do not use this run"));
}

TEST_F(ReportCommand, NeverReplacesAnInputAFrameOrTheFileOfOptions) {
  write(in("sizes.csv"), kSizeRows);
  write(in("rig.conf"), "f-number = 5\n");
  fs::copy(std::string(kDemoRun) + "/frame_05.fits.fz", in("frame.fits.fz"));
  const std::string frame = read(in("frame.fits.fz"));
  fs::create_symlink("sizes.csv", in("link.html"));
  for (const char* name :
       {"sizes.csv", "rig.conf", "frame.fits.fz", "link.html", "absent/a.html"}) {
    const Answer refused =
        call({"report", in("sizes.csv"), "--config", in("rig.conf"), "--output", in(name)});
    EXPECT_EQ(refused.status, 3) << name;
    EXPECT_THAT(refused.err, HasSubstr(name));
  }
  EXPECT_EQ(read(in("sizes.csv")), kSizeRows);
  EXPECT_EQ(read(in("rig.conf")), "f-number = 5\n");
  EXPECT_EQ(read(in("frame.fits.fz")), frame);
  EXPECT_EQ(count(), 4);
}

TEST_F(ReportCommand, WantsAnOutput) {
  write(in("sizes.csv"), kSizeRows);
  const Answer wrong = call({"report", in("sizes.csv")});
  EXPECT_EQ(wrong.status, 2);
  EXPECT_THAT(wrong.err, HasSubstr("--output"));
}

TEST_F(ReportCommand, WatchLeavesAPageThatIsNotLoadedAnew) {
  const Answer made = call(with_rig({"render", "--output", in("run"), "--positions-steps",
                                     "4850,4900,4950,5000,5050,5100,5150", "--width-px", "320",
                                     "--height-px", "240", "--star-count", "30", "--quiet"}));
  ASSERT_EQ(made.status, 0) << made.err;
  const Answer watched =
      call(with_rig({"watch", in("run"), "--once", "--page", in("run/focus.html"), "--json", "-"}));
  ASSERT_LE(watched.status, 1) << watched.err;
  const std::string html = read(in("run/focus.html"));
  EXPECT_THAT(html, AllOf(HasSubstr("\"reload_s\":null"), HasSubstr("<title>")));
  const std::string last = watched.out.substr(watched.out.rfind("{\"schema\""));
  EXPECT_EQ(answer_in(html)["fit"]["points"].size(), 7U);
  EXPECT_EQ(answer_in(html)["fit"]["best_focus_steps"], Json::parse(last)["best_focus_steps"]);
  // The page lies in the folder that is watched, and an older one is replaced; a frame is not.
  EXPECT_LE(call(with_rig({"watch", in("run"), "--once", "--page", in("run/focus.html")})).status,
            1);
  const std::string frame = in("run/frame_00.fits");
  EXPECT_EQ(call(with_rig({"watch", in("run"), "--once", "--page", frame})).status, 3);
  EXPECT_EQ(
      call(with_rig({"watch", in("run"), "--once", "--night", "--page", in("n.html")})).status, 2);
  EXPECT_EQ(call(with_rig({"watch", in("run"), "--once", "--page", "-"})).status, 2);
}

}  // namespace
}  // namespace starwaist
