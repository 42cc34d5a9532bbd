#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <system_error>
#include <vector>

#include "starwaist/frame.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

namespace fs = std::filesystem;

std::string system_words(int error) { return std::generic_category().message(error); }

class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_(fd) {}
  ~Descriptor() {
    if (fd_ >= 0) ::close(fd_);
  }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  [[nodiscard]] int get() const { return fd_; }
  // Closes and says whether that went well (a full disk may show only here).
  bool close() {
    const int fd = fd_;
    fd_ = -1;
    return ::close(fd) == 0;
  }

 private:
  int fd_;
};

// Empty where `content` was written and lies on the disk, else what the system said.
std::optional<std::string> write_all(Descriptor& file, std::string_view content) {
  while (!content.empty()) {
    const ssize_t written = ::write(file.get(), content.data(), content.size());
    if (written < 0) {
      if (errno == EINTR) continue;
      return system_words(errno);
    }
    content.remove_prefix(static_cast<std::size_t>(written));
  }
  if (::fsync(file.get()) != 0 || !file.close()) return system_words(errno);
  return std::nullopt;
}

// A frame or a ledger is known by its first bytes, whatever its name: FITS standard 4.0, section
// 4.4.1.1 (SIMPLE is the first keyword); SQLite file format, section 1.3.
bool holds_frame_or_ledger(const std::string& path) {
  constexpr std::string_view kFits = "SIMPLE  =";
  constexpr std::string_view kSqlite = "SQLite format 3";
  if (is_frame_name(path)) return true;
  const Descriptor file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  if (file.get() < 0) return false;
  std::array<char, 16> head{};
  const ssize_t got = ::read(file.get(), head.data(), head.size());
  if (got <= 0) return false;
  const std::string_view seen(head.data(), static_cast<std::size_t>(got));
  return seen.substr(0, kFits.size()) == kFits || seen.substr(0, kSqlite.size()) == kSqlite;
}

bool same_file(const struct stat& a, const struct stat& b) {
  return a.st_dev == b.st_dev && a.st_ino == b.st_ino;
}

// The file that a chain of symbolic links ends at, so that a link stays a link when its target is
// replaced.
std::string resolved(const std::string& path) {
  std::error_code error;
  const fs::path target = fs::weakly_canonical(path, error);
  return error ? path : target.string();
}

}  // namespace

Result<void> check_output_file(const std::string& path,
                               const std::vector<std::string>& protected_paths) {
  if (path.empty()) {
    return fail(ErrorCode::cannot_write, "the name of an output file is empty", "Name a file");
  }
  const std::string target = resolved(path);
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
    if (resolved(input) == target) {
      return fail(ErrorCode::cannot_write, path + ": this is an input of the run",
                  "Name another output file");
    }
  }
  struct stat old {};
  if (::stat(target.c_str(), &old) != 0) {
    if (errno == ENOENT) return {};
    return fail(ErrorCode::cannot_write, path + ": " + system_words(errno), "Name another file");
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
      return fail(ErrorCode::cannot_write, path + ": this is an input of the run",
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
  const std::string target = resolved(path);
  const fs::path folder = fs::path(target).parent_path();
  // A short name of its own: the target's may already be as long as the file system allows.
  std::string temporary = (folder / ".starwaist-XXXXXX").string();
  const int fd = ::mkostemp(temporary.data(), O_CLOEXEC);
  if (fd < 0) {
    return fail(ErrorCode::cannot_write, path + ": " + system_words(errno),
                "Free some space or name another file");
  }
  Descriptor file(fd);
  // mkostemp makes the file for its owner alone. An older file keeps its rights; a new one gets
  // the usual ones. (umask can only be read by setting it, which would touch the whole process.)
  struct stat old {};
  const mode_t mode = ::stat(target.c_str(), &old) == 0 ? old.st_mode & 0777 : 0644;
  static_cast<void>(::fchmod(fd, mode));  // some file systems know no rights: no harm done
  std::optional<std::string> trouble = write_all(file, content);
  if (!trouble && ::rename(temporary.c_str(), target.c_str()) != 0) trouble = system_words(errno);
  if (trouble) {
    ::unlink(temporary.c_str());
    return fail(ErrorCode::cannot_write, path + ": " + *trouble,
                "Free some space or name another file");
  }
  return {};
}

}  // namespace starwaist
