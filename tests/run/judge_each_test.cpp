// Many runs at once: what they infer from each other, and what they leave alone.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <random>
#include <string>
#include <vector>

#include "starwaist/report.h"
#include "starwaist/run.h"
#include "support/held_back.h"
#include "support/needed.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using testing::HasSubstr;

struct Told {
  std::string name;
  RunAnswer run;
};

class JudgeEach : public testing::Test {
 protected:
  // Rows "<before>position,size" of a hyperbola of 2 px and `slope` px a step with 1.5 % noise.
  std::string rows(const std::string& before, double best, const std::vector<double>& from_best,
                   double slope = 0.02) {
    std::normal_distribution<double> normal;
    std::string text;
    for (const double offset : from_best) {
      const double size = std::hypot(2.0, slope * offset) * (1 + 0.015 * normal(random_));
      text += before + std::to_string(best + offset) + "," + std::to_string(size) + "\n";
    }
    return text;
  }
  std::string good(const std::string& before, double best, double slope = 0.02) {
    return rows(before, best, {-300, -225, -150, -75, 0, 75, 150, 225, 300}, slope);
  }
  static std::vector<Told> answers(const std::vector<std::string>& inputs,
                                   const RunOptions& options = {}) {
    std::vector<Told> told;
    const auto done =
        judge_each(inputs, options, [&](const std::string& name, const RunAnswer& run) {
          told.push_back({name, run});
        });
    EXPECT_TRUE(done || done.error().code == ErrorCode::interrupted);
    return told;
  }
  static const Told& of(const std::vector<Told>& told, const std::string& name) {
    for (const Told& t : told) {
      if (t.name == name) return t;
    }
    ADD_FAILURE() << "no run " << name;
    return told.front();
  }

  testing_support::TemporaryFolder folder_;
  std::mt19937_64 random_{17};
};

TEST_F(JudgeEach, ARunOfTwoPointsIsAnsweredByTheOthersAndTheyAreAsAlone) {
  std::string text = "run,position,fwhm\n" + rows("short,", 4000, {150, 250});
  for (int i = 0; i < 10; ++i) {
    text += good("night" + std::to_string(i) + ",", 5000 + 10 * i);
  }
  const std::string table = folder_.write("nights.csv", text);
  RunOptions alone;
  alone.each_by_itself = true;
  const auto told = answers({table});
  const auto by_itself = answers({table}, alone);
  ASSERT_EQ(told.size(), 11U);
  ASSERT_EQ(by_itself.size(), 11U);
  EXPECT_EQ(told[0].name, "short");
  EXPECT_EQ(by_itself[0].run.fit.verdict, Verdict::unusable);
  EXPECT_FALSE(by_itself[0].run.fit.best_focus_steps);
  const FitResult& fit = told[0].run.fit;
  EXPECT_EQ(fit.verdict, Verdict::doubtful);
  ASSERT_TRUE(fit.best_focus_steps);
  EXPECT_TRUE(fit.interval_95_steps.contains(4000));
  ASSERT_EQ(fit.reasons.size(), 1U);
  EXPECT_THAT(fit.reasons[0].text, HasSubstr("are those of 10 other runs"));
  for (std::size_t i = 1; i < told.size(); ++i) {
    EXPECT_EQ(told[i].name, by_itself[i].name);
    EXPECT_EQ(fit_json_line(told[i].name, told[i].run).value_or("told"),
              fit_json_line(by_itself[i].name, by_itself[i].run).value_or("alone"));
  }
}

TEST_F(JudgeEach, RunsBeforeTheFirstThatWaitsAreToldAtOnce) {
  std::string text = "run,position,fwhm\n" + good("a,", 5000) + good("b,", 5000) +
                     rows("short,", 5000, {150, 250}) + good("c,", 5000);
  std::vector<std::string> told;
  std::vector<std::size_t> told_when_done;  // by runs read
  RunOptions options;
  options.progress = [&](int, int) { told_when_done.push_back(told.size()); };
  ASSERT_TRUE(judge_each({folder_.write("nights.csv", text)}, options,
                         [&](const std::string& name, const RunAnswer&) { told.push_back(name); }));
  EXPECT_THAT(told, testing::ElementsAre("a", "b", "short", "c"));
  EXPECT_THAT(told_when_done, testing::ElementsAre(1U, 2U, 2U, 2U));
}

TEST_F(JudgeEach, AnInterruptHandsOutWhatIsHeldAsItIs) {
  std::string text = "run,position,fwhm\n" + rows("short,", 5000, {150, 250});
  for (int i = 0; i < 12; ++i) text += good("night" + std::to_string(i) + ",", 5000);
  int done = 0;
  RunOptions options;
  options.progress = [&](int n, int) { done = n; };
  options.stop = [&] { return done == 11; };
  const auto told = answers({folder_.write("nights.csv", text)}, options);
  ASSERT_EQ(told.size(), 11U);
  EXPECT_EQ(told[0].name, "short");
  EXPECT_EQ(told[0].run.fit.verdict, Verdict::unusable);
}

TEST_F(JudgeEach, TelescopesAreToldApartByTheirColumn) {
  // Two telescopes of different arms, eight runs and a short one each.
  std::string text = "run,telescope,position,fwhm\n";
  for (const auto& [name, slope] : {std::pair{"east", 0.02}, std::pair{"west", 0.05}}) {
    const std::string column = std::string(",") + name + ",";
    for (int i = 0; i < 8; ++i) {
      text += good(name + std::to_string(i) + column, 5000, slope);
    }
    text += rows(std::string(name) + "-short" + column, 5000, {150, 250}, slope);
  }
  text += rows("other-short,third,", 5000, {150, 250});
  const std::string table = folder_.write("nights.csv", text);
  const auto told = answers({table});
  for (const std::string name : {"east-short", "west-short"}) {
    const FitResult& fit = of(told, name).run.fit;
    EXPECT_EQ(fit.verdict, Verdict::doubtful) << name;
    EXPECT_TRUE(fit.best_focus_steps && fit.interval_95_steps.contains(5000)) << name;
    EXPECT_THAT(fit.reasons[0].text, HasSubstr("of 8 other runs"));
  }
  EXPECT_EQ(of(told, "other-short").run.fit.verdict, Verdict::unusable);
  EXPECT_EQ(of(told, "other-short").run.fit.reasons.size(), 1U);
  // Without that column they are no one telescope.
  RunOptions without;
  without.table.columns = {{"telescope", "run"}};  // every run a telescope of its own
  EXPECT_EQ(of(answers({table}, without), "east-short").run.fit.verdict, Verdict::unusable);
  text.replace(text.find("telescope"), 9, "something");
  const auto mixed = answers({folder_.write("mixed.csv", text)});
  EXPECT_EQ(of(mixed, "east-short").run.fit.verdict, Verdict::unusable);
  EXPECT_EQ(of(mixed, "east-short").run.fit.reasons.size(), 1U);
}

TEST_F(JudgeEach, FoldersOfTablesTellEachOtherToo) {
  for (int i = 0; i < 9; ++i) {
    const std::string run = "nights/run" + std::to_string(i);
    fs::create_directories(folder_.in(run));
    (void)folder_.write(run + "/sizes.csv", "position,fwhm\n" + good("", 5000 + i));
  }
  fs::create_directories(folder_.in("nights/run20"));
  (void)folder_.write("nights/run20/sizes.csv",
                      "position,fwhm\n1,x\n" + rows("", 4500, {-250, -170, -90}));
  const auto told = answers({folder_.in("nights")});
  ASSERT_EQ(told.size(), 10U);
  EXPECT_EQ(told[9].name, "run20");
  EXPECT_EQ(told[9].run.fit.verdict, Verdict::doubtful);
  EXPECT_TRUE(told[9].run.fit.interval_95_steps.contains(4500));
  EXPECT_EQ(told[9].run.skipped.size(), 1U);
}

TEST_F(JudgeEach, FoldersOfOneKnownRigBelongTogether) {
  for (const std::string night : {"first", "second"}) {
    for (int i = 0; i < 5; ++i) {
      const std::string run = night + "/run" + std::to_string(i);
      fs::create_directories(folder_.in(run));
      (void)folder_.write(run + "/sizes.csv", "position,fwhm\n" + good("", 5000 + i));
    }
  }
  fs::create_directories(folder_.in("first/short"));
  (void)folder_.write("first/short/sizes.csv", "position,fwhm\n" + rows("", 4500, {-250, -150}));
  const std::vector<std::string> nights{folder_.in("first"), folder_.in("second")};
  // Five runs a folder are too few; that both are of one telescope the rig must say.
  EXPECT_EQ(of(answers(nights), "short").run.fit.verdict, Verdict::unusable);
  RunOptions options;
  options.rig.f_number = 5;
  options.rig.pixel_um = 3.76;
  options.rig.um_per_step = 1;
  const auto told = answers(nights, options);
  EXPECT_EQ(told[5].name, "short");
  EXPECT_EQ(told[5].run.fit.verdict, Verdict::doubtful);
  EXPECT_TRUE(told[5].run.fit.interval_95_steps.contains(4500));
  EXPECT_TRUE(told[5].run.fit.probability_in_zone);
}

TEST_F(JudgeEach, TheTelescopeOfATableIsRead) {
  const auto tables = read_run_tables(folder_.write(
      "t.csv",
      "run,Telescope,position,hfr\na,east,1,2\na,east,2,3\nb,,1,2\nc,west,1,2\nc,east,2,2\n"));
  ASSERT_TRUE(tables);
  ASSERT_EQ(tables->size(), 3U);
  EXPECT_EQ((*tables)[0].table.telescope, "east");
  EXPECT_FALSE((*tables)[1].table.telescope);
  EXPECT_EQ((*tables)[2].table.telescope, "east, west");
}

// Every twelfth trusted sweep of four real telescopes, cut to the two, three or four points of one
// end and answered by what the others show: its 95 % interval, the whole sweep's own sigma added in
// quadrature, holds the whole sweep's best focus. 90 of 100 are asked for, of some 500.
TEST(HeldBack, FewPointsOfRealSweepsGiveTheWholeSweepsBestFocus) {
  const std::string table =
      std::string(STARWAIST_REAL_DATA_DIR) + "/sweeps/four_small_telescopes.csv";
  STARWAIST_NEEDS(fs::exists(table), "no " << table);
  const auto sweeps = held_back::trusted_sweeps(table);
  ASSERT_TRUE(sweeps);
  ASSERT_EQ(sweeps->size(), 4U);
  int by_others = 0;
  int covered = 0;
  for (const std::size_t kept : {2U, 3U, 4U}) {
    int tried = 0;
    int answered = 0;
    for (const auto& [telescope, of_one] : *sweeps) {
      for (const bool smallest : {true, false}) {
        const auto count = held_back::answer_by_others(of_one, kept, smallest, 12);
        tried += count.tried;
        answered += count.answered;
        by_others += count.by_others;
        covered += count.covered;
      }
    }
    EXPECT_GE(answered, 0.8 * tried) << kept << " points";
  }
  EXPECT_GE(by_others, 300);
  EXPECT_GE(covered, 0.9 * by_others) << by_others;
}

}  // namespace
}  // namespace starwaist
