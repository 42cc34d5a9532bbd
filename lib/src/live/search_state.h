// From the judgement of a run so far to what the search for focus looks at, and back to where to
// go.
//
// Private header of module live.
#pragma once

#include <optional>
#include <vector>

#include "starwaist/live.h"

namespace starwaist::live_detail {

// `kept` takes in the slack that the judgement found.
SearchState search_state(std::vector<SearchVisit> visits, const RunAnswer& judged,
                         const LiveRunOptions& options, SearchMemory& kept);

// To the next position; to best focus where the search has ended and the run can be used.
std::optional<Move> move_after(const SearchStep& step, const RunAnswer& judged);

// That the focuser has slack, and how it is taken up.
std::vector<Statement> notes_on_focuser(const RunAnswer& judged, const SearchStep& step);

}  // namespace starwaist::live_detail
