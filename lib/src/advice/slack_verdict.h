// The verdict on a slack, the take-up and the final direction, with their reasons and remarks.
//
// In: the answer, what the sweeps can show, the posterior, the rig and the user's wishes. Out: the
// whole BacklashResult.
#pragma once

#include <optional>
#include <string>

#include "advice/slack_answer.h"
#include "starwaist/backlash.h"
#include "starwaist/statement.h"

namespace starwaist::advice {

// What a check found: it lowers the verdict, or is worth a note where it does not.
struct Remark {
  Verdict verdict = Verdict::trusted;
  Statement statement;
};
void add(BacklashResult& result, const Remark& remark);

// The final direction, with a remark where one is due.
struct FinalDirection {
  Direction direction = Direction::inward;
  std::optional<Remark> remark;
};
FinalDirection final_direction(const BacklashOptions& options);

// Why the points cannot show a slack at all; absent where they can.
std::optional<Remark> not_enough(const SweepData& data, const SweepFacts& facts);

struct SlackCase {
  const SweepData& data;
  const SweepFacts& facts;
  const SlackPosterior& posterior;
  const Rig& rig;
  const BacklashOptions& options;
};
BacklashResult judge_slack(const SlackAnswer& answer, const SlackCase& slack);

}  // namespace starwaist::advice
