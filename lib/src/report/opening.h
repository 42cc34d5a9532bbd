// What every view of a run's answer begins with: use it or not, what is wrong, what to do.
//
// Private header of module report.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "starwaist/run.h"

namespace starwaist::report {

// The findings of an answer by how they are told.
struct ToldFindings {
  // Named in the opening: the sure ones, and a suspicion that lowered the verdict.
  std::vector<const Finding*> plain;
  std::vector<const Finding*> suspected;  // all others
};
// Pointers into `answer`.
ToldFindings told_findings(const RunAnswer& answer);

// "the slack was not taken up": the title of a cause's page.
std::string title_of(const std::string& cause);

std::string capital(std::string text);

// "perhaps bad seeing" for a suspicion, else the title alone.
std::string finding_title(const Finding& finding);

// "takeup_steps 90"; a setting's unit is in its name. Of its settings for the next run.
std::string settings_words(const Finding& finding);

// "frames beside the curve: 3 px"
std::string item_words(const EvidenceItem& item);

// The page of a cause by its headings, without title and source.
std::vector<NamedLine> explain_lines(const CausePage& page);

// What the answer begins with, each a sentence or more; empty where there is nothing to say.
struct OpeningWords {
  std::string use;       // "Use it: best focus 5231.44 ± 0.18 steps."
  std::string problem;   // what is wrong
  std::string action;    // what to do
  std::string next_run;  // what to do at the next run, of a trusted one with a finding
};
OpeningWords opening_words(const RunAnswer& answer);

// Up to four paragraphs of them. The same for every command that shows the answer.
std::string opening(const RunAnswer& answer, std::size_t width);

// The reasons that the opening did not give, without those that are the summary of a finding
// in `shown`.
std::vector<std::string> further_reasons(const RunAnswer& answer,
                                         const std::vector<const Finding*>& shown = {});

// Why one finding is not ruled out, with its confidence.
std::string suspicion_words(const Finding& finding);

// Notes on what is only suspected; nothing where nothing is.
std::string not_ruled_out(const RunAnswer& answer, std::size_t width);

}  // namespace starwaist::report
