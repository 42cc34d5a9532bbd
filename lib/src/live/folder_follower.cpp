#include <poll.h>
#include <sys/inotify.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstring>
#include <filesystem>
#include <system_error>
#include <utility>

#include "intake/folder.h"
#include "starwaist/frame.h"
#include "starwaist/live.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using Clock = std::chrono::steady_clock;

// Between looks at the folder: while files are being written, and where the system may not report
// new ones.
constexpr std::chrono::milliseconds kWhileWriting{100};
constexpr std::chrono::milliseconds kWhileQuiet{1000};

// The system's word on what is closed or moved into a folder; silent where it has none to give.
class CloseEvents {
 public:
  explicit CloseEvents(const std::string& folder) : file_(inotify_init1(IN_NONBLOCK | IN_CLOEXEC)) {
    if (file_ < 0) return;
    inotify_add_watch(file_, folder.c_str(), IN_CLOSE_WRITE | IN_MOVED_TO | IN_CREATE | IN_ONLYDIR);
  }
  ~CloseEvents() {
    if (file_ >= 0) close(file_);
  }
  CloseEvents(const CloseEvents&) = delete;
  CloseEvents& operator=(const CloseEvents&) = delete;

  // Names since the last call.
  std::set<std::string> take() const {
    std::set<std::string> closed;
    if (file_ < 0) return closed;
    alignas(inotify_event) std::array<char, 16384> buffer{};
    for (;;) {
      const ssize_t bytes = read(file_, buffer.data(), buffer.size());
      if (bytes <= 0) return closed;
      for (std::ptrdiff_t at = 0; at < bytes;) {
        inotify_event event{};
        std::memcpy(&event, buffer.data() + at, sizeof event);
        const char* name = buffer.data() + at + sizeof event;
        at += static_cast<std::ptrdiff_t>(sizeof event + event.len);
        if (event.len > 0 && (event.mask & IN_CREATE) == 0) closed.insert(name);
      }
    }
  }

  void wait(std::chrono::milliseconds longest) const {
    pollfd waited{file_, POLLIN, 0};  // a negative file is passed over by poll
    poll(&waited, 1, static_cast<int>(longest.count()));
  }

 private:
  int file_;
};

std::optional<FileState> state_of(const fs::path& path) {
  struct stat found {};
  if (stat(path.c_str(), &found) != 0 || !S_ISREG(found.st_mode)) return std::nullopt;
  constexpr std::int64_t kNanoseconds = 1'000'000'000;
  return FileState{found.st_dev, found.st_ino, found.st_size,
                   found.st_mtim.tv_sec * kNanoseconds + found.st_mtim.tv_nsec};
}

}  // namespace

struct FolderFollower::State {
  fs::path folder;
  CloseEvents events;
  WholeFiles files;
  Clock::time_point start = Clock::now();

  State(const std::string& name, double settle_s) : folder(name), events(name), files(settle_s) {}
  [[nodiscard]] double now_s() const {
    return std::chrono::duration<double>(Clock::now() - start).count();
  }

  Result<std::vector<std::string>> look() {
    // The events first: what the folder then shows is not older than they are.
    const std::set<std::string> closed = events.take();
    const auto entries = intake_detail::visible_entries(folder);
    if (!entries) return tl::unexpected<Error>(entries.error());
    std::vector<WholeFiles::Listed> listed;
    for (const fs::directory_entry& entry : *entries) {
      if (!is_frame_name(entry.path().string())) continue;
      const std::string name = entry.path().filename().string();
      if (const auto state = state_of(entry.path())) {
        listed.push_back({name, *state, closed.count(name) != 0});
      }
    }
    std::vector<std::string> paths = files.look(listed, now_s());
    for (std::string& path : paths) path = (folder / path).string();
    return paths;
  }
};

FolderFollower::FolderFollower(std::unique_ptr<State> state) : state_(std::move(state)) {}
FolderFollower::~FolderFollower() = default;
FolderFollower::FolderFollower(FolderFollower&&) noexcept = default;
FolderFollower& FolderFollower::operator=(FolderFollower&&) noexcept = default;

Result<FolderFollower> FolderFollower::open(const std::string& folder, double settle_s) {
  std::error_code error;
  if (!fs::is_directory(folder, error)) {
    return fail(ErrorCode::not_found, folder + ": there is no such folder",
                "Name the folder into which the frames are written");
  }
  if (const auto entries = intake_detail::visible_entries(folder); !entries) {
    return tl::unexpected<Error>(entries.error());
  }
  return FolderFollower(std::make_unique<State>(folder, settle_s));
}

Result<std::vector<std::string>> FolderFollower::next(std::chrono::milliseconds longest) {
  const auto end = Clock::now() + longest;
  for (;;) {
    auto whole = state_->look();
    const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(end - Clock::now());
    if (!whole || !whole->empty() || left.count() <= 0) return whole;
    state_->events.wait(std::min(left, state_->files.waiting() ? kWhileWriting : kWhileQuiet));
  }
}

bool FolderFollower::retry(const std::string& path, double later_s) {
  return state_->files.retry(fs::path(path).filename().string(), state_->now_s(), later_s);
}

bool FolderFollower::waiting() const { return state_->files.waiting(); }

}  // namespace starwaist
