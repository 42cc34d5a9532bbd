#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <filesystem>
#include <fstream>
#include <string>
#include <string_view>
#include <system_error>
#include <vector>

#include "core/replace_file.h"
#include "starwaist/frame.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

namespace fs = std::filesystem;

// A frame or a ledger is known by its first bytes, whatever its name: FITS standard 4.0, section
// 4.4.1.1 (SIMPLE is the first keyword); SQLite file format, section 1.3.
bool holds_frame_or_ledger(const std::string& path) {
  constexpr std::string_view kFits = "SIMPLE  =";
  constexpr std::string_view kSqlite = "SQLite format 3";
  if (is_frame_name(path)) return true;
  std::ifstream file(path, std::ios::binary);
  std::array<char, 16> head{};
  file.read(head.data(), head.size());
  const auto got = file.gcount();
  const std::string_view seen(head.data(), static_cast<std::size_t>(got));
  return seen.substr(0, kFits.size()) == kFits || seen.substr(0, kSqlite.size()) == kSqlite;
}

bool same_file(const struct stat& a, const struct stat& b) {
  return a.st_dev == b.st_dev && a.st_ino == b.st_ino;
}

}  // namespace

Result<void> check_output_file(const std::string& path,
                               const std::vector<std::string>& protected_paths) {
  if (path.empty()) {
    return fail(ErrorCode::cannot_write, "the name of an output file is empty", "Name a file");
  }
  const std::string target = core::resolved_path(path);
  const std::string folder = fs::path(target).parent_path().string();
  struct stat there {};
  if (::stat(folder.empty() ? "." : folder.c_str(), &there) != 0 || !S_ISDIR(there.st_mode)) {
    return fail(ErrorCode::cannot_write, path + ": its folder does not exist",
                "Make the folder first or name another file");
  }
  if (::access(folder.empty() ? "." : folder.c_str(), W_OK | X_OK) != 0) {
    return fail(ErrorCode::cannot_write, path + ": its folder cannot be written to",
                "Name a file in a folder of your own");
  }
  // Compared as names too: an input that has vanished has no inode.
  for (const auto& input : protected_paths) {
    if (core::resolved_path(input) == target) {
      return fail(ErrorCode::cannot_write, path + ": this is an input or the file of options",
                  "Name another output file");
    }
  }
  struct stat old {};
  if (::stat(target.c_str(), &old) != 0) {
    if (errno == ENOENT) return {};
    return fail(ErrorCode::cannot_write, path + ": " + core::system_words(errno),
                "Name another file");
  }
  if (S_ISDIR(old.st_mode)) {
    return fail(ErrorCode::cannot_write, path + ": this is a folder", "Name a file in it");
  }
  if (!S_ISREG(old.st_mode)) {
    return fail(ErrorCode::cannot_write, path + ": not a plain file",
                "Name a plain file, or - for standard output");
  }
  for (const auto& input : protected_paths) {
    struct stat known {};
    if (::stat(input.c_str(), &known) == 0 && same_file(known, old)) {
      return fail(ErrorCode::cannot_write, path + ": this is an input or the file of options",
                  "Name another output file");
    }
  }
  if (holds_frame_or_ledger(target)) {
    return fail(ErrorCode::cannot_write,
                path + ": this is a frame or a ledger, which is never replaced",
                "Name another output file");
  }
  return {};
}

Result<void> write_whole_file(const std::string& path, const std::string& content,
                              const std::vector<std::string>& protected_paths) {
  if (auto allowed = check_output_file(path, protected_paths); !allowed) return allowed;
  return core::replace_file(path, content);
}

}  // namespace starwaist
