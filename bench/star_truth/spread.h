// Middle and spread of lists of numbers; NaN for none.
#pragma once

#include <vector>

namespace starwaist::bench::star_truth {

double median_of(std::vector<double> v);
double robust_sd(const std::vector<double>& v);  // 1.4826 times the median distance
double rms(const std::vector<double>& v);
double sd_about_mean(const std::vector<double>& v);  // 0 where one value says nothing
double percent(int part, int whole);

}  // namespace starwaist::bench::star_truth
