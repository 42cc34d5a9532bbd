// Hand-made answers whose every text and number is known.
#pragma once

#include <cmath>
#include <string>

#include "starwaist/codes.h"
#include "starwaist/run.h"

namespace starwaist::samples {

inline CurvePoint point(const std::string& file, double position, double size) {
  CurvePoint made;
  made.file = file;
  made.position_steps = position;
  made.size_px = size;
  made.sigma_px = 0.05;
  made.stars = 40;
  made.temperature_c = 4.25;
  return made;
}

// Nine points of a hyperbola, best focus 5000; row 4 is rejected.
inline RunAnswer fit() {
  RunAnswer run;
  for (int i = 0; i < 9; ++i) {
    const double position = 4840 + 40 * i;
    run.fit.points.push_back(point("frame_0" + std::to_string(i) + ".fits", position,
                                   std::hypot(2.0, 0.02 * (position - 5000)) + 0.04 * (i % 3 - 1)));
  }
  run.fit.points[3].used = false;
  run.fit.points[3].reason = {codes::off_the_curve, "size 9.00 px is far above the curve"};
  run.fit.points[3].size_px = 9.0;
  ModelFit hyperbola;
  hyperbola.model = CurveModel::hyperbola;
  hyperbola.best_focus_steps = 5000.25;
  hyperbola.best_focus_sigma_steps = 1.5;
  hyperbola.interval_68_steps = {4998.75, 5001.75};
  hyperbola.interval_95_steps = {4997.25, 5003.25};
  hyperbola.min_size_px = 2.0;
  hyperbola.slope_px_per_step = 0.02;
  hyperbola.r_squared = 0.9985;
  hyperbola.reduced_chi_squared = 1.1;
  hyperbola.aicc = -31.5;
  hyperbola.weight = 1.0;
  run.fit.models = {hyperbola};
  run.fit.size_measure = SizeMeasure::hfr;
  run.fit.chosen = CurveModel::hyperbola;
  run.fit.best_focus_steps = 5000.25;
  run.fit.best_focus_sigma_steps = 1.5;
  run.fit.interval_68_steps = {4998.75, 5001.75};
  run.fit.interval_95_steps = {4997.25, 5003.25};
  run.fit.critical_focus_zone_steps = 27.5;
  run.fit.probability_in_zone = 0.995;
  run.fit.approach = Direction::outward;
  run.fit.verdict = Verdict::doubtful;
  run.fit.reasons = {{"a_reason", "a reason with \"quotes\" in it"}};
  run.fit.notes = {{"a_note", "a note"}};
  run.skipped = {{"bad.fits", {codes::file_unsupported, "not a FITS file; leave it out"}}};
  run.rig.f_number = 5;
  run.rig.pixel_um = 3.75;
  run.rig.um_per_step = 2;
  return run;
}

// One frame with a star and one without any, which has every optional value absent.
inline MeasuredRun measurement() {
  MeasuredRun run;
  FrameMeasurement full;
  full.file = "=evil, \"name\".fits";
  full.width_px = 1500;
  full.height_px = 1000;
  full.position_steps = 5120;
  full.temperature_c = 4.25;
  full.filter = "L";
  full.exposure_s = 3;
  full.time_utc = "2027-02-03T20:11:05";
  full.background_adu = 812;
  full.noise_adu = 14.125;
  full.star_count = 1;
  full.saturated_count = 3;
  full.defect_count = 18;
  full.hfr_px = 2.3125;
  full.hfr_sigma_px = 0.03125;
  full.fwhm_px = 4.375;
  full.fwhm_sigma_px = 0.0625;
  full.mean_radius_px = 2.625;
  full.eccentricity = 0.3125;
  full.elongation_angle_deg = 12.5;
  full.elongation_coherence = 0.125;
  full.keywords = {{"position_steps", "FOCUSPOS"}, {"time_utc", "DATE-OBS"}};
  Star star;
  star.x_px = 101.25;
  star.y_px = 77.75;
  star.flux_adu = 51200;
  star.snr = 140;
  star.peak_adu = 9100;
  star.hfr_px = 2.25;
  full.stars = {star};
  FrameMeasurement bare;
  bare.file = "bare.fits";
  bare.width_px = 10;
  bare.height_px = 20;
  bare.remarks = {{"no_star", "no star was found"}};
  run.frames.resize(2);
  run.frames[0].measurement = full;
  run.frames[1].measurement = bare;
  run.skipped = {{"f99.fits", {codes::file_unreadable, "cut short; copy it again"}}};
  return run;
}

}  // namespace starwaist::samples
