// What may be written, and pictures.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>

#include "report/samples.h"
#include "starwaist/report.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using testing::HasSubstr;
using testing::Not;

class Files : public testing::Test {
 protected:
  [[nodiscard]] std::string path(const std::string& name) const { return folder_.in(name); }
  void put(const std::string& name, const std::string& text) const { folder_.write(name, text); }
  [[nodiscard]] std::string get(const std::string& name) const {
    return testing_support::bytes_of(path(name));
  }
  [[nodiscard]] std::ptrdiff_t count() const {
    return std::distance(fs::directory_iterator(folder_.path()), fs::directory_iterator());
  }

  testing_support::TemporaryFolder folder_;
};

using WriteWholeFile = Files;
using FocusPlot = Files;

TEST_F(WriteWholeFile, ReplacesAnOlderOneAndLeavesNothingElse) {
  put("a.json", "old and longer");
  ASSERT_EQ(::chmod(path("a.json").c_str(), 0600), 0);
  ASSERT_TRUE(write_whole_file(path("a.json"), "new"));
  EXPECT_EQ(get("a.json"), "new");
  EXPECT_EQ(count(), 1);
  struct stat now {};
  ASSERT_EQ(::stat(path("a.json").c_str(), &now), 0);
  EXPECT_EQ(now.st_mode & 0777U, 0600U) << "rights of the older file are kept";
}

TEST_F(WriteWholeFile, FollowsALinkAndKeepsIt) {
  put("real.json", "old");
  fs::create_symlink("real.json", path("link.json"));
  ASSERT_TRUE(write_whole_file(path("link.json"), "new"));
  EXPECT_EQ(fs::read_symlink(path("link.json")), "real.json");
  EXPECT_EQ(get("real.json"), "new");
  EXPECT_EQ(count(), 2);
}

TEST_F(WriteWholeFile, NeverReplacesAnInputFrameLedgerOrFolder) {
  put("table.csv", "position,hfr\n");
  fs::create_hard_link(path("table.csv"), path("same.csv"));
  fs::create_symlink("table.csv", path("link.csv"));
  put("frame.dat", "SIMPLE  =                    T");
  put("f.fits", "");
  put("runs.db", std::string("SQLite format 3\0", 16));
  fs::create_directory(path("folder"));
  const std::ptrdiff_t before = count();
  for (const char* name : {"table.csv", "same.csv", "link.csv", "frame.dat", "f.fits", "runs.db",
                           "folder", "absent/x.json"}) {
    const auto written = write_whole_file(path(name), "x", {path("table.csv")});
    ASSERT_FALSE(written) << name;
    EXPECT_EQ(written.error().code, ErrorCode::cannot_write) << name;
    EXPECT_THAT(written.error().text(), HasSubstr(name));
  }
  EXPECT_EQ(get("table.csv"), "position,hfr\n");
  EXPECT_EQ(count(), before);
  for (const char* name : {"/dev/null", ""}) {
    const auto written = write_whole_file(name, "x");
    ASSERT_FALSE(written) << name;
    EXPECT_EQ(written.error().code, ErrorCode::cannot_write) << name;
  }
}

TEST_F(FocusPlot, PngHasItsSignatureAndSize) {
  ASSERT_TRUE(write_focus_plot(samples::fit(), path("a.PNG")));
  const std::string png = get("a.PNG");
  ASSERT_GT(png.size(), 24U);
  // PNG specification, section 5.2: signature, then IHDR with width and height, big-endian.
  EXPECT_EQ(png.substr(0, 8), "\x89PNG\r\n\x1a\n");
  const auto big_endian = [&](std::size_t at) {
    unsigned value = 0;
    for (std::size_t i = 0; i < 4; ++i)
      value = value << 8U | static_cast<unsigned char>(png[at + i]);
    return value;
  };
  EXPECT_EQ(big_endian(16), 1280U);
  EXPECT_EQ(big_endian(20), 960U);
}

// Python's own XML parser judges; it prints the text of the picture, joined.
std::string svg_text(const std::string& file) {
  const std::string command =
      "python3 -c \"import sys, xml.etree.ElementTree as e; "
      "sys.stdout.write(''.join(e.parse(sys.argv[1]).getroot().itertext()))\" '" +
      file + "'";
  FILE* pipe = ::popen(command.c_str(), "r");
  if (pipe == nullptr) return "no python3";
  std::string text;
  char buffer[4096];
  while (const std::size_t got = std::fread(buffer, 1, sizeof buffer, pipe))
    text.append(buffer, got);
  return ::pclose(pipe) == 0 ? text : "not well-formed";
}

TEST_F(FocusPlot, SvgIsWellFormedAndNamesTheAnswer) {
  ASSERT_TRUE(write_focus_plot(samples::fit(), path("a.svg")));
  const std::string text = svg_text(path("a.svg"));
  EXPECT_THAT(text, HasSubstr("Best focus 5000.2 ± 1.5 steps"));
  EXPECT_THAT(text, HasSubstr("critical focus zone"));
  EXPECT_THAT(text, HasSubstr("a reason with \"quotes\" in it"));
}

TEST_F(FocusPlot, HostileNamesAreOnlyText) {
  const std::string mark = path("touched");
  const std::vector<std::string> names = {
      "`touch " + mark + "`", "$(id) @x ${a}", "a\"; system('x') #",
      "back\\slash\\n 100%d", "{/Bold x}_2^3", "<b>&amp;</b>",
      "line\nbreak",          "EOD",           std::string(300, 'n')};
  for (const auto& name : names) {
    RunAnswer run = samples::fit();
    run.fit.points[3].file = name;
    run.fit.reasons = {{"a_reason", name}};
    ASSERT_TRUE(write_focus_plot(run, path("a.svg"))) << name;
    const std::string text = svg_text(path("a.svg"));
    std::string shown = name;
    if (name.size() == 300) shown = std::string(11, 'n') + "..." + std::string(10, 'n');
    std::replace(shown.begin(), shown.end(), '\n', ' ');
    EXPECT_THAT(text, HasSubstr(shown));
  }
  EXPECT_FALSE(fs::exists(mark));
  EXPECT_EQ(count(), 1);
}

// The texts of the picture, joined; a picture that is none or not well-formed fails the test.
class DrawnFocusPlot : public Files {
 protected:
  [[nodiscard]] std::string text_of(const RunAnswer& run) const {
    const auto picture = focus_plot(run, FigureFormat::svg);
    EXPECT_TRUE(picture) << (picture ? "" : picture.error().text());
    if (!picture) return {};
    put("drawn.svg", *picture);
    return svg_text(path("drawn.svg"));
  }
};

constexpr const char* kKeyOfPoints = "measured, ± one sigma";

TEST_F(DrawnFocusPlot, SaysThatNoPointHasASize) {
  RunAnswer empty;
  empty.fit.verdict = Verdict::unusable;
  const std::string text = text_of(empty);
  EXPECT_THAT(text, HasSubstr("Best focus not found – unusable"));
  EXPECT_THAT(text, HasSubstr("no point has a size"));
  EXPECT_THAT(text, Not(HasSubstr("half-flux radius")));
}

TEST_F(DrawnFocusPlot, ShowsOnePointWithoutACurve) {
  RunAnswer one;
  one.fit.points = {samples::point("lonely.fits", 0, 0.5)};
  const std::string used = text_of(one);
  EXPECT_THAT(used, HasSubstr(kKeyOfPoints));
  EXPECT_THAT(used, HasSubstr("half-flux radius [px]"));
  EXPECT_THAT(used, Not(HasSubstr("off curve")));
  one.fit.points[0].used = false;
  const std::string rejected = text_of(one);
  EXPECT_THAT(rejected, HasSubstr("not used"));
  EXPECT_THAT(rejected, HasSubstr("lonely.fits"));
  EXPECT_THAT(rejected, Not(HasSubstr(kKeyOfPoints)));
}

TEST_F(DrawnFocusPlot, NamesOnlyWhatIsInSight) {
  RunAnswer with_curve = samples::fit();
  FocusCurve curve;
  curve.centre_steps = 5000.25;
  curve.min_size_px = 2;
  curve.slope_px_per_step = 0.02;
  with_curve.fit.models[0].parameters = curve;
  const std::string whole = text_of(with_curve);
  for (const char* part : {kKeyOfPoints, "not used, off scale", "hyperbola", "best focus",
                           "95 % interval", "critical focus zone", "off curve [px]"}) {
    EXPECT_THAT(whole, HasSubstr(part));
  }
  RunAnswer open = samples::fit();
  open.fit.interval_95_steps = {4990.0, std::nullopt};
  EXPECT_THAT(text_of(open), HasSubstr("95 % interval above 4990.0 steps"));
  RunAnswer far = samples::fit();
  for (auto& p : far.fit.points) p.position_steps = 1e12 + 1e-3 * p.position_steps;
  far.fit.best_focus_steps = -1e300;
  const std::string text = text_of(far);
  EXPECT_THAT(text, HasSubstr(kKeyOfPoints));
  EXPECT_THAT(text, Not(HasSubstr("critical focus zone")));
}

TEST_F(FocusPlot, AbsentGnuplotIsAClearErrorAndLeavesNoFile) {
  const char* found = std::getenv("PATH");
  const std::string old = found == nullptr ? "" : found;
  ::setenv("PATH", folder_.path().c_str(), 1);
  const auto drawn = write_focus_plot(samples::fit(), path("a.png"));
  ::setenv("PATH", old.c_str(), 1);
  ASSERT_FALSE(drawn);
  EXPECT_EQ(drawn.error().code, ErrorCode::cannot_write);
  EXPECT_THAT(drawn.error().text(), HasSubstr("Install gnuplot"));
  EXPECT_EQ(count(), 0);
}

TEST_F(FocusPlot, RefusesOtherEndings) {
  const auto drawn = write_focus_plot(samples::fit(), path("a.pdf"));
  ASSERT_FALSE(drawn);
  EXPECT_EQ(drawn.error().code, ErrorCode::invalid_argument);
  EXPECT_THAT(drawn.error().text(), HasSubstr("a.pdf: a figure's name ends in .png or .svg"));
  EXPECT_EQ(count(), 0);
  EXPECT_EQ(figure_format("png"), std::nullopt);
  EXPECT_EQ(figure_format("x.SvG"), FigureFormat::svg);
}

}  // namespace
}  // namespace starwaist
