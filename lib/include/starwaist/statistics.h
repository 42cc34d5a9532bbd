// Robust summaries and the quantiles of the distributions that small samples need.
//
// Module: numerics. Includes nothing of the project.
#pragma once

#include <span>
#include <vector>

namespace starwaist {

// Median of the values (mean of the middle two for an even count). Precondition: not empty, no NaN.
double median(std::span<const double> values);

// The value below which the fraction q (0 to 1) of the sample lies, linear between order
// statistics (type 7 of Hyndman & Fan 1996, from memory). Precondition: not empty, no NaN.
double sample_quantile(std::span<const double> values, double q);

// Median and weight such that half of the total weight lies below. Sizes equal, weights >= 0, not
// all zero.
double weighted_median(std::span<const double> values, std::span<const double> weights);

// 1.4826022 * median |v - median(v)|: the standard deviation of a Gaussian sample, blind to up to
// half of the values. 1.4826022 = 1 / Phi^-1(3/4).
double robust_sigma(std::span<const double> values);

// The quantile of Student's t with `degrees_of_freedom` > 0 at probability p in (0, 1).
double student_t_quantile(double probability, double degrees_of_freedom);
double student_t_cdf(double t, double degrees_of_freedom);
double normal_quantile(double probability);
double normal_cdf(double z);
// Fisher's F and chi-squared, upper tail as in 1 - cdf.
double f_quantile(double probability, double numerator_df, double denominator_df);
double f_upper_tail(double f, double numerator_df, double denominator_df);
double chi_squared_upper_tail(double chi_squared, double degrees_of_freedom);

}  // namespace starwaist
