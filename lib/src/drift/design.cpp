#include "drift/design.h"

#include <cmath>
#include <cstddef>

namespace starwaist::drift {

Terms choose_terms(const RunColumns& runs, bool altitude_allowed) {
  Terms terms;
  for (std::size_t f = 0; f < runs.filters.size(); ++f)
    terms.filters.push_back(static_cast<int>(f));
  const auto base = static_cast<Eigen::Index>(1 + terms.filters.size());
  constexpr Eigen::Index kSpareForAltitude = 6;
  constexpr double kAltitudeRange = 10;  // degrees; a smaller range cannot show the term
  if (altitude_allowed && runs.altitude.size() > 0 &&
      runs.altitude.maxCoeff() - runs.altitude.minCoeff() >= kAltitudeRange &&
      runs.count() >= base + 1 + kSpareForAltitude) {
    terms.reference_altitude_deg = std::round(runs.altitude.mean());
  }
  return terms;
}

Design make_design(const RunColumns& runs, const Eigen::VectorXd& temperature, const Terms& terms) {
  Design design;
  Eigen::Index columns = 2;
  if (terms.reference_altitude_deg) design.altitude = columns++;
  design.filter_columns.assign(runs.filters.size(), -1);
  for (std::size_t f = 1; f < terms.filters.size(); ++f) {
    design.filter_columns[static_cast<std::size_t>(terms.filters[f])] = columns++;
  }
  const Eigen::Index first_level = columns;
  columns += static_cast<Eigen::Index>(terms.levels.size());
  design.x = Eigen::MatrixXd::Zero(runs.count(), columns);
  design.x.col(0).setOnes();
  design.x.col(1) = temperature.array() - terms.reference_temperature_c;
  if (design.altitude) {
    design.x.col(*design.altitude) = runs.altitude.array() - *terms.reference_altitude_deg;
  }
  for (Eigen::Index i = 0; i < runs.count(); ++i) {
    const int filter = runs.filter[static_cast<std::size_t>(i)];
    const Eigen::Index column = design.filter_columns[static_cast<std::size_t>(filter)];
    if (column >= 0) design.x(i, column) = 1;
    for (std::size_t k = 0; k < terms.levels.size(); ++k) {
      if (!terms.levels[k].holds(static_cast<std::size_t>(i))) continue;
      design.x(i, first_level + static_cast<Eigen::Index>(k)) = 1;
    }
  }
  return design;
}

}  // namespace starwaist::drift
