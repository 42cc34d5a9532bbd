// What stays at its pixel and as it is while the stars move or change is a defect, whatever its
// shape.
//
// Private header of module run.
#pragma once

#include <memory>
#include <vector>

#include "starwaist/run.h"

namespace starwaist::run_detail {

// Where a fifth of what a run's frames take for stars are fixed pixels, or these are thrice as
// many, measures its frames again without them (each is read once more, and once before to see
// that; where the objects alone show that there are stars enough, none is) and returns all known
// defects, the options' included. Null, and the frames as they were, elsewhere, and where nothing
// is left that follows the run: fixed pixels may be stars of a run that shows one size. A frame
// that can no longer be read stays as it is.
std::shared_ptr<const DefectMap> leave_out_fixed(std::vector<MeasuredFrame>& frames,
                                                 const RunOptions& options);

}  // namespace starwaist::run_detail
