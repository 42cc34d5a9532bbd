// Every command says the same of the same frames.
#include <gtest/gtest.h>

#include <nlohmann/json.hpp>
#include <sstream>
#include <string>

#include "cli/call_program.h"
#include "cli/with_rig.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using Json = nlohmann::json;
using testing_support::Answer;
using testing_support::call;
using testing_support::with_rig;
using testing_support::Words;

// The figures that every view of a run shows, as bytes.
std::string judgement_of(const Json& answer, const char* sigma = "best_focus_sigma_steps") {
  return Json{{"best_focus_steps", answer.at("best_focus_steps")},
              {"sigma", answer.at(sigma)},
              {"interval_95_steps", answer.at("interval_95_steps")},
              {"verdict", answer.at("verdict")},
              {"reasons", answer.at("reasons")}}
      .dump();
}

Json last_line_of(const std::string& text) {
  std::istringstream in(text);
  std::string last;
  for (std::string line; std::getline(in, line);) last = line;
  return Json::parse(last);
}

class OneJudgement : public testing::TestWithParam<const char*> {};

TEST_P(OneJudgement, IsShownByEveryCommand) {
  const testing_support::TemporaryFolder folder;
  const std::string run = folder.in("run");
  const Answer made = call(
      with_rig({"render", "--output",     run,        "--start",          "4880", "--step",
                "30",     "--points",     "9",        "--width-px",       "400",  "--height-px",
                "300",    "--star-count", "40",       "--wavelengths-um", "0.55", "--seed",
                "5",      "--scenario",   GetParam(), "--quiet"}));
  ASSERT_EQ(made.status, 0) << made.err;

  const Answer fit = call(with_rig({"fit", run, "--json", "-"}));
  const Json fitted = Json::parse(fit.out);
  const std::string judged = judgement_of(fitted);
  const Answer diagnose = call(with_rig({"diagnose", run, "--json", "-"}));
  const Json diagnosis = Json::parse(diagnose.out);
  EXPECT_EQ(diagnosis.at("fit"), fitted);
  EXPECT_EQ(diagnose.status, fit.status);
  EXPECT_EQ(diagnosis.at("healthy").get<bool>(),
            diagnosis.at("findings").empty() && fitted.at("verdict") == "trusted");
  for (std::size_t i = 0; i < diagnosis.at("findings").size(); ++i) {
    EXPECT_EQ(diagnosis.at("findings")[i].at("decisive").get<bool>(), i == 0);
  }

  const Answer watch = call(with_rig({"watch", run, "--once", "--json", "-"}));
  EXPECT_EQ(judgement_of(last_line_of(watch.out)), judged);
  EXPECT_EQ(watch.status, fit.status);

  const Answer field = call(with_rig({"field", run, "--json", "-"}));
  const Json over_field = Json::parse(field.out);
  EXPECT_EQ(judgement_of(over_field), judged);
  if (!over_field.at("zones").empty()) {
    EXPECT_EQ(over_field.at("compromise_focus_steps"), fitted.at("best_focus_steps"));
  }

  const std::string ledger = folder.in("runs.ledger");
  const Answer added = call(with_rig({"log", "add", run, "--ledger", ledger}));
  ASSERT_EQ(added.status, 0) << added.err;
  const Answer kept = call({"log", "export", "--ledger", ledger, "--json", "-"});
  EXPECT_EQ(judgement_of(Json::parse(kept.out).at("runs").at(0), "sigma_steps"), judged);
}

INSTANTIATE_TEST_SUITE_P(Runs, OneJudgement,
                         testing::Values("healthy", "focus_jump:1.5", "slack:1.5", "fogging:1.5",
                                         "field_curvature:2", "no_motion:2", "few_stars:2"),
                         [](const auto& of) {
                           std::string name = of.param;
                           return name.substr(0, name.find(':'));
                         });

}  // namespace
}  // namespace starwaist
