// Memory for whole frames.
#pragma once

#include <sys/mman.h>

#include <cstddef>
#include <cstdint>
#include <vector>

namespace starwaist::core {

// `count` zeros. Where the system can, they lie on pages of 2 MiB: a frame's first touch otherwise
// costs one interrupt for every 4 KiB, together as long as reading it. A request only; without it
// the vector is the same.
template <class T>
std::vector<T> zeros_on_large_pages(std::size_t count) {
  std::vector<T> values;
  values.reserve(count);  // not touched yet
#ifdef MADV_HUGEPAGE
  constexpr std::uintptr_t kPage = std::uintptr_t{1} << 21;
  const auto begin = reinterpret_cast<std::uintptr_t>(values.data());
  const std::uintptr_t first = (begin + kPage - 1) / kPage * kPage;
  const std::uintptr_t last = (begin + count * sizeof(T)) / kPage * kPage;
  if (first < last) madvise(reinterpret_cast<void*>(first), last - first, MADV_HUGEPAGE);
#endif
  values.resize(count);
  return values;
}

}  // namespace starwaist::core
