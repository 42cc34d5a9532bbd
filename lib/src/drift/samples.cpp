#include "drift/samples.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>

#include "core/clock.h"
#include "starwaist/statistics.h"

namespace starwaist::drift {

namespace {

std::vector<std::size_t> order_as_taken(std::span<const DriftRun> runs,
                                        const std::vector<bool>& usable,
                                        std::vector<std::optional<double>>& seconds) {
  std::vector<std::size_t> order;
  bool timed = true;
  for (std::size_t i = 0; i < runs.size(); ++i) {
    if (!usable[i]) continue;
    order.push_back(i);
    if (runs[i].time_utc) seconds[i] = core::parse_utc(*runs[i].time_utc);
    timed = timed && seconds[i].has_value();
  }
  if (timed) {
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return *seconds[a] < *seconds[b]; });
  }
  return order;
}

void name_filters(std::span<const DriftRun> runs, Samples& samples) {
  std::map<std::optional<std::string>, int> counts;
  for (const std::size_t i : samples.run) ++counts[runs[i].filter];
  for (const auto& [name, count] : counts) samples.filters.push_back(name);
  std::stable_sort(samples.filters.begin(), samples.filters.end(),
                   [&](const auto& a, const auto& b) { return counts[a] > counts[b]; });
  std::map<std::optional<std::string>, int> place;
  for (std::size_t f = 0; f < samples.filters.size(); ++f) {
    place[samples.filters[f]] = static_cast<int>(f);
  }
  for (const std::size_t i : samples.run) samples.filter.push_back(place[runs[i].filter]);
}

}  // namespace

Samples sort_samples(std::span<const DriftRun> runs, const std::vector<bool>& usable) {
  Samples samples;
  std::vector<std::optional<double>> seconds(runs.size());
  samples.run = order_as_taken(runs, usable, seconds);
  const auto n = static_cast<Eigen::Index>(samples.run.size());
  samples.position.resize(n);
  samples.temperature.resize(n);
  samples.sigma_squared = Eigen::VectorXd::Zero(n);
  std::vector<double> known;
  bool timed = n > 0;
  bool with_altitude = n > 0;
  for (Eigen::Index i = 0; i < n; ++i) {
    const DriftRun& run = runs[samples.run[static_cast<std::size_t>(i)]];
    samples.position[i] = run.position_steps;
    samples.temperature[i] = *run.temperature_c;
    if (run.sigma_steps) known.push_back(*run.sigma_steps);
    timed = timed && seconds[samples.run[static_cast<std::size_t>(i)]].has_value();
    with_altitude = with_altitude && run.altitude_deg.has_value();
  }
  if (!known.empty()) {
    const double usual = median(known);
    samples.unknown_sigmas = static_cast<int>(n) - static_cast<int>(known.size());
    for (Eigen::Index i = 0; i < n; ++i) {
      const double sigma =
          runs[samples.run[static_cast<std::size_t>(i)]].sigma_steps.value_or(usual);
      samples.sigma_squared[i] = sigma * sigma;
    }
  }
  name_filters(runs, samples);
  samples.night_starts = {0};
  if (timed) {
    samples.seconds.resize(n);
    const double first = *seconds[samples.run.front()];
    for (Eigen::Index i = 0; i < n; ++i) {
      samples.seconds[i] = *seconds[samples.run[static_cast<std::size_t>(i)]] - first;
      if (i > 0 && samples.seconds[i] - samples.seconds[i - 1] > kNightGapSeconds) {
        samples.night_starts.push_back(static_cast<std::size_t>(i));
      }
    }
  }
  if (with_altitude) {
    samples.altitude.resize(n);
    for (Eigen::Index i = 0; i < n; ++i) {
      samples.altitude[i] = *runs[samples.run[static_cast<std::size_t>(i)]].altitude_deg;
    }
  }
  return samples;
}

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
std::optional<double> first_rate(const Samples& s, std::size_t begin, std::size_t end) {
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

Eigen::VectorXd followed(const Samples& s, double lag, const std::vector<double>& rates) {
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

TubeTemperature tube_temperature(const Samples& samples, double lag_seconds) {
  std::vector<double> rates(samples.night_starts.size(), 0.0);
  std::vector<std::size_t> unknown;
  double sum = 0;
  for (std::size_t night = 0; night < rates.size(); ++night) {
    const auto rate = first_rate(samples, samples.night_starts[night], samples.night_end(night));
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
  tube.temperature = followed(samples, lag_seconds, rates);
  tube.start_deviation.resize(samples.count());
  for (std::size_t night = 0; night < rates.size(); ++night) {
    const auto begin = static_cast<Eigen::Index>(samples.night_starts[night]);
    for (auto i = begin; i < static_cast<Eigen::Index>(samples.night_end(night)); ++i) {
      tube.start_deviation[i] =
          lag_seconds * std::abs(rates[night]) / std::sqrt(12.0) *
          std::exp(-(samples.seconds[i] - samples.seconds[begin]) / lag_seconds);
    }
  }
  return tube;
}

Design make_design(const Samples& samples, const Eigen::VectorXd& temperature,
                   const DesignOptions& options) {
  Design design;
  Eigen::Index columns = 2;
  if (options.reference_altitude_deg) design.altitude = columns++;
  design.filter_columns.assign(samples.filters.size(), -1);
  for (std::size_t f = 1; f < options.filters.size(); ++f) {
    design.filter_columns[static_cast<std::size_t>(options.filters[f])] = columns++;
  }
  design.x = Eigen::MatrixXd::Zero(samples.count(), columns);
  design.x.col(0).setOnes();
  design.x.col(1) = temperature.array() - options.reference_temperature_c;
  if (design.altitude) {
    design.x.col(*design.altitude) = samples.altitude.array() - *options.reference_altitude_deg;
  }
  for (Eigen::Index i = 0; i < samples.count(); ++i) {
    const int filter = samples.filter[static_cast<std::size_t>(i)];
    const Eigen::Index column = design.filter_columns[static_cast<std::size_t>(filter)];
    if (column >= 0) design.x(i, column) = 1;
  }
  return design;
}

std::vector<std::size_t> rows_that(const std::vector<bool>& flags, bool value) {
  std::vector<std::size_t> rows;
  for (std::size_t i = 0; i < flags.size(); ++i) {
    if (flags[i] == value) rows.push_back(i);
  }
  return rows;
}

Eigen::MatrixXd rows_of(const Eigen::MatrixXd& matrix, const std::vector<std::size_t>& keep) {
  Eigen::MatrixXd rows(static_cast<Eigen::Index>(keep.size()), matrix.cols());
  for (std::size_t i = 0; i < keep.size(); ++i) {
    rows.row(static_cast<Eigen::Index>(i)) = matrix.row(static_cast<Eigen::Index>(keep[i]));
  }
  return rows;
}

Eigen::VectorXd rows_of(const Eigen::VectorXd& vector, const std::vector<std::size_t>& keep) {
  Eigen::VectorXd rows(static_cast<Eigen::Index>(keep.size()));
  for (std::size_t i = 0; i < keep.size(); ++i) {
    rows[static_cast<Eigen::Index>(i)] = vector[static_cast<Eigen::Index>(keep[i])];
  }
  return rows;
}

}  // namespace starwaist::drift
