#include "advice/sweep_error.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <vector>

#include "curve/priors.h"

namespace starwaist::advice {
namespace {

// The frames' rows and weights, and how much of the seeing each keeps of the one before.
class Sweep {
 public:
  Sweep(const curve::Shape& shape, std::span<const TimedFrame> frames, const SweepNoise& noise)
      : noise_(noise) {
    for (std::size_t i = 0; i < frames.size(); ++i) {
      rows_.push_back(size_row(shape, frames[i].u));
      weights_.push_back(1 / variance_of(rows_.back(), noise.frame));
      all_.add(rows_.back(), weights_.back());
      const double pause = i == 0 ? 0 : frames[i].time_s - frames[i - 1].time_s;
      kept_.push_back(noise.memory_s > 0 ? std::exp(-pause / noise.memory_s) : 0);
    }
  }

  [[nodiscard]] std::size_t count() const { return rows_.size(); }

  // Without the frame `lost` where there is one.
  [[nodiscard]] std::optional<double> variance(std::optional<std::size_t> lost) const {
    Information rest = all_;
    if (lost) rest.add(rows_[*lost], -weights_[*lost]);
    const auto focus = rest.solved({1, 0, 0});
    if (!focus) return std::nullopt;
    const double cost = fit_cost(static_cast<int>(lost ? count() - 1 : count()));
    return cost * cost * by_noise(*focus, lost) + by_lopsidedness(rest, lost);
  }

 private:
  using Parameters = std::array<double, 3>;

  [[nodiscard]] double by_noise(const Parameters& focus, std::optional<std::size_t> lost) const {
    double variance = 0;
    double carried = 0;  // what the seeing of the frames before still does
    for (std::size_t i = 0; i < count(); ++i) {
      carried *= kept_[i];
      if (lost && i == *lost) continue;
      // By how much best focus moves with ln size here.
      const double says = weights_[i] * product(focus, rows_[i].by_parameter);
      const double measuring = says * noise_.frame.measuring;
      const double seeing = says * noise_.frame.seeing * rows_[i].by_seeing;
      variance += measuring * measuring + seeing * (seeing + 2 * carried);
      carried += seeing;
    }
    return variance;
  }

  // Beside what the frames themselves say of it, by the usual one.
  [[nodiscard]] double by_lopsidedness(const Information& rest,
                                       std::optional<std::size_t> lost) const {
    Parameters along{};
    double known = 1 / (curve::kLopsidedShare * curve::kLopsided * curve::kLopsided);
    for (std::size_t i = 0; i < count(); ++i) {
      if (lost && i == *lost) continue;
      const double weighted = weights_[i] * rows_[i].by_lopsidedness;
      for (std::size_t k = 0; k < 3; ++k) along[k] += weighted * rows_[i].by_parameter[k];
      known += weighted * rows_[i].by_lopsidedness;
    }
    const auto taken_for = rest.solved(along);  // the parameters' change that looks like it
    if (!taken_for) return 0;
    const double left = std::max(known - product(*taken_for, along), 0.0);
    return left > 0 ? (*taken_for)[0] * (*taken_for)[0] / left : 0;
  }

  static double product(const Parameters& a, const Parameters& b) {
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  }

  SweepNoise noise_;
  std::vector<SizeRow> rows_;
  std::vector<double> weights_;
  std::vector<double> kept_;
  Information all_;
};

}  // namespace

std::optional<SweepVariances> sweep_variances(const curve::Shape& shape,
                                              std::span<const TimedFrame> frames,
                                              const SweepNoise& noise, int lost_every) {
  const Sweep sweep(shape, frames, noise);
  const auto whole = sweep.variance(std::nullopt);
  if (!whole) return std::nullopt;
  SweepVariances variances{*whole, 0};
  int tried = 0;
  for (std::size_t i = 0; i < sweep.count(); i += static_cast<std::size_t>(lost_every)) {
    const auto without = sweep.variance(i);
    if (!without) return std::nullopt;
    variances.one_lost += *without;
    ++tried;
  }
  variances.one_lost /= tried;
  return variances;
}

std::optional<double> sweep_variance(const curve::Shape& shape, std::span<const TimedFrame> frames,
                                     const SweepNoise& noise) {
  return Sweep(shape, frames, noise).variance(std::nullopt);
}

}  // namespace starwaist::advice
