// Random numbers whose values do not depend on the standard library: std::normal_distribution and
// std::poisson_distribution may differ between libraries.
//
// Module: render.
#pragma once

#include <array>
#include <cstdint>

namespace starwaist::render {

// xoshiro256++ (Blackman & Vigna 2019, from memory), its state filled by splitmix64. Streams of the
// same seed with different purpose or index are independent for all practical purposes.
class Random {
 public:
  Random(std::uint64_t seed, std::uint64_t purpose, std::uint64_t index);

  std::uint64_t bits();
  double uniform();             // in (0, 1)
  double normal();              // mean 0, standard deviation 1; Marsaglia's polar method
  double poisson(double mean);  // mean >= 0

 private:
  std::array<std::uint64_t, 4> state_{};
  double spare_ = 0;
  bool has_spare_ = false;
};

}  // namespace starwaist::render
