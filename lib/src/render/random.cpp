#include "render/random.h"

#include <cmath>

namespace starwaist::render {

namespace {

std::uint64_t splitmix(std::uint64_t& state) {
  state += 0x9e3779b97f4a7c15ULL;
  std::uint64_t z = state;
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9ULL;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebULL;
  return z ^ (z >> 31);
}

std::uint64_t rotated(std::uint64_t x, int by) { return (x << by) | (x >> (64 - by)); }

// ln k! by Stirling's series, good to 1e-11 for k >= 10; a product below.
double log_factorial(double k) {
  if (k < 10) {
    double product = 1;
    for (int i = 2; i <= static_cast<int>(k); ++i) product *= i;
    return std::log(product);
  }
  constexpr double kHalfLog2Pi = 0.91893853320467274178;
  const double inverse = 1 / (k + 1);
  const double square = inverse * inverse;
  return (k + 0.5) * std::log(k + 1) - (k + 1) + kHalfLog2Pi +
         inverse * (1.0 / 12 - square * (1.0 / 360 - square * (1.0 / 1260 - square / 1680)));
}

}  // namespace

Random::Random(std::uint64_t seed, std::uint64_t purpose, std::uint64_t index) {
  std::uint64_t mixer = seed;
  mixer = splitmix(mixer) ^ (purpose * 0xd1342543de82ef95ULL);
  mixer = splitmix(mixer) ^ (index * 0xaf251af3b0f025b5ULL);
  for (std::uint64_t& word : state_) word = splitmix(mixer);
}

std::uint64_t Random::bits() {
  const std::uint64_t result = rotated(state_[0] + state_[3], 23) + state_[0];
  const std::uint64_t t = state_[1] << 17;
  state_[2] ^= state_[0];
  state_[3] ^= state_[1];
  state_[1] ^= state_[2];
  state_[0] ^= state_[3];
  state_[2] ^= t;
  state_[3] = rotated(state_[3], 45);
  return result;
}

double Random::uniform() { return (static_cast<double>(bits() >> 11) + 0.5) * 0x1.0p-53; }

double Random::normal() {
  if (has_spare_) {
    has_spare_ = false;
    return spare_;
  }
  double u = 0;
  double v = 0;
  double s = 0;
  do {
    u = 2 * uniform() - 1;
    v = 2 * uniform() - 1;
    s = u * u + v * v;
  } while (s >= 1 || s == 0);
  const double factor = std::sqrt(-2 * std::log(s) / s);
  spare_ = v * factor;
  has_spare_ = true;
  return u * factor;
}

double Random::poisson(double mean) {
  if (!(mean > 0)) return 0;
  if (mean < 10) {  // counting arrivals
    const double limit = std::exp(-mean);
    double product = uniform();
    double count = 0;
    while (product > limit) {
      product *= uniform();
      ++count;
    }
    return count;
  }
  // Transformed rejection PTRS (Hoermann 1993, Insurance: Math. and Economics 12, 39; from memory).
  const double log_mean = std::log(mean);
  const double b = 0.931 + 2.53 * std::sqrt(mean);
  const double a = -0.059 + 0.02483 * b;
  const double inverse_alpha = 1.1239 + 1.1328 / (b - 3.4);
  const double v_r = 0.9277 - 3.6224 / (b - 2);
  while (true) {
    const double u = uniform() - 0.5;
    const double v = uniform();
    const double us = 0.5 - std::abs(u);
    const double k = std::floor((2 * a / us + b) * u + mean + 0.43);
    if (us >= 0.07 && v <= v_r) return k;
    if (k < 0 || (us < 0.013 && v > us)) continue;
    if (std::log(v * inverse_alpha / (a / (us * us) + b)) <=
        k * log_mean - mean - log_factorial(k)) {
      return k;
    }
  }
}

}  // namespace starwaist::render
