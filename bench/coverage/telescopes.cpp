#include "coverage/telescopes.h"

#include <map>
#include <vector>

namespace starwaist::bench::coverage {

Telescope telescope(double focal_ratio, double obstruction, bool kolmogorov, double w040) {
  wave::Optics o;
  o.focal_ratio = focal_ratio;
  o.obstruction = obstruction;
  o.kolmogorov = kolmogorov;
  o.w040_waves = w040;
  o.seeing_hfr_um = 2.0 * kPixelUm;
  Rig rig;
  rig.f_number = focal_ratio;
  rig.obstruction = obstruction;
  rig.pixel_um = kPixelUm;
  rig.um_per_step = 1;
  const double core = o.seeing_hfr_um / (arm_slope_px_per_um(focal_ratio, obstruction, 1));
  const double reach = 6.5 * core + 8 * focal_ratio * focal_ratio * 0.55 * w040;
  wave::Optics worse = o;
  worse.seeing_hfr_um *= 1.03;
  return {o, rig, core, wave::FocusCurve(o, reach), wave::FocusCurve(worse, reach)};
}

const std::vector<Telescope>& telescopes_with(double w040) {
  static std::map<double, std::vector<Telescope>> made;
  std::vector<Telescope>& list = made[w040];
  if (!list.empty()) return list;
  int index = 0;
  for (const double focal_ratio : {4.0, 5.0, 6.0, 8.0}) {
    for (const double obstruction : {0.0, 0.2, 0.35, 0.5}) {
      list.push_back(telescope(focal_ratio, obstruction, index++ % 2 == 0, w040));
    }
  }
  return list;
}

}  // namespace starwaist::bench::coverage
