#include "drift/tube_temperature.h"

#include <cmath>
#include <numeric>
#include <vector>

namespace starwaist::drift {

std::optional<double> slope_of(std::span<const double> x, std::span<const double> y) {
  if (x.size() < 2) return std::nullopt;
  const auto n = static_cast<double>(x.size());
  const double mean_x = std::accumulate(x.begin(), x.end(), 0.0) / n;
  const double mean_y = std::accumulate(y.begin(), y.end(), 0.0) / n;
  double xx = 0;
  double xy = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    xx += (x[i] - mean_x) * (x[i] - mean_x);
    xy += (x[i] - mean_x) * (y[i] - mean_y);
  }
  if (!(xx > 0)) return std::nullopt;
  return xy / xx;
}

namespace {

// Degrees per second in the first hour of a night, at least over three runs.
std::optional<double> first_rate(const RunColumns& s, std::size_t begin, std::size_t end) {
  constexpr double kFirstHour = 3600;
  constexpr double kShortest = 300;
  std::size_t last = begin + 1;
  while (last < end && (last < begin + 3 || s.seconds[static_cast<Eigen::Index>(last)] -
                                                    s.seconds[static_cast<Eigen::Index>(begin)] <
                                                kFirstHour)) {
    ++last;
  }
  const auto* seconds = s.seconds.data();
  const auto* temperature = s.temperature.data();
  if (!(seconds[last - 1] - seconds[begin] > kShortest)) return std::nullopt;
  return slope_of({seconds + begin, last - begin}, {temperature + begin, last - begin});
}

Eigen::VectorXd followed(const RunColumns& s, double lag, const std::vector<double>& rates) {
  Eigen::VectorXd tube(s.count());
  for (std::size_t night = 0; night < s.night_starts.size(); ++night) {
    const auto begin = static_cast<Eigen::Index>(s.night_starts[night]);
    const auto end = static_cast<Eigen::Index>(s.night_end(night));
    tube[begin] = s.temperature[begin] - 0.5 * lag * rates[night];
    for (Eigen::Index i = begin + 1; i < end; ++i) {
      const double time = s.seconds[i] - s.seconds[i - 1];
      if (!(time > 0)) {
        tube[i] = tube[i - 1];
        continue;
      }
      // Exact for air that changes evenly: the tube runs behind by rate times lag.
      const double behind = lag * (s.temperature[i] - s.temperature[i - 1]) / time;
      tube[i] = s.temperature[i] - behind +
                (tube[i - 1] - s.temperature[i - 1] + behind) * std::exp(-time / lag);
    }
  }
  return tube;
}

}  // namespace

TubeTemperature tube_temperature(const RunColumns& columns, double lag_seconds) {
  std::vector<double> rates(columns.night_starts.size(), 0.0);
  std::vector<std::size_t> unknown;
  double sum = 0;
  for (std::size_t night = 0; night < rates.size(); ++night) {
    const auto rate = first_rate(columns, columns.night_starts[night], columns.night_end(night));
    if (rate) {
      rates[night] = *rate;
      sum += *rate;
    } else {
      unknown.push_back(night);
    }
  }
  // A night of a single run: the usual rate of the others.
  for (const std::size_t night : unknown) {
    if (rates.size() > unknown.size()) {
      rates[night] = sum / static_cast<double>(rates.size() - unknown.size());
    }
  }
  TubeTemperature tube;
  tube.temperature = followed(columns, lag_seconds, rates);
  tube.start_deviation.resize(columns.count());
  for (std::size_t night = 0; night < rates.size(); ++night) {
    const auto begin = static_cast<Eigen::Index>(columns.night_starts[night]);
    for (auto i = begin; i < static_cast<Eigen::Index>(columns.night_end(night)); ++i) {
      tube.start_deviation[i] =
          lag_seconds * std::abs(rates[night]) / std::sqrt(12.0) *
          std::exp(-(columns.seconds[i] - columns.seconds[begin]) / lag_seconds);
    }
  }
  return tube;
}

}  // namespace starwaist::drift
