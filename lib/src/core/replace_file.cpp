#include "core/replace_file.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <filesystem>
#include <optional>
#include <system_error>

namespace starwaist::core {

namespace {

namespace fs = std::filesystem;

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

}  // namespace

std::string system_words(int error) { return std::generic_category().message(error); }

std::string resolved_path(const std::string& path) {
  std::error_code error;
  const fs::path target = fs::weakly_canonical(path, error);
  return error ? path : target.string();
}

Result<void> replace_file(const std::string& path, std::string_view content) {
  const std::string target = resolved_path(path);
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

}  // namespace starwaist::core
