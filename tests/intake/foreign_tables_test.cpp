// Tables as people and other programs write them.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <chrono>
#include <filesystem>
#include <string>
#include <vector>

#include "starwaist/codes.h"
#include "starwaist/history.h"
#include "starwaist/intake.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing::AllOf;
using testing::HasSubstr;

class ForeignTables : public testing::Test {
 protected:
  Result<RunTable> table(const std::string& text, const TableOptions& options = {}) const {
    return read_run_table(folder_.write("t.csv", text), options);
  }
  // The error's words.
  std::string refusal(const std::string& text, const TableOptions& options = {}) const {
    const auto read = table(text, options);
    return read ? "read: " + text : read.error().text();
  }
  static bool has_code(const RunTable& read, std::string_view code) {
    for (const Statement& note : read.notes) {
      if (note.code == code) return true;
    }
    return false;
  }
  testing_support::TemporaryFolder folder_;
};

TEST_F(ForeignTables, APointForThousandsBesideDecimalCommasIsAnError) {
  EXPECT_THAT(refusal("position;hfr\n12.480;5,529\n12.500;5,0\n"),
              AllOf(HasSubstr("t.csv line 2"), HasSubstr("12.480"), HasSubstr("5,529")));
  // The first mark may stand far above the second.
  EXPECT_THAT(refusal("position\thfr\n900\t5,5\n950\t5\n1.000\t4,1\n"),
              AllOf(HasSubstr("line 2"), HasSubstr("line 4"), HasSubstr("'1.000'")));
  EXPECT_THAT(refusal("position;hfr\n1.012.480;5\n"), HasSubstr("'1.012.480'"));
  EXPECT_THAT(refusal("position;hfr\n12.480,5;5,5\n"), HasSubstr("'12.480,5'"));
  EXPECT_THAT(refusal("position hfr\n12,480 5.529\n"), HasSubstr("'12,480'"));
}

TEST_F(ForeignTables, HistoriesAndManifestsRefuseMixedMarksToo) {
  const auto history =
      read_history_table(folder_.write("h.csv", "position;temperature\n12.480;5,5\n12.490;6,5\n"));
  ASSERT_FALSE(history.has_value());
  EXPECT_THAT(history.error().text(), HasSubstr("h.csv line 2"));
  folder_.write("a.fits", "x");
  const auto manifest =
      find_run_input({folder_.write("m.csv", "file;position;temperature\na.fits;12.480;5,5\n")});
  ASSERT_FALSE(manifest.has_value());
  EXPECT_THAT(manifest.error().text(), HasSubstr("m.csv line 2"));
}

TEST_F(ForeignTables, OneDecimalMarkIsEnough) {
  // Dates and names are no numbers, and columns that nobody reads may hold what they like.
  const auto read = table(
      "position;hfr;file;time;note\n12480;5,529;f.01;2027-02-03T20:11:05.25;2.5\n"
      "12490;5,1;f.02;2027-02-03T20:12:05.25;2.5\n");
  ASSERT_TRUE(read.has_value()) << read.error().text();
  EXPECT_EQ(read->points[0].position_steps, 12480);
  EXPECT_EQ(read->points[0].size_px, 5.529);
  EXPECT_TRUE(read->facts[0].time_s.has_value());
}

TEST_F(ForeignTables, ADecimalCommaBetweenCommasShiftsNoColumn) {
  // "2,83" between commas is two cells: read as it stands it would be a size of 2.
  const auto read = table("position,hfr\n4900,2.83\n4950,2,25\n5000,2.1,\n5050,2.3\n");
  ASSERT_TRUE(read.has_value()) << read.error().text();
  EXPECT_EQ(read->points.size(), 3U);
  ASSERT_EQ(read->skipped.size(), 1U);
  EXPECT_EQ(read->skipped[0].file, "t.csv line 3");
  EXPECT_THAT(read->skipped[0].reason.text, HasSubstr("3 cells under 2 headings"));
}

TEST_F(ForeignTables, TheTableThatMeasureWritesIsReadAsItIs) {
  const auto read = table(
      "file,width_px,height_px,position_steps,temperature_c,filter,exposure_s,time_utc,"
      "background_adu,noise_adu,star_count,saturated_count,defect_count,hfr_px,hfr_sigma_px,"
      "hfr_shared_sigma_px,fwhm_px,fwhm_sigma_px,mean_radius_px,eccentricity\r\n"
      "f0.fits,400,300,4880,4.5,L,3,2027-02-03T20:11:05,812,14,31,2,4,2.9,0.02,0.01,5.8,0.05,3.3,"
      "0.3\r\n"
      "f1.fits,400,300,4920,4.6,L,3,2027-02-03T20:11:15,813,14,32,2,4,2.1,0.03,0.01,4.4,0.06,2.5,"
      "0.2\r\n");
  ASSERT_TRUE(read.has_value()) << read.error().text();
  ASSERT_EQ(read->points.size(), 2U);
  const CurvePoint& second = read->points[1];
  EXPECT_EQ(second.file, "f1.fits");
  EXPECT_EQ(second.position_steps, 4920);
  EXPECT_EQ(second.size_px, 2.1);
  EXPECT_EQ(second.sigma_px, 0.03);
  EXPECT_EQ(second.stars, 32);
  EXPECT_EQ(second.temperature_c, 4.6);
  EXPECT_EQ(read->facts[1].background_adu, 813);
  EXPECT_EQ(read->facts[1].exposure_s, 3);
  EXPECT_TRUE(read->facts[1].time_s.has_value());
  EXPECT_TRUE(read->notes.empty());
  const std::string path = folder_.in("t.csv");
  EXPECT_EQ(table_kind(path), TableKind::sizes);
  TableOptions widths;
  widths.size = SizeMeasure::fwhm;
  EXPECT_EQ(read_run_table(path, widths)->points[1].sigma_px, 0.06);
}

TEST_F(ForeignTables, BlanksMaySeparateCells) {
  const std::vector<std::string> forms = {
      "position hfr sigma\n10 2.5 0.1\n20 1.5 0.1\n",
      "  position   hfr\tsigma  \n    10   2.5   0.1\n    20   1.5 \t 0.1\n",
      "Focuser Position    HFR   sigma\n-----------------  ----  ----\n10   2,5   0,1\n20   1,5   "
      "0,1\n"};
  for (const std::string& form : forms) {
    const auto read = table(form);
    ASSERT_TRUE(read.has_value()) << read.error().text() << form;
    ASSERT_EQ(read->points.size(), 2U) << form;
    EXPECT_EQ(read->points[1].position_steps, 20);
    EXPECT_EQ(read->points[0].size_px, 2.5);
    EXPECT_EQ(read->points[1].sigma_px, 0.1);
    EXPECT_TRUE(read->skipped.empty()) << form;
  }
  // A gap would shift the cells behind it.
  const auto gap = table("position hfr sigma\n10 2.5 0.1\n20      0.1\n30 1.5 0.1\n");
  ASSERT_TRUE(gap.has_value()) << gap.error().text();
  EXPECT_EQ(gap->points.size(), 2U);
  ASSERT_EQ(gap->skipped.size(), 1U);
  EXPECT_EQ(gap->skipped[0].file, "t.csv line 3");
}

TEST_F(ForeignTables, TitlesAndCommentsAreNoRows) {
  const std::vector<std::string> forms = {
      "Autofocus run of position and hfr, 2027-02-03\n\nFilter;L\n\nposition;hfr\n10;2.5\n"
      "# moved the cable, \"so what\nx;1\n# 15;9\n20;1.5\n",
      "sep=,\nposition,hfr\n10,2.5\nx,1\n#15,9\n20,1.5\n",
      "# made by a script\n# position hfr\n10 2.5\nx 1\n20 1.5\n"};
  const std::vector<std::string> bad_line = {"t.csv line 8", "t.csv line 4", "t.csv line 4"};
  for (std::size_t i = 0; i < forms.size(); ++i) {
    const auto read = table(forms[i]);
    ASSERT_TRUE(read.has_value()) << read.error().text() << forms[i];
    ASSERT_EQ(read->points.size(), 2U) << forms[i];
    EXPECT_EQ(read->points[1].position_steps, 20);
    ASSERT_EQ(read->skipped.size(), 1U) << forms[i];
    EXPECT_EQ(read->skipped[0].file, bad_line[i]);
  }
}

TEST_F(ForeignTables, UsualHeadingsAreRecognisedAndSaid) {
  const std::vector<std::string> headers = {"Focuser Position,Half Flux Radius",
                                            "FocuserPosition,HalfFluxRadius", "FocusPos,Mean HFR",
                                            "Focuser Position [steps],Half-flux radius (px)"};
  for (const std::string& header : headers) {
    const auto read = table(header + "\n10,2.5\n20,1.5\n");
    ASSERT_TRUE(read.has_value()) << read.error().text();
    EXPECT_EQ(read->points[0].position_steps, 10);
    EXPECT_EQ(read->points[0].size_px, 2.5);
    EXPECT_TRUE(has_code(*read, codes::headings_recognised)) << header;
    EXPECT_FALSE(has_code(*read, codes::diameters_halved)) << header;
  }
  const auto plain = table("Position (steps),HFR [px]\n10,2.5\n");
  ASSERT_TRUE(plain.has_value()) << plain.error().text();
  EXPECT_TRUE(plain->notes.empty());
}

TEST_F(ForeignTables, DiametersAreHalvedAndThatIsSaid) {
  for (const std::string header : {"position,HFD,sigma", "pos,Half Flux Diameter,hfd_sigma_px"}) {
    const auto read = table(header + "\n10,5,0.2\n");
    ASSERT_TRUE(read.has_value()) << read.error().text();
    EXPECT_EQ(read->points[0].size_px, 2.5);
    EXPECT_EQ(read->points[0].sigma_px, 0.1);
    EXPECT_TRUE(has_code(*read, codes::diameters_halved)) << header;
  }
}

TEST_F(ForeignTables, AScatterOfTheStarsIsNoSigma) {
  const auto read = table("position,hfr,hfr_stdev\n10,2.5,0.8\n");
  ASSERT_TRUE(read.has_value());
  EXPECT_FALSE(read->points[0].sigma_px.has_value());
}

TEST_F(ForeignTables, AllMissingColumnsAreNamedAtOnce) {
  EXPECT_THAT(refusal("place,width\n10,2\n"),
              AllOf(HasSubstr("'position'"), HasSubstr("'hfr'"), HasSubstr("'place', 'width'"),
                    HasSubstr("--column position=NAME --column hfr=NAME")));
  TableOptions named;
  named.columns = {{"position", "Where"}, {"hfr", "Wide"}};
  EXPECT_THAT(refusal("place,width\n10,2\n", named),
              AllOf(HasSubstr("'Where', 'Wide'"), HasSubstr("'place', 'width'")));
  EXPECT_THAT(refusal("4900,2.8\n4950,2.2\n"),
              AllOf(HasSubstr("t.csv line 1"), HasSubstr("'position,hfr'")));
}

TEST_F(ForeignTables, AFolderOfRunFoldersSaysEach) {
  const testing_support::TemporaryFolder nights;
  for (const char* night : {"a", "b"}) {
    std::filesystem::create_directory(nights.in(night));
    nights.write(std::string(night) + "/sizes.csv", "position,hfr\n1,2\n");
  }
  const auto found = find_run_input({nights.path().string()});
  ASSERT_FALSE(found.has_value());
  EXPECT_THAT(found.error().text(), AllOf(HasSubstr("2 folders"), HasSubstr("--each")));
}

TEST_F(ForeignTables, MillionsOfRowsAreRefusedAtOnce) {
  std::string text = "position,hfr\n";
  for (int i = 0; i < 5000000; ++i) text += "12480,2.5\n";
  folder_.write("long.csv", text);
  const auto start = std::chrono::steady_clock::now();
  const auto read = read_run_table(folder_.in("long.csv"));
  const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
  ASSERT_FALSE(read.has_value());
  EXPECT_THAT(read.error().text(), AllOf(HasSubstr("long.csv"), HasSubstr("5000001 rows")));
  EXPECT_LT(took.count(), 2);
}

}  // namespace
}  // namespace starwaist
