// Tables, and what folders and files turn out to be.
#include <gtest/gtest.h>

#include <filesystem>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/history.h"
#include "starwaist/intake.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

class Inputs : public testing::Test {
 protected:
  std::string write(const std::string& name, const std::string& text) const {
    return folder_.write(name, text);
  }
  testing_support::TemporaryFolder folder_;
};

TEST_F(Inputs, TheDocumentedFormsOfATableAreRead) {
  const std::vector<std::string> forms = {
      "position,hfr,sigma\n10,2.5,0.1\n20,1.5,0.1\n20,1.6,0.1\n",
      "\xEF\xBB\xBFPosition;HFR;Sigma\r\n10;2,5;0,1\r\n20;1,5;0,1\r\n20;1,6;0,1\r\n",
      "position\thfr\tsigma\n10\t2.5\t0.1\n20\t1.5\t0.1\n20\t1.6\t0.1",
      "\"position\",\"hfd\",\"sigma\"\n\"10\",5.0,0.2\n20,3.0,0.2\n20,3.2,0.2\n"};
  for (const std::string& form : forms) {
    const auto table = read_run_table(write("t.csv", form));
    ASSERT_TRUE(table.has_value()) << table.error().text();
    ASSERT_EQ(table->points.size(), 3U) << form;
    EXPECT_EQ(table->points[0].position_steps, 10);
    EXPECT_DOUBLE_EQ(*table->points[0].size_px, 2.5);
    EXPECT_DOUBLE_EQ(*table->points[1].sigma_px, 0.1);
    EXPECT_DOUBLE_EQ(*table->points[2].size_px, 1.6);
    EXPECT_TRUE(table->skipped.empty());
  }
}

TEST_F(Inputs, EveryColumnBesidePositionAndSizeReachesItsFact) {
  const auto table = read_run_table(
      write("all.csv",
            "position,hfr,stars,flux,temperature,filter,time,background,eccentricity,exposure\n"
            "10,2.5,41,9000,4.5,Ha,2027-02-03T20:11:05,812,0.3,2.5\n"
            "20,1.5,42,9100,4.4,Ha,2027-02-03T20:11:15,813,0.2,3.5\n"));
  ASSERT_TRUE(table.has_value()) << table.error().text();
  ASSERT_EQ(table->facts.size(), 2U);
  const RowFacts& second = table->facts[1];
  EXPECT_EQ(second.stars, 42);
  EXPECT_EQ(second.flux, 9100);
  EXPECT_EQ(second.temperature_c, 4.4);
  EXPECT_EQ(second.filter, "Ha");
  ASSERT_TRUE(second.time_s && table->facts[0].time_s);
  EXPECT_EQ(*second.time_s - *table->facts[0].time_s, 10);
  EXPECT_EQ(second.background_adu, 813);
  EXPECT_EQ(second.eccentricity, 0.2);
  EXPECT_EQ(table->facts[0].exposure_s, 2.5);
  EXPECT_EQ(second.exposure_s, 3.5);
}

TEST_F(Inputs, BadRowsAreNamedByLineAndSkipped) {
  const auto table = read_run_table(
      write("t.csv", "position,hfr,sigma\n10,2.5,0\nx,2,0.1\n30,nan,0.1\n40,-1,0.1\n50,2.5,0.1\n"));
  ASSERT_TRUE(table.has_value());
  EXPECT_EQ(table->points.size(), 2U);
  EXPECT_FALSE(table->points[0].sigma_px.has_value());
  EXPECT_EQ(table->notes.size(), 1U);
  ASSERT_EQ(table->skipped.size(), 3U);
  EXPECT_NE(table->skipped[0].file.find("line 3"), std::string::npos);
  EXPECT_EQ(table->skipped[0].reason.code, "value_not_understood");
  EXPECT_NE(table->skipped[0].reason.text.find("'x'"), std::string::npos);
}

TEST_F(Inputs, TablesThatCannotServeAreRefused) {
  for (const char* text :
       {"", "\n\n", "position\n10\n", "hfr\n1\n", "position,hfr\n", "position,hfr\nx,y\n"}) {
    const auto table = read_run_table(write("t.csv", text));
    ASSERT_FALSE(table.has_value()) << text;
    EXPECT_EQ(table.error().message.find("t.csv"), 0U);
  }
  EXPECT_FALSE(
      read_run_table(write("t.csv", std::string("position,hfr\n1\0,2\n", 18))).has_value());
  EXPECT_FALSE(read_run_table(folder_.in("absent.csv")).has_value());
}

TEST_F(Inputs, ColumnsCanBeNamed) {
  TableOptions options;
  options.columns = {{"position", "Step"}, {"hfr", "Half Flux"}};
  const auto table = read_run_table(write("t.csv", "Step,Half Flux\n1,2\n"), options);
  ASSERT_TRUE(table.has_value()) << table.error().text();
  EXPECT_EQ(table->points[0].size_px, 2.0);
  options.columns = {{"hfr", "absent"}};
  EXPECT_FALSE(read_run_table(folder_.in("t.csv"), options).has_value());
}

TEST_F(Inputs, ANamedSizeColumnComesBeforeOneFoundByItsName) {
  TableOptions options;
  options.columns = {{"fwhm", "width"}};
  const auto table = read_run_table(write("t.csv", "position,hfr,width\n1,2,5\n"), options);
  ASSERT_TRUE(table.has_value()) << table.error().text();
  EXPECT_EQ(table->size, SizeMeasure::fwhm);
  EXPECT_EQ(table->points[0].size_px, 5.0);
}

TEST_F(Inputs, AQuoteThatIsNeverClosedIsNamedByItsLine) {
  const auto table = read_run_table(write("t.csv", "position,hfr\n1,2\n2,\"3\n3,4\n"));
  ASSERT_FALSE(table.has_value());
  EXPECT_EQ(table.error().message.find("t.csv line 3"), 0U) << table.error().text();
}

TEST_F(Inputs, LongTablesAreReadWhole) {
  std::string text = "position,hfr\n";
  for (int i = 0; i < 100000; ++i) text += std::to_string(i) + ",2.5\r\n";
  const auto table = read_run_table(write("t.csv", text));
  ASSERT_TRUE(table.has_value()) << table.error().text();
  EXPECT_EQ(table->points.size(), 100000U);
  EXPECT_EQ(table->points.back().position_steps, 99999);
}

TEST_F(Inputs, FramesComeInTheOrderOfTheirNumbers) {
  for (const char* name : {"f10.fits", "f9.fits", "f1.fit", ".hidden.fits", "notes.txt"})
    write(name, "x");
  const auto input = find_run_input({folder_.path().string()});
  ASSERT_TRUE(input.has_value());
  ASSERT_EQ(input->frames.size(), 3U);
  EXPECT_EQ(fs::path(input->frames[0]).filename(), "f1.fit");
  EXPECT_EQ(fs::path(input->frames[2]).filename(), "f10.fits");
  EXPECT_FALSE(find_run_input({folder_.in("absent")}).has_value());
  EXPECT_FALSE(find_run_input({}).has_value());
  const std::string table = write("a.csv", "x");
  EXPECT_FALSE(find_run_input({folder_.path().string(), table}).has_value());
}

TEST_F(Inputs, ATableIsTheSameNamedOrInAFolder) {
  const char* sizes = "position,hfr\n1,2\n2,1\n3,2\n";
  for (const char* name : {"sizes.csv", "sizes.tsv", "sizes.txt", "SIZES.TXT"}) {
    const testing_support::TemporaryFolder run;
    const std::string table = run.write(name, sizes);
    EXPECT_EQ(find_run_input({table})->table, table);
    const auto in_folder = find_run_input({run.path().string()});
    ASSERT_TRUE(in_folder.has_value()) << in_folder.error().text();
    EXPECT_EQ(in_folder->table, table);
    // Notes are no table, and a second table is one too many.
    run.write("notes.txt", "clear, a little wind; position of the moon: west\n");
    EXPECT_EQ(find_run_input({run.path().string()})->table, table);
    run.write("more.tsv", sizes);
    EXPECT_FALSE(find_run_input({run.path().string()}).has_value());
  }
}

TEST_F(Inputs, TheKindOfATableIsThatOfItsHeaderRow) {
  const std::pair<const char*, TableKind> kinds[] = {
      {"position,hfr\n", TableKind::sizes},
      {"file,position,FWHM\n", TableKind::sizes},
      {"position;temperature\n", TableKind::history},
      {"best_focus_steps\ttemperature_c\n", TableKind::history},
      {"position,temperature,hfd\n", TableKind::sizes},
      {"file,position,temperature\n", TableKind::manifest},
      {"file,position_steps,hfr_px\n", TableKind::sizes},  // as measure writes it
      {"position\n", TableKind::unknown},
      {"hfr\n", TableKind::unknown},
      {"", TableKind::unknown},
  };
  for (const auto& [header, kind] : kinds) {
    EXPECT_EQ(table_kind(write("t.csv", header)), kind) << header;
  }
  EXPECT_EQ(table_kind(folder_.in("absent.csv")), TableKind::unknown);
}

TEST_F(Inputs, EachFolderAndTableIsARunOfItsOwn) {
  using Runs = std::vector<std::vector<std::string>>;
  const std::string run = folder_.path().string();
  EXPECT_EQ(runs_of({"a.csv", run, "b.tsv", "c.TXT"}),
            (Runs{{"a.csv"}, {run}, {"b.tsv"}, {"c.TXT"}}));
  EXPECT_EQ(runs_of({run, "f1.fits", "list.tsv", "f2.fits"}),
            (Runs{{run}, {"f1.fits", "list.tsv", "f2.fits"}}));
  EXPECT_EQ(runs_of({}), Runs{});
}

// Whatever the file, a time is read by the one grammar (core/clock.h).
TEST_F(Inputs, TimesAreReadAlikeInTablesManifestsHistoriesAndAnswers) {
  write("f.fits", "");
  for (const char* time : {"2027-02-03T20:11:05", "2027-02-03 20:11:05", "2027-02-03T20:11:05Z",
                           "2027-02-03T21:11:05+01:00", "03/02/97 20:11:05"}) {
    const std::string text = time;
    const std::string kept = text[2] == '/' ? "1997-02-03T20:11:05" : "2027-02-03T20:11:05";
    const auto table = read_run_table(
        write("t.csv", "position,hfr,time\n1,2," + text + "\n2,2," + kept.substr(0, 16) + "\n"));
    ASSERT_TRUE(table.has_value());
    ASSERT_TRUE(table->facts[0].time_s && table->facts[1].time_s) << text;
    EXPECT_EQ(*table->facts[0].time_s - *table->facts[1].time_s, 5) << text;
    EXPECT_EQ(
        read_run_table(write("t.csv", "position,hfr,time\n1,2," + text + "\n"))->middle.time_utc,
        kept);
    const auto manifest =
        find_run_input({write("m.csv", "file,position,time\nf.fits,1," + text + "\n")});
    ASSERT_TRUE(manifest.has_value()) << manifest.error().text();
    EXPECT_EQ(manifest->stated.begin()->second.time_utc, kept) << text;
    const auto history =
        read_history_table(write("h.csv", "position,temperature,time\n1,2," + text + "\n"));
    ASSERT_TRUE(history.has_value());
    EXPECT_EQ(history->runs[0].time_utc, kept) << text;
    const auto answers =
        read_answers(write("a.json", R"({"schema": "starwaist/log/1", "runs": [{"time_utc": ")" +
                                         text + R"("}]})"),
                     "");
    ASSERT_TRUE(answers.has_value());
    EXPECT_EQ(answers->front().time_utc, kept) << text;
  }
}

TEST_F(Inputs, ATableOfManyRunsSaysOfEachWhatItsMiddleRowSays) {
  const auto runs = read_run_tables(write("t.csv",
                                          "run,position,hfr,temperature,filter,altitude,time\n"
                                          "a,1,2,1.5,L,50,2027-02-03T20:00\n"
                                          "b,1,2,7.5,Ha,70,\n"
                                          "a,x,1,2.5,R,60,2027-02-03T20:10\n"
                                          "a,3,2,3.5,G,61,2027-02-03T20:20\n"));
  ASSERT_TRUE(runs.has_value()) << runs.error().text();
  ASSERT_EQ(runs->size(), 2U);
  const RunFacts& a = (*runs)[0].table.middle;  // of its second row, though that has no position
  EXPECT_EQ(a.time_utc, "2027-02-03T20:10:00");
  EXPECT_EQ(a.filter, "R");
  EXPECT_EQ(a.altitude_deg, 60);
  EXPECT_EQ(a.temperature_c, 2.5);
  const RunFacts& b = (*runs)[1].table.middle;
  EXPECT_FALSE(b.time_utc.has_value());
  EXPECT_EQ(b.altitude_deg, 70);
}

}  // namespace
}  // namespace starwaist
