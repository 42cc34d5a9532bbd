// What a command guards its outputs against is what it reads: it looks into a folder once.
#include <gtest/gtest.h>
#include <sys/inotify.h>
#include <unistd.h>

#include <array>
#include <cstddef>
#include <cstring>
#include <string>

#include "cli/call_program.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing_support::call;
using testing_support::TemporaryFolder;
using testing_support::Words;

// Counts how often a folder is opened, as the system reports it.
class Looks {
 public:
  explicit Looks(const std::string& folder) : file_(inotify_init1(IN_NONBLOCK | IN_CLOEXEC)) {
    // With the closings between them, openings are not reported as one.
    watch_ = inotify_add_watch(file_, folder.c_str(), IN_OPEN | IN_CLOSE_NOWRITE | IN_ONLYDIR);
  }
  ~Looks() { close(file_); }
  Looks(const Looks&) = delete;
  Looks& operator=(const Looks&) = delete;
  [[nodiscard]] bool works() const { return watch_ >= 0; }

  // Since the last call.
  int count() {
    int opened = 0;
    alignas(inotify_event) std::array<char, 16384> buffer{};
    for (;;) {
      const ssize_t bytes = ::read(file_, buffer.data(), buffer.size());
      if (bytes <= 0) return opened;
      for (std::ptrdiff_t at = 0; at < bytes;) {
        inotify_event event{};
        std::memcpy(&event, buffer.data() + at, sizeof event);
        at += static_cast<std::ptrdiff_t>(sizeof event + event.len);
        // The folder itself has no name in it.
        opened += event.len == 0 && (event.mask & IN_OPEN) != 0 ? 1 : 0;
      }
    }
  }

 private:
  int file_;
  int watch_;
};

class LookOnce : public testing::Test {
 protected:
  void SetUp() override {
    folder_.write("sizes.csv",
                  "position,hfr,sigma\n4900,2.83,0.02\n4950,2.25,0.02\n4975,2.07,0.02\n"
                  "5000,2.00,0.02\n5025,2.05,0.02\n5050,2.24,0.02\n5100,2.82,0.02\n");
  }
  TemporaryFolder folder_;
};

TEST_F(LookOnce, EveryCommandThatReadsRunsDoes) {
  const std::string input = folder_.path().string();
  const Words rig = {"--f-number", "5", "--pixel-um", "3.76", "--um-per-step", "2"};
  Looks looks(input);
  ASSERT_TRUE(looks.works());
  for (const std::string command : {"fit", "diagnose", "plan", "backlash"}) {
    Words words = {command, input, "--json", "-"};
    words.insert(words.end(), rig.begin(), rig.end());
    const auto answer = call(words);
    EXPECT_LE(answer.status, 1) << command << answer.err;
    EXPECT_EQ(looks.count(), 1) << command;
  }
  // These want frames; that there are none is found by the same one look.
  for (const std::string command : {"measure", "field", "night"}) {
    EXPECT_EQ(call({command, input}).status, 3) << command;
    EXPECT_EQ(looks.count(), 1) << command;
  }
}

}  // namespace
}  // namespace starwaist
