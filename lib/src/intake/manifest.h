// A table that says more of frames than their files do.
//
// Private header of module intake.
#pragma once

#include <map>
#include <set>
#include <string>
#include <vector>

#include "starwaist/frame.h"
#include "starwaist/intake.h"

namespace starwaist::intake_detail {

struct Manifest {
  std::vector<std::string> frames;  // the files it names that are there, in the order of its rows
  std::map<std::string, StatedFacts> stated;  // by canonical_path
  std::set<std::string> left_out;             // canonical paths: the row's position is no number
  std::vector<SkippedFile> skipped;           // rows and cells that were passed over
};

// File names are relative to the manifest's own folder; one that is not there is looked for among
// `frames`, the paths already known, by its bare name. Errors: those of read_csv, and no_data where
// a column that the user names is absent.
Result<Manifest> read_manifest(const std::string& path, const TableOptions& options,
                               const std::vector<std::string>& frames);

// One path for each file, however it is named; `path` itself where there is no such file.
std::string canonical_path(const std::string& path);

// The stated facts in place of the frame's own.
void apply(const StatedFacts& stated, HeaderFacts& facts);

}  // namespace starwaist::intake_detail
