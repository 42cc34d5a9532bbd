#include "starwaist/statistics.h"

#include <algorithm>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/fisher_f.hpp>
#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <cstddef>
#include <numeric>

#include "numerics/robust.h"

namespace starwaist {

double median(std::span<const double> values) {
  std::vector<double> copy(values.begin(), values.end());
  const auto middle = copy.begin() + static_cast<std::ptrdiff_t>(copy.size() / 2);
  std::nth_element(copy.begin(), middle, copy.end());
  if (copy.size() % 2 == 1) return *middle;
  return 0.5 * (*middle + *std::max_element(copy.begin(), middle));
}

double sample_quantile(std::span<const double> values, double q) {
  std::vector<double> copy(values.begin(), values.end());
  const double place = std::clamp(q, 0.0, 1.0) * static_cast<double>(copy.size() - 1);
  const auto below = static_cast<std::size_t>(place);
  const auto at_below = copy.begin() + static_cast<std::ptrdiff_t>(below);
  std::nth_element(copy.begin(), at_below, copy.end());
  const double next =
      below + 1 < copy.size() ? *std::min_element(at_below + 1, copy.end()) : *at_below;
  return std::lerp(*at_below, next, place - static_cast<double>(below));
}

double weighted_median(std::span<const double> values, std::span<const double> weights) {
  std::vector<std::size_t> order(values.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::sort(order.begin(), order.end(),
            [&](std::size_t a, std::size_t b) { return values[a] < values[b]; });
  const double half = 0.5 * std::accumulate(weights.begin(), weights.end(), 0.0);
  double below = 0;
  for (std::size_t i = 0; i < order.size(); ++i) {
    below += weights[order[i]];
    if (below > half) return values[order[i]];
    if (below == half && i + 1 < order.size()) {
      return 0.5 * (values[order[i]] + values[order[i + 1]]);
    }
  }
  return values[order.back()];
}

double robust_sigma(std::span<const double> values) {
  const double centre = median(values);
  std::vector<double> deviations(values.size());
  std::transform(values.begin(), values.end(), deviations.begin(),
                 [centre](double v) { return std::abs(v - centre); });
  return numerics::sigma_of_distances(deviations);
}

double student_t_quantile(double probability, double degrees_of_freedom) {
  return quantile(boost::math::students_t(degrees_of_freedom), probability);
}

double student_t_cdf(double t, double degrees_of_freedom) {
  return cdf(boost::math::students_t(degrees_of_freedom), t);
}

double normal_quantile(double probability) { return quantile(boost::math::normal(), probability); }

double normal_cdf(double z) { return cdf(boost::math::normal(), z); }

double f_quantile(double probability, double numerator_df, double denominator_df) {
  return quantile(boost::math::fisher_f(numerator_df, denominator_df), probability);
}

double f_upper_tail(double f, double numerator_df, double denominator_df) {
  return cdf(complement(boost::math::fisher_f(numerator_df, denominator_df), f));
}

double chi_squared_upper_tail(double chi_squared, double degrees_of_freedom) {
  return cdf(complement(boost::math::chi_squared(degrees_of_freedom), chi_squared));
}

}  // namespace starwaist
