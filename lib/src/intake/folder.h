// What a folder holds, and the order of names.
//
// Private header of module intake.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/intake.h"

namespace starwaist::intake_detail {

// The folder's entries, hidden ones left out, in no order. Errors: unreadable.
Result<std::vector<std::filesystem::directory_entry>> visible_entries(
    const std::filesystem::path& folder);

// True where a file that lies in a folder is a table of some kind.
bool is_table_in_folder(const std::string& path, const TableOptions& options);

// A folder in which a frame or a table lies.
bool is_run_folder(const std::filesystem::directory_entry& entry, const TableOptions& options);

// Digits compare as numbers, so that frame 9 comes before frame 10; the plain order of bytes breaks
// ties ("01" against "1").
bool natural_less(const std::string& a, const std::string& b);

// By the last part of their names.
void sort_naturally(std::vector<std::filesystem::path>& paths);

}  // namespace starwaist::intake_detail
