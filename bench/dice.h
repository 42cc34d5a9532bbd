// What made-up runs are drawn with: the same numbers from the same seed.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <iterator>
#include <random>

namespace starwaist::bench {

class Dice {
 public:
  explicit Dice(std::uint64_t seed) : engine_(seed) {}
  double between(double low, double high) {
    return low + (high - low) * (static_cast<double>(engine_() >> 11) * 0x1p-53);
  }
  double log_between(double low, double high) {
    return std::exp(between(std::log(low), std::log(high)));
  }
  bool chance(double probability) { return between(0, 1) < probability; }
  template <class List>
  const auto& pick(const List& list) {
    return list[static_cast<std::size_t>(between(0, 1) * static_cast<double>(std::size(list)))];
  }

  double normal() { return normal_(engine_); }

 private:
  std::mt19937_64 engine_;
  std::normal_distribution<double> normal_;
};

}  // namespace starwaist::bench
