// Fits a curve of known best focus, 5000 steps, by the installed library's public headers alone.
#include <starwaist/curve.h>
#include <starwaist/report.h>

#include <cmath>
#include <cstdio>
#include <vector>

int main() {
  std::vector<starwaist::CurvePoint> points;
  for (int i = -4; i <= 4; ++i) {
    starwaist::CurvePoint point;
    point.file = "row " + std::to_string(i + 5);
    point.position_steps = 5000 + 40 * i;
    point.size_px = std::hypot(2.0, 0.02 * 40 * i) * (i % 2 == 0 ? 1.002 : 0.998);
    point.sigma_px = 0.01;
    points.push_back(point);
  }
  starwaist::Rig rig;
  rig.f_number = 5;
  rig.pixel_um = 3.76;
  rig.um_per_step = 2;
  const auto fit = starwaist::fit_curve(points, rig, {.model = starwaist::CurveModel::hyperbola});
  if (!fit || !fit->best_focus_steps || std::abs(*fit->best_focus_steps - 5000) > 1) {
    std::puts("wrong best focus");
    return 1;
  }
  const auto json = starwaist::fit_json({.fit = *fit, .skipped = {}, .rig = rig});
  if (!json) return 1;
  std::puts(json->c_str());
  return 0;
}
