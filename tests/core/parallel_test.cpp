#include "core/parallel.h"

#include <gtest/gtest.h>

#include <stdexcept>
#include <vector>

namespace starwaist::core {
namespace {

TEST(ParallelFor, EveryItemIsTakenOnceForAnyNumberOfThreads) {
  for (const int threads : {0, 1, 2, 7}) {
    std::vector<int> taken(1000, 0);
    parallel_for(taken.size(), threads, [&](std::size_t i) { ++taken[i]; });
    EXPECT_EQ(taken, std::vector<int>(1000, 1)) << threads;
  }
  parallel_for(0, 4, [](std::size_t) { FAIL() << "there is nothing to do"; });
}

TEST(ParallelFor, SlotsAreBelowTheNumberOfThreads) {
  std::vector<std::size_t> slots(200);
  parallel_for_slots(slots.size(), 3, [&](std::size_t i, std::size_t slot) { slots[i] = slot; });
  for (const std::size_t slot : slots) EXPECT_LT(slot, 3U);
}

TEST(ParallelFor, AnExceptionEndsTheWorkAndReachesTheCaller) {
  EXPECT_THROW(parallel_for(100, 2,
                            [](std::size_t i) {
                              if (i == 5) throw std::runtime_error("item 5");
                            }),
               std::runtime_error);
}

}  // namespace
}  // namespace starwaist::core
