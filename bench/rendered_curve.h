// Focus curves by wave optics of module render, for the benches of advice: half-flux radii over
// defocus, tabulated once a telescope for two seeings, so that runs cost nothing.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <future>
#include <string>
#include <vector>

#include "starwaist/render.h"
#include "starwaist/rig.h"

namespace starwaist::bench {

// Cubic between nodes that lie close where the curve bends and wide in its arms: equal steps of
// asinh(z / bend).
class Table {
 public:
  Table() = default;
  // `values` at z = place(i), i from 0, the middle one at 0.
  Table(double bend, double step, std::vector<double> values)
      : bend_(bend), step_(step), values_(std::move(values)) {}
  static double place(double bend, double step, int from_middle) {
    return bend * std::sinh(step * from_middle);
  }
  [[nodiscard]] double at(double z) const {
    const double place =
        std::asinh(z / bend_) / step_ + 0.5 * static_cast<double>(values_.size() - 1);
    const auto last = static_cast<double>(values_.size() - 3);
    const auto i = static_cast<std::size_t>(std::min(std::max(std::floor(place), 1.0), last));
    const double s = place - static_cast<double>(i);
    const double a = values_[i - 1], b = values_[i], c = values_[i + 1], d = values_[i + 2];
    return b + 0.5 * s * (c - a + s * (2 * a - 5 * b + 4 * c - d + s * (3 * (b - c) + d - a)));
  }

 private:
  double bend_ = 1;
  double step_ = 1;
  std::vector<double> values_;
};

struct Telescope {
  std::string name;
  Rig rig;
  double core_steps = 1;  // smallest size over the slope of the arms
  Table size;             // px, over um of defocus
  Table seeing_share;     // d ln size / d ln seeing
  [[nodiscard]] double size_px(double defocus_steps) const {
    return size.at(defocus_steps * *rig.um_per_step);
  }
  [[nodiscard]] double share(double defocus_steps) const {
    return seeing_share.at(defocus_steps * *rig.um_per_step);
  }
};

struct TelescopeOptions {
  double f_number = 5;
  double focal_length_mm = 500;
  double obstruction = 0.3;
  double pixel_um = 3.76;
  double um_per_step = 1;
  double seeing_arcsec = 3;
  double reach_cores = 8;
};

inline double rendered_size(const RenderOptions& options, double defocus_um, double seeing) {
  const auto spread = point_spread(options, defocus_um, seeing);
  if (!spread) {
    std::fprintf(stderr, "%s\n", spread.error().text().c_str());
    std::exit(1);
  }
  return half_flux_radius_px(*spread);
}

inline Telescope telescope(const TelescopeOptions& t) {
  RenderOptions o;
  o.f_number = t.f_number;
  o.focal_length_mm = t.focal_length_mm;
  o.obstruction = t.obstruction;
  o.pixel_um = t.pixel_um;
  o.um_per_step = t.um_per_step;
  o.seeing_profile = SeeingProfile::kolmogorov;
  Telescope out;
  out.rig.f_number = t.f_number;
  out.rig.focal_length_mm = t.focal_length_mm;
  out.rig.obstruction = t.obstruction;
  out.rig.pixel_um = t.pixel_um;
  out.rig.um_per_step = t.um_per_step;
  out.rig.seeing_arcsec = t.seeing_arcsec;
  char name[120];
  std::snprintf(name, sizeof name, "f/%g %g mm e %.2f %.1f\" %g um/step", t.f_number,
                t.focal_length_mm, t.obstruction, t.seeing_arcsec, t.um_per_step);
  out.name = name;
  const double smallest = rendered_size(o, 0, t.seeing_arcsec);
  const double core_um = smallest / arm_slope_px_per_um(t.f_number, t.obstruction, t.pixel_um);
  out.core_steps = core_um / t.um_per_step;
  // A sixth of a core apart near focus: with a half the cubic between them is half a per cent off.
  const double bend = 2 * core_um;
  constexpr double kStep = 1.0 / 12;
  const int half = static_cast<int>(std::ceil(std::asinh(0.5 * t.reach_cores) / kStep));
  constexpr double kWider = 1.03;
  std::vector<double> sizes(static_cast<std::size_t>(2 * half + 1));
  std::vector<double> shares(sizes.size());
  for (int i = 0; i <= half; ++i) {
    const double z = Table::place(bend, kStep, i);  // without aberrations the curve is even
    const double size = rendered_size(o, z, t.seeing_arcsec);
    const double wider = rendered_size(o, z, t.seeing_arcsec * kWider);
    const double share = std::log(wider / size) / std::log(kWider);
    sizes[static_cast<std::size_t>(half + i)] = sizes[static_cast<std::size_t>(half - i)] = size;
    shares[static_cast<std::size_t>(half + i)] = shares[static_cast<std::size_t>(half - i)] = share;
  }
  out.size = Table(bend, kStep, sizes);
  out.seeing_share = Table(bend, kStep, shares);
  return out;
}

// All at once, on all cores.
inline std::vector<Telescope> rendered(const std::vector<TelescopeOptions>& list) {
  std::vector<std::future<Telescope>> pending;
  pending.reserve(list.size());
  for (const TelescopeOptions& t : list) {
    pending.push_back(std::async(std::launch::async, [t] { return telescope(t); }));
  }
  std::vector<Telescope> out;
  out.reserve(list.size());
  for (auto& p : pending) out.push_back(p.get());
  return out;
}

// From f/2 to f/10, 0.3 to 12 um a step, seeing 1.5 to 5 arcsec. Invented.
inline std::vector<TelescopeOptions> telescopes() {
  return {{2.0, 400, 0.45, 3.76, 0.3, 3.0},  {2.8, 300, 0.0, 3.76, 1.2, 5.0},
          {4.0, 800, 0.30, 3.76, 2.0, 2.5},  {5.0, 500, 0.0, 3.76, 4.0, 3.5},
          {6.0, 900, 0.20, 4.63, 1.0, 1.5},  {8.0, 1600, 0.33, 4.63, 6.0, 2.0},
          {10.0, 2000, 0.35, 9.0, 12.0, 4.0}};
}

}  // namespace starwaist::bench
