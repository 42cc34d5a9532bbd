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

// Calls body(i, slot) once for each i below `count`, in rising order on each of up to `threads`
// threads, the caller's among them; `slot` numbers the threads from 0, for scratch memory. Which
// thread takes which item is left to chance: each item writes only what is its own, and the result
// is the same for any number of threads. The first exception of a body ends the work and is thrown
// here.
template <class Body>
void parallel_for_slots(std::size_t count, int threads, Body&& body) {
  std::atomic<std::size_t> next{0};
  std::mutex failing;
  std::exception_ptr failure;
  const auto work = [&](std::size_t slot) {
    try {
      for (std::size_t i = next++; i < count; i = next++) body(i, slot);
    } catch (...) {
      next = count;
      const std::lock_guard lock(failing);
      if (!failure) failure = std::current_exception();
    }
  };
  {
    std::vector<std::jthread> helpers;
    const std::size_t wanted = std::min(count, static_cast<std::size_t>(std::max(threads, 1)));
    for (std::size_t k = 1; k < wanted; ++k) helpers.emplace_back(work, k);
    work(0);
  }
  if (failure) std::rethrow_exception(failure);
}

// The same without a slot.
template <class Body>
void parallel_for(std::size_t count, int threads, Body&& body) {
  parallel_for_slots(count, threads, [&](std::size_t i, std::size_t) { body(i); });
}

}  // namespace starwaist::core
