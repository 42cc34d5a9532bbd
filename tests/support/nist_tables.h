// Linear problems of NIST's Statistical Reference Datasets, as the package gretl-data installs
// them, and how well an answer agrees with a certified one.
#pragma once

#include <cmath>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

namespace starwaist::testing_support {

inline double matching_digits(double value, double certified) {
  const double error = std::abs(value - certified) / std::abs(certified);
  return error > 0 ? -std::log10(error) : 15.0;
}

inline std::string nist_path(const std::string& name) {
  return "/usr/share/gretl/data/nist/" + name + ".dat";
}

struct NistTable {
  std::vector<double> x;
  std::vector<double> y;
};

// Two numbers a line after the last line that begins with "Data:"; empty where there is no file.
inline NistTable read_nist(const std::string& name) {
  std::ifstream file(nist_path(name));
  NistTable table;
  std::string line;
  while (std::getline(file, line)) {
    if (line.rfind("Data:", 0) == 0) table = {};
    std::istringstream words(line);
    double y = 0;
    double x = 0;
    if (words >> y >> x) {
      table.y.push_back(y);
      table.x.push_back(x);
    }
  }
  return table;
}

}  // namespace starwaist::testing_support
