// Runs as tables, with sizes by wave optics (support/wave_optics.h, apart from the library).
#pragma once

#include <cmath>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "starwaist/diagnosis.h"
#include "support/wave_optics.h"

namespace starwaist::testing_support {

// A telescope of f/5 with 3.76 um pixels; half-flux radius in focus about 2 px.
struct Telescope {
  wave::Optics optics{5, 0.33, 0.55, 0.3, 7.5, true};
  double pixel_um = 3.76;
  double um_per_step = 2;
  double best_focus_steps = 5000;
  wave::FocusCurve curve{optics, 700};

  [[nodiscard]] double half_zone_steps() const { return 2 * 0.55 * 25 / um_per_step; }
  // Distance from focus at which the arms reach the smallest size.
  [[nodiscard]] double core_steps() const {
    const double slope = std::sqrt((1 + 0.33 * 0.33) / 2) / (2 * 5.0);
    return curve.at(curve.best_um()) / slope / um_per_step;
  }
  [[nodiscard]] double size_px(double place_steps) const {
    return curve.at((place_steps - best_focus_steps) * um_per_step + curve.best_um()) / pixel_um;
  }
  [[nodiscard]] Rig rig() const {
    Rig r;
    r.f_number = 5;
    r.obstruction = 0.33;
    r.pixel_um = pixel_um;
    r.um_per_step = um_per_step;
    return r;
  }
};

inline const Telescope& telescope() {
  static const Telescope made;
  return made;
}

struct TableRun {
  std::vector<double> commanded;  // in the order taken
  std::vector<double> places;     // where the focus was; empty: as commanded
  double seeing_scatter = 0.015;  // relative, of the seeing
  double measuring_error = 0.01;  // relative, of a size
  bool with_sigma = true;
  bool with_rig = true;
  std::vector<PointFacts> facts;  // empty: nothing known

  // n positions out to `reach` widths of the curve on both sides of centre_steps.
  static TableRun sweep(int n, double reach, double centre_steps = telescope().best_focus_steps) {
    TableRun run;
    const double half_range = reach * telescope().core_steps();
    for (int i = 0; i < n; ++i) {
      run.commanded.push_back(std::round(centre_steps + half_range * (2.0 * i / (n - 1) - 1)));
    }
    run.places = run.commanded;
    run.facts.resize(run.commanded.size());
    return run;
  }

  [[nodiscard]] RunRecord record(unsigned seed) const {
    std::mt19937_64 random(seed);
    std::normal_distribution<double> normal;
    const Telescope& t = telescope();
    RunRecord r;
    std::vector<CurvePoint> points;
    for (std::size_t i = 0; i < commanded.size(); ++i) {
      CurvePoint p;
      p.file = "row " + std::to_string(i + 1);
      p.position_steps = commanded[i];
      const double u = (places[i] - t.best_focus_steps) / t.core_steps();
      const double size = t.size_px(places[i]);
      p.size_px = size * (1 + seeing_scatter / (1 + u * u) * normal(random) +
                          measuring_error * normal(random));
      if (with_sigma) p.sigma_px = measuring_error * size;
      p.stars = facts[i].stars;
      p.temperature_c = facts[i].temperature_c;
      points.push_back(p);
    }
    if (with_rig) r.rig = t.rig();
    r.fit = *fit_curve(points, r.rig);
    r.facts = facts;
    return r;
  }
};

inline const Finding* found(const Diagnosis& diagnosis, const std::string& cause) {
  for (const Finding& finding : diagnosis.findings) {
    if (finding.cause == cause) return &finding;
  }
  return nullptr;
}

inline std::optional<double> setting(const Finding& finding, const std::string& name) {
  for (const auto& [key, value] : finding.settings) {
    if (key == name) return value;
  }
  return std::nullopt;
}

}  // namespace starwaist::testing_support
