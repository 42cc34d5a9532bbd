// Runs a command once and prints one line: its wall time in seconds, the most memory it held in
// bytes, and the processor time it took in seconds. Its standard output goes to nowhere.
//
// Usage: run_timed COMMAND [ARGUMENT...]
#include <fcntl.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <cstdio>

int main(int argc, char** argv) {
  if (argc < 2) {
    std::fprintf(stderr, "usage: run_timed COMMAND [ARGUMENT...]\n");
    return 2;
  }
  const auto begin = std::chrono::steady_clock::now();
  const pid_t child = fork();
  if (child < 0) {
    std::perror("fork");
    return 3;
  }
  if (child == 0) {
    const int nowhere = open("/dev/null", O_WRONLY | O_CLOEXEC);
    if (nowhere >= 0) dup2(nowhere, STDOUT_FILENO);
    execvp(argv[1], argv + 1);
    std::perror(argv[1]);
    _exit(127);
  }
  int status = 0;
  rusage used{};
  if (wait4(child, &status, 0, &used) != child) {
    std::perror("wait4");
    return 3;
  }
  const std::chrono::duration<double> wall_s = std::chrono::steady_clock::now() - begin;
  const auto seconds = [](const timeval& t) {
    return static_cast<double>(t.tv_sec) + 1e-6 * static_cast<double>(t.tv_usec);
  };
  std::printf("%.6f %lld %.6f\n", wall_s.count(), static_cast<long long>(used.ru_maxrss) * 1024,
              seconds(used.ru_utime) + seconds(used.ru_stime));
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128;
}
