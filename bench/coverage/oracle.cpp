#include "coverage/oracle.h"

#include <algorithm>
#include <cmath>
#include <random>

namespace starwaist::bench::coverage {

double Oracle::told_which_error() const {
  return good_fit(t_.bad, t_.sigma(s_.seeing_scatter))->mean[0];
}

double Oracle::told_number_error() const {
  Sum sum;
  std::vector<std::size_t> set;
  const auto count = static_cast<std::size_t>(s_.outliers);
  add_sets(set, 0, count, count, t_.sigma(s_.seeing_scatter), sum);
  return sum.moment / sum.weight;
}

double Oracle::learning_error() const {
  Sum sum;
  std::vector<std::size_t> set;
  for (const double scatter : {0.01, 0.0143, 0.0204, 0.03, 0.042, 0.06}) {
    add_sets(set, 0, 0, static_cast<std::size_t>(s_.outliers) + 1, t_.sigma(scatter), sum);
  }
  return sum.moment / sum.weight;
}

std::optional<Oracle::Normal> Oracle::good_fit(const std::vector<std::size_t>& bad,
                                               const std::vector<double>& sigma) const {
  Eigen::Matrix3d information = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  Normal normal;
  normal.log_density = 0;
  for (std::size_t i = 0; i < t_.rows.size(); ++i) {
    if (std::find(bad.begin(), bad.end(), i) != bad.end()) continue;
    const Eigen::Vector3d row = Eigen::Vector3d(t_.rows[i].data()) / sigma[i];
    const double deviation = t_.deviation[i] / sigma[i];
    information += row * row.transpose();
    right += row * deviation;
    normal.log_density -= 0.5 * deviation * deviation + std::log(sigma[i]);
  }
  const Eigen::LLT<Eigen::Matrix3d> factor(information);
  if (factor.info() != Eigen::Success) return std::nullopt;
  normal.mean = factor.solve(right);
  normal.root = factor.matrixL().transpose().solve(Eigen::Matrix3d::Identity());
  const double good = static_cast<double>(t_.rows.size() - bad.size());
  normal.log_density += 0.5 * right.dot(normal.mean) -
                        Eigen::Matrix3d(factor.matrixL()).diagonal().array().log().sum() -
                        0.5 * (good - 3) * std::log(2 * M_PI);
  return normal;
}

double Oracle::bad_density(double d) const {
  const auto phi = [](double x) { return 0.5 * std::erfc(-x / std::sqrt(2.0)); };
  const auto larger = [&](double x) { return phi(x - s_.outlier_low) - phi(x - s_.outlier_high); };
  const double width = s_.outlier_high - s_.outlier_low;
  return (s_.only_larger ? larger(d) : 0.5 * (larger(d) + larger(-d))) / width;
}

void Oracle::add_sets(std::vector<std::size_t>& set, std::size_t from, std::size_t fewest,
                      std::size_t most, const std::vector<double>& sigma, Sum& sum) const {
  if (set.size() >= fewest) add(set, sigma, sum);
  if (set.size() == most) return;
  for (std::size_t i = from; i < t_.rows.size(); ++i) {
    set.push_back(i);
    add_sets(set, i + 1, fewest, most, sigma, sum);
    set.pop_back();
  }
}

void Oracle::add(const std::vector<std::size_t>& bad, const std::vector<double>& sigma,
                 Sum& sum) const {
  const auto normal = good_fit(bad, sigma);
  if (!normal) return;
  const double share = static_cast<double>(s_.outliers) / s_.n;
  const double scale = std::exp(normal->log_density) *
                       std::pow(share / (1 - share), static_cast<double>(bad.size())) /
                       static_cast<double>(draws().size());
  for (const Eigen::Vector3d& draw : draws()) {
    const Eigen::Vector3d p = normal->mean + normal->root * draw;
    double weight = scale;
    for (const std::size_t i : bad) {
      const double d = t_.deviation[i] - Eigen::Vector3d(t_.rows[i].data()).dot(p);
      weight *= bad_density(d / sigma[i]) / sigma[i];
    }
    sum.weight += weight;
    sum.moment += weight * p[0];
  }
}

const std::vector<Eigen::Vector3d>& Oracle::draws() {
  static const auto made = [] {
    std::mt19937_64 random(7);
    std::normal_distribution<double> normal;
    std::vector<Eigen::Vector3d> list;
    for (int i = 0; i < 20; ++i) {
      const Eigen::Vector3d d(normal(random), normal(random), normal(random));
      list.push_back(d);
      list.emplace_back(-d);  // so that their mean is none
    }
    return list;
  }();
  return made;
}

}  // namespace starwaist::bench::coverage
