// What every view of a run's answer begins with: use it or not, what is wrong, what to do.
//
// Private header of module report.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

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

// Up to three paragraphs. The same for every command that shows the answer.
std::string opening(const RunAnswer& answer, std::size_t width);

// The reasons that the opening did not give, without those that are the summary of a finding
// in `shown`.
std::vector<std::string> further_reasons(const RunAnswer& answer,
                                         const std::vector<const Finding*>& shown = {});

// Notes on what is only suspected; nothing where nothing is.
std::string not_ruled_out(const RunAnswer& answer, std::size_t width);

}  // namespace starwaist::report
