#include "report/child_process.h"

#include <fcntl.h>
#include <poll.h>
#include <spawn.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <string_view>
#include <utility>

#include "core/replace_file.h"

extern char** environ;

namespace starwaist::report {

namespace {

class Descriptor {
 public:
  Descriptor() = default;
  explicit Descriptor(int fd) : fd_(fd) {}
  ~Descriptor() { reset(); }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  Descriptor(Descriptor&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
  Descriptor& operator=(Descriptor&& other) noexcept {
    reset();
    fd_ = std::exchange(other.fd_, -1);
    return *this;
  }
  void reset() {
    if (fd_ >= 0) ::close(fd_);
    fd_ = -1;
  }
  [[nodiscard]] int get() const { return fd_; }
  [[nodiscard]] bool open() const { return fd_ >= 0; }

 private:
  int fd_ = -1;
};

struct Channel {
  Descriptor ours;
  Descriptor theirs;
};

// A pair of sockets rather than a pipe: send() can be told not to raise SIGPIPE.
bool make_channel(Channel& channel) {
  int ends[2];
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0) return false;
  channel.ours = Descriptor(ends[0]);
  channel.theirs = Descriptor(ends[1]);
  return true;
}

// The environment with LC_ALL=C, so that numbers are read and written with a point.
std::vector<std::string> plain_environment() {
  std::vector<std::string> variables;
  for (char** entry = environ; entry != nullptr && *entry != nullptr; ++entry) {
    const std::string_view variable(*entry);
    if (variable.substr(0, 3) != "LC_" && variable.substr(0, 5) != "LANG=") {
      variables.emplace_back(variable);
    }
  }
  variables.emplace_back("LC_ALL=C");
  return variables;
}

std::vector<char*> pointers(std::vector<std::string>& texts) {
  std::vector<char*> result;
  result.reserve(texts.size() + 1);
  for (auto& text : texts) result.push_back(text.data());
  result.push_back(nullptr);
  return result;
}

// Takes what is there; closes at the end of the stream.
void drain(Descriptor& from, std::string& into) {
  std::array<char, 65536> buffer{};
  const ssize_t got = ::read(from.get(), buffer.data(), buffer.size());
  if (got > 0) {
    into.append(buffer.data(), static_cast<std::size_t>(got));
  } else if (got == 0 || (errno != EINTR && errno != EAGAIN)) {
    from.reset();
  }
}

void feed(Descriptor& to, std::string_view& input) {
  const ssize_t sent = ::send(to.get(), input.data(), input.size(), MSG_NOSIGNAL | MSG_DONTWAIT);
  if (sent > 0) {
    input.remove_prefix(static_cast<std::size_t>(sent));
  } else if (sent < 0 && errno != EINTR && errno != EAGAIN) {
    input = {};  // the child stopped reading; its exit status says why
  }
  if (input.empty()) to.reset();
}

int wait_for(pid_t child) {
  int status = 0;
  while (::waitpid(child, &status, 0) < 0) {
    if (errno != EINTR) return 127;
  }
  return WIFSIGNALED(status) ? 128 + WTERMSIG(status) : WEXITSTATUS(status);
}

}  // namespace

Result<ChildOutput> run_child(const std::vector<std::string>& arguments, const std::string& input,
                              std::chrono::seconds limit) {
  const std::string& name = arguments.front();
  Channel in;
  Channel out;
  Channel err;
  if (!make_channel(in) || !make_channel(out) || !make_channel(err)) {
    return fail(ErrorCode::unreadable, name + ": cannot be run: " + core::system_words(errno));
  }
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, in.theirs.get(), STDIN_FILENO);
  posix_spawn_file_actions_adddup2(&actions, out.theirs.get(), STDOUT_FILENO);
  posix_spawn_file_actions_adddup2(&actions, err.theirs.get(), STDERR_FILENO);
  std::vector<std::string> argument_texts = arguments;
  std::vector<std::string> variable_texts = plain_environment();
  const std::vector<char*> argv = pointers(argument_texts);
  const std::vector<char*> envp = pointers(variable_texts);
  pid_t child = -1;
  const int trouble =
      ::posix_spawnp(&child, name.c_str(), &actions, nullptr, argv.data(), envp.data());
  posix_spawn_file_actions_destroy(&actions);
  if (trouble != 0) {
    return fail(ErrorCode::not_found, name + ": cannot be run: " + core::system_words(trouble));
  }
  in.theirs.reset();
  out.theirs.reset();
  err.theirs.reset();

  ChildOutput output;
  std::string_view left = input;
  if (left.empty()) in.ours.reset();
  const auto deadline = std::chrono::steady_clock::now() + limit;
  while (in.ours.open() || out.ours.open() || err.ours.open()) {
    // poll() passes over negative descriptors.
    std::array<pollfd, 3> waiting{
        {{in.ours.get(), POLLOUT, 0}, {out.ours.get(), POLLIN, 0}, {err.ours.get(), POLLIN, 0}}};
    const auto remaining = std::chrono::duration_cast<std::chrono::milliseconds>(
        deadline - std::chrono::steady_clock::now());
    if (remaining.count() <= 0) {
      ::kill(child, SIGKILL);
      wait_for(child);
      return fail(ErrorCode::unreadable,
                  name + ": did not finish within " + std::to_string(limit.count()) + " s");
    }
    if (::poll(waiting.data(), waiting.size(), static_cast<int>(remaining.count())) <= 0) continue;
    if (waiting[0].revents != 0) feed(in.ours, left);
    if (waiting[1].revents != 0) drain(out.ours, output.out);
    if (waiting[2].revents != 0) drain(err.ours, output.err);
  }
  output.exit_status = wait_for(child);
  return output;
}

}  // namespace starwaist::report
