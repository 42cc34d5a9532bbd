// Memory for whole frames.
#pragma once

#include <sys/mman.h>

#include <cstddef>
#include <memory>
#include <vector>

#include "core/parallel.h"

namespace starwaist::core {

// `count` zeros. Where the system can, they lie on pages of 2 MiB: a frame's first touch otherwise
// costs one interrupt for every 4 KiB, together as long as reading it; and the threads share that
// first touch. Requests only; without them the vector is the same.
template <class T>
std::vector<T> zeros_on_large_pages(std::size_t count, int threads = 1) {
  std::vector<T> values;
  values.reserve(count);  // not touched yet
#ifdef MADV_HUGEPAGE
  constexpr std::size_t kPage = std::size_t{1} << 21;
  void* first = values.data();
  std::size_t left = count * sizeof(T);
  if (std::align(kPage, kPage, first, left) != nullptr) {
    const std::size_t pages = left / kPage;
    madvise(first, pages * kPage, MADV_HUGEPAGE);
#ifdef MADV_POPULATE_WRITE
    if (threads > 1) {
      parallel_for(pages, threads, [&](std::size_t page) {
        madvise(static_cast<char*>(first) + page * kPage, kPage, MADV_POPULATE_WRITE);
      });
    }
#endif
  }
#endif
  values.resize(count);
  return values;
}

}  // namespace starwaist::core
