// Writing a file so that it is whole or absent.
//
// Private header of module core.
#pragma once

#include <string>
#include <string_view>

#include "starwaist/error.h"

namespace starwaist::core {

// What the system says of an errno.
std::string system_words(int error);

// The file that a chain of symbolic links ends at; `path` itself where that cannot be determined.
std::string resolved_path(const std::string& path);

// Writes `content` under another name beside `path`, to the disk, and renames it over what is
// there. A symbolic link stays a link, its target is replaced; an older file keeps its rights.
// Errors: cannot_write; nothing is left of the attempt.
Result<void> replace_file(const std::string& path, std::string_view content);

}  // namespace starwaist::core
