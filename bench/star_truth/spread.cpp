#include "star_truth/spread.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

namespace starwaist::bench::star_truth {

double median_of(std::vector<double> v) {
  if (v.empty()) return std::nan("");
  const auto middle = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), middle, v.end());
  if (v.size() % 2 == 1) return *middle;
  return 0.5 * (*middle + *std::max_element(v.begin(), middle));
}

double robust_sd(const std::vector<double>& v) {
  const double centre = median_of(v);
  std::vector<double> distance;
  distance.reserve(v.size());
  for (const double x : v) distance.push_back(std::abs(x - centre));
  return 1.4826 * median_of(distance);
}

double rms(const std::vector<double>& v) {
  double sum = 0;
  for (const double x : v) sum += x * x;
  return v.empty() ? std::nan("") : std::sqrt(sum / static_cast<double>(v.size()));
}

double sd_about_mean(const std::vector<double>& v) {
  if (v.size() < 2) return 0;
  const auto n = static_cast<double>(v.size());
  double mean = 0;
  for (const double x : v) mean += x / n;
  double sum = 0;
  for (const double x : v) sum += (x - mean) * (x - mean);
  return std::sqrt(sum / (n - 1));
}

double percent(int part, int whole) { return whole == 0 ? std::nan("") : 100.0 * part / whole; }

}  // namespace starwaist::bench::star_truth
