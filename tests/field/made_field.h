// Runs of invented stars, without pixels, whose best focus over the field is known.
#pragma once

#include <cmath>
#include <cstdint>
#include <random>
#include <string>
#include <vector>

#include "starwaist/field.h"

namespace starwaist::made {

struct FieldOptions {
  double tilt_x_steps = 0;
  double tilt_y_steps = 0;
  double curvature_steps = 0;
  double core_steps = 40;       // smallest size over arm slope
  double noise = 0.02;          // of each size
  double seeing = 0.04;         // of each frame's smallest size, all stars alike
  double corner_sharpness = 0;  // relative growth of the smallest size towards the corners
  int stars = 80;
  int frames = 9;
  double half_range_steps = 100;
  double centre_steps = 5000;  // of the positions
  double dither_px = 4;
  std::uint64_t seed = 1;
};

struct FieldRun {
  std::vector<FrameMeasurement> frames;
  std::vector<StarTrack> tracks;
  FitResult fit;
};

// Sizes follow h^2 = h0^2 + k^2 (x - f)^2 (variances add), f = 5000 in the middle of the field.
inline FieldRun field_run(const FieldOptions& o) {
  constexpr int kWidth = 1200;
  constexpr int kHeight = 800;
  constexpr double kSmallestPx = 2.0;
  std::mt19937_64 random(o.seed);
  std::normal_distribution<double> normal(0, 1);
  std::uniform_real_distribution<double> uniform(0, 1);
  struct Place {
    double x;
    double y;
    double factor;
  };
  std::vector<Place> places;
  for (int j = 0; j < o.stars; ++j) {
    places.push_back({20 + uniform(random) * (kWidth - 41), 20 + uniform(random) * (kHeight - 41),
                      std::exp(0.03 * normal(random))});
  }
  FieldRun run;
  run.tracks.assign(places.size(), StarTrack(static_cast<std::size_t>(o.frames)));
  for (int i = 0; i < o.frames; ++i) {
    FrameMeasurement frame;
    frame.file = "frame_" + std::to_string(i);
    frame.width_px = kWidth;
    frame.height_px = kHeight;
    frame.position_steps = o.centre_steps + o.half_range_steps * (2.0 * i / (o.frames - 1) - 1);
    const double dx = o.dither_px * normal(random);
    const double dy = o.dither_px * normal(random);
    const double h0 = kSmallestPx * std::exp(o.seeing * normal(random));
    const double typical =
        std::hypot(h0, kSmallestPx * (*frame.position_steps - 5000) / o.core_steps);
    for (std::size_t j = 0; j < places.size(); ++j) {
      const double x = (places[j].x + dx - 0.5 * (kWidth - 1)) / (kWidth - 1);
      const double y = (places[j].y + dy - 0.5 * (kHeight - 1)) / (kHeight - 1);
      const double r2 =
          4 * (x * x * (kWidth - 1) * (kWidth - 1) + y * y * (kHeight - 1) * (kHeight - 1)) /
          ((kWidth - 1.0) * (kWidth - 1) + (kHeight - 1.0) * (kHeight - 1));
      const double focus = 5000 + o.tilt_x_steps * x + o.tilt_y_steps * y + o.curvature_steps * r2;
      const double u = (*frame.position_steps - focus) / o.core_steps;
      const double size =
          std::hypot(h0 * (1 + o.corner_sharpness * r2), kSmallestPx * u) * places[j].factor;
      Star star;
      star.x_px = places[j].x + dx;
      star.y_px = places[j].y + dy;
      star.flux_adu = 1e4;
      star.snr = 60;
      // As measure_frame shows it.
      star.hfr_px =
          typical * std::pow(size / typical, kSizeResponse) * std::exp(o.noise * normal(random));
      star.hfr_sigma_px = o.noise > 0 ? o.noise * size : 1e-4;
      run.tracks[j][static_cast<std::size_t>(i)] = frame.stars.size();
      frame.stars.push_back(star);
    }
    run.frames.push_back(frame);
  }
  const auto sizes = match_sizes(run.frames, align_frames(run.frames));
  std::vector<CurvePoint> points;
  for (std::size_t i = 0; i < run.frames.size(); ++i) {
    CurvePoint point;
    point.file = run.frames[i].file;
    point.position_steps = *run.frames[i].position_steps;
    point.size_px = sizes[i].size_px;
    point.sigma_px = sizes[i].sigma_px;
    points.push_back(point);
  }
  run.fit = *fit_curve(points, Rig{});
  return run;
}

}  // namespace starwaist::made
