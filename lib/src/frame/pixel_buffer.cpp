#include <cassert>
#include <cmath>
#include <cstddef>
#include <limits>
#include <type_traits>
#include <utility>

#include "starwaist/frame.h"

namespace starwaist {

namespace {

// Writes zero + scale * stored for a run of pixels. Scale 1 and zero 0 are the usual case of float
// files, scale 1 and a small whole zero that of integer files; both loops then vectorize.
template <class Stored>
void convert(const Stored* stored, std::span<float> out, double scale, double zero) {
  const std::size_t count = out.size();
  if constexpr (std::is_same_v<Stored, std::uint16_t>) {
    constexpr double kLargestExactShift = 1 << 23;  // sums stay below 2^24, exact as float
    if (scale == 1.0 && zero == std::floor(zero) && std::abs(zero) < kLargestExactShift) {
      const int shift = static_cast<int>(zero);
      for (std::size_t i = 0; i < count; ++i) {
        out[i] = static_cast<float>(static_cast<int>(stored[i]) + shift);
      }
      return;
    }
  }
  if (scale == 1.0 && zero == 0.0) {
    for (std::size_t i = 0; i < count; ++i) out[i] = static_cast<float>(stored[i]);
    return;
  }
  for (std::size_t i = 0; i < count; ++i) {
    out[i] = static_cast<float>(zero + scale * static_cast<double>(stored[i]));
  }
}

}  // namespace

PixelBuffer::PixelBuffer(int width_px, int height_px, Storage stored, double scale, double zero)
    : width_px_(width_px),
      height_px_(height_px),
      stored_(std::move(stored)),
      scale_(scale),
      zero_(zero) {
  assert(width_px >= 0 && height_px >= 0);
  assert(std::visit([](const auto& values) { return values.size(); }, stored_) ==
         static_cast<std::size_t>(width_px) * static_cast<std::size_t>(height_px));
}

double PixelBuffer::at(int x_px, int y_px) const {
  assert(x_px >= 0 && x_px < width_px_ && y_px >= 0 && y_px < height_px_);
  const std::size_t index = static_cast<std::size_t>(y_px) * static_cast<std::size_t>(width_px_) +
                            static_cast<std::size_t>(x_px);
  const double value =
      std::visit([&](const auto& values) { return static_cast<double>(values[index]); }, stored_);
  const double physical = zero_ + scale_ * value;
  return std::isfinite(physical) ? physical : std::numeric_limits<double>::quiet_NaN();
}

void PixelBuffer::read_row(int y_px, int x_begin_px, std::span<float> out) const {
  assert(y_px >= 0 && y_px < height_px_ && x_begin_px >= 0);
  assert(static_cast<std::size_t>(x_begin_px) + out.size() <= static_cast<std::size_t>(width_px_));
  const std::size_t index = static_cast<std::size_t>(y_px) * static_cast<std::size_t>(width_px_) +
                            static_cast<std::size_t>(x_begin_px);
  std::visit([&](const auto& values) { convert(values.data() + index, out, scale_, zero_); },
             stored_);
  // A double beyond float's range would become infinite; it has no float value.
  constexpr double kLargestStored = std::numeric_limits<std::uint16_t>::max();
  if (std::holds_alternative<std::vector<std::uint16_t>>(stored_) &&
      std::abs(zero_) + std::abs(scale_) * kLargestStored < std::numeric_limits<float>::max()) {
    return;
  }
  for (float& value : out) {
    if (!std::isfinite(value)) value = std::numeric_limits<float>::quiet_NaN();
  }
}

}  // namespace starwaist
