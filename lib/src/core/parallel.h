// Work on independent items shared between threads.
#pragma once

#include <algorithm>
#include <atomic>
#include <cstddef>
#include <exception>
#include <mutex>
#include <thread>
#include <vector>

namespace starwaist::core {

// Number of threads meant by a request: 0 or less is all cores.
inline int thread_count(int wanted) {
  return wanted > 0 ? wanted : static_cast<int>(std::max(1U, std::thread::hardware_concurrency()));
}

// Calls body(i) once for each i below `count`, in rising order on each of up to `threads` threads,
// the caller's among them. Which thread takes which item is left to chance: each item writes only
// what is its own, and the result is the same for any number of threads. The first exception of a
// body ends the work and is thrown here.
template <class Body>
void parallel_for(std::size_t count, int threads, Body&& body) {
  std::atomic<std::size_t> next{0};
  std::mutex failing;
  std::exception_ptr failure;
  const auto work = [&] {
    try {
      for (std::size_t i = next++; i < count; i = next++) body(i);
    } catch (...) {
      next = count;
      const std::lock_guard lock(failing);
      if (!failure) failure = std::current_exception();
    }
  };
  {
    std::vector<std::jthread> helpers;
    const std::size_t wanted = std::min(count, static_cast<std::size_t>(std::max(threads, 1)));
    for (std::size_t k = 1; k < wanted; ++k) helpers.emplace_back(work);
    work();
  }
  if (failure) std::rethrow_exception(failure);
}

}  // namespace starwaist::core
