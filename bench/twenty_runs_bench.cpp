// Twenty rendered runs of different optics, from pixels to best focus: how far is the answer from
// the truth, in half zones (2 lambda N^2, lambda 0.55 um), and do the 95 % intervals hold it.
//
// Usage: twenty_runs_bench [--scatter 0.02] [--frames] [--truth] [--seed 1000]
//   --scatter  relative scatter of the seeing from frame to frame
//   --frames   also prints every frame's half-flux radius against the noise-free truth
//   --truth    also fits the noise-free sizes themselves: what is left is the curve model and the
//              seeing's scatter, without the measurement
//   --seed     run k is rendered with this seed plus k
// The runs are fixed before any result is seen; best focus lies anywhere between two positions and
// up to a quarter of the range off the middle.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstring>
#include <string>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/numbers.h"
#include "starwaist/render.h"
#include "starwaist/rig.h"
#include "starwaist/stars.h"

namespace {

using starwaist::CurvePoint;
using starwaist::FitResult;
using starwaist::FrameMeasurement;
using starwaist::MatchedSize;
using starwaist::RenderOptions;
using starwaist::Rig;

struct Setting {
  double f_number;
  double obstruction;
  double focal_length_mm;
  double pixel_um;
  double um_per_step;
  double seeing_arcsec;
  int stars;
  int frames;
  double half_range;  // in widths B = smallest size / slope of the arms
  double off_centre;  // of best focus from the middle of the positions, share of the half range
};

constexpr Setting kSettings[] = {
    {2, 0.4, 400, 3.76, 1.0, 2.4, 150, 9, 3.0, 0.10},
    {2, 0.4, 400, 3.76, 0.5, 3.2, 80, 11, 2.5, -0.21},
    {2, 0.4, 600, 4.63, 1.0, 2.0, 200, 9, 3.5, 0.03},
    {2, 0.4, 250, 2.9, 1.0, 3.5, 120, 10, 3.0, -0.13},
    {2, 0.4, 500, 3.76, 2.0, 2.8, 60, 11, 2.8, 0.24},
    {4, 0.3, 800, 3.76, 2.0, 2.2, 120, 9, 3.0, -0.07},
    {4, 0.25, 600, 2.4, 1.5, 2.8, 90, 11, 2.5, 0.17},
    {4, 0.35, 1000, 5.4, 4.0, 1.9, 150, 9, 3.2, -0.24},
    {4, 0.3, 400, 3.76, 2.0, 3.0, 60, 10, 3.0, 0.06},
    {4, 0.3, 700, 4.63, 3.0, 2.5, 100, 11, 2.7, -0.16},
    {6, 0, 600, 3.76, 4.0, 2.4, 100, 9, 3.0, 0.14},
    {6, 0, 480, 2.4, 3.0, 3.0, 80, 11, 2.6, -0.05},
    {6, 0, 900, 3.76, 5.0, 2.0, 150, 9, 3.3, 0.22},
    {6, 0, 750, 5.4, 4.0, 2.8, 60, 10, 3.0, -0.19},
    {6, 0, 530, 3.76, 2.5, 3.4, 120, 11, 2.8, 0.08},
    {8, 0.33, 1600, 3.76, 8.0, 2.0, 80, 9, 3.0, -0.11},
    {8, 0.33, 2000, 4.63, 6.0, 2.4, 60, 11, 2.5, 0.20},
    {8, 0.2, 1200, 3.76, 10.0, 2.8, 120, 9, 3.2, -0.02},
    {8, 0.33, 1400, 5.4, 8.0, 1.8, 100, 10, 3.0, 0.15},
    {8, 0.25, 1000, 2.9, 5.0, 2.6, 150, 11, 2.8, -0.23},
};

RenderOptions options_of(const Setting& s, double scatter, std::uint64_t seed) {
  RenderOptions o;
  o.f_number = s.f_number;
  o.obstruction = s.obstruction;
  o.focal_length_mm = s.focal_length_mm;
  o.pixel_um = s.pixel_um;
  o.um_per_step = s.um_per_step;
  o.seeing_arcsec = s.seeing_arcsec;
  o.seeing_scatter = scatter;
  o.star_count = s.stars;
  o.width_px = 640;
  o.height_px = 480;
  o.seed = seed;
  // Moffat 3.5: half-flux radius 0.604 of the full width.
  const double size_px =
      0.604 * s.seeing_arcsec / 206265 * s.focal_length_mm * 1000 / s.pixel_um + 0.2;
  const double width_steps =
      size_px /
      (starwaist::arm_slope_px_per_um(s.f_number, s.obstruction, s.pixel_um) * s.um_per_step);
  const double step = std::max(1.0, std::round(2 * s.half_range * width_steps / (s.frames - 1)));
  o.positions_steps = starwaist::evenly_spaced_positions(5000, step, s.frames);
  o.best_focus_steps = 5000 + s.off_centre * 0.5 * step * (s.frames - 1);
  return o;
}

Rig rig_of(const RenderOptions& o) {
  Rig rig;
  rig.f_number = o.f_number;
  rig.obstruction = o.obstruction;
  rig.pixel_um = o.pixel_um;
  rig.um_per_step = o.um_per_step;
  return rig;
}

struct Tally {
  double squares = 0;
  double largest = 0;
  int inside = 0;
  int trusted = 0;
  int answers = 0;

  void add(const FitResult& fit, double truth_steps, double half_zone_steps) {
    if (!fit.best_focus_steps) return;
    const double error = (*fit.best_focus_steps - truth_steps) / half_zone_steps;
    squares += error * error;
    largest = std::max(largest, std::abs(error));
    const auto& [low, high] = fit.interval_95_steps;
    inside += low && high && *low <= truth_steps && truth_steps <= *high ? 1 : 0;
    trusted += fit.verdict == starwaist::Verdict::trusted ? 1 : 0;
    ++answers;
  }

  void print(const char* name) const {
    std::printf(
        "%s: %d answers, rms %.4f, largest %.4f half zones; truth in %d of %d 95 %% "
        "intervals; %d trusted\n",
        name, answers, answers > 0 ? std::sqrt(squares / answers) : 0.0, largest, inside, answers,
        trusted);
  }
};

double error_of(const FitResult& fit, double truth_steps, double half_zone_steps) {
  return fit.best_focus_steps ? (*fit.best_focus_steps - truth_steps) / half_zone_steps : 99.0;
}

}  // namespace

int main(int argc, char** argv) {
  double scatter = 0.02;
  double first_seed = 1000;
  bool show_frames = false;
  bool fit_truth = false;
  for (int i = 1; i < argc; ++i) {
    const bool has_value = i + 1 < argc;
    if (std::strcmp(argv[i], "--frames") == 0) {
      show_frames = true;
    } else if (std::strcmp(argv[i], "--truth") == 0) {
      fit_truth = true;
    } else if (std::strcmp(argv[i], "--scatter") == 0 && has_value) {
      scatter = starwaist::parse_number(argv[++i]).value_or(-1);
    } else if (std::strcmp(argv[i], "--seed") == 0 && has_value) {
      first_seed = starwaist::parse_number(argv[++i]).value_or(-1);
    } else {
      scatter = -1;
    }
  }
  if (!(scatter >= 0 && scatter <= 0.5 && first_seed >= 0 && first_seed < 1e15)) {
    std::fprintf(stderr,
                 "usage: twenty_runs_bench [--scatter 0.02] [--frames] [--truth] [--seed 1000]\n");
    return 2;
  }

  std::printf(
      "run   f/  obst  px um  steps/half zone  HFR px  frames  error  sigma  verdict\n"
      "                                                (half zones)\n");
  Tally measured_tally;
  Tally truth_tally;
  int run = 0;
  for (const Setting& setting : kSettings) {
    const RenderOptions options =
        options_of(setting, scatter, static_cast<std::uint64_t>(first_seed) + run);
    const auto truth = starwaist::render_truth(options);
    if (!truth) {
      std::fprintf(stderr, "run %d: %s\n", run, truth.error().text().c_str());
      return 1;
    }
    std::vector<FrameMeasurement> frames;
    for (int i = 0; i < static_cast<int>(options.positions_steps.size()); ++i) {
      const auto frame = starwaist::render_frame(options, i);
      if (!frame) {
        std::fprintf(stderr, "run %d: %s\n", run, frame.error().text().c_str());
        return 1;
      }
      starwaist::MeasureOptions measure;
      measure.gain_e_per_adu = options.gain_e_per_adu;
      measure.read_noise_e = options.read_noise_e;
      auto measured = starwaist::measure_frame(*frame, measure);
      if (!measured) {
        std::fprintf(stderr, "run %d: %s\n", run, measured.error().text().c_str());
        return 1;
      }
      frames.push_back(std::move(*measured));
    }
    const std::vector<MatchedSize> sizes = starwaist::match_sizes(frames, align_frames(frames));
    std::vector<CurvePoint> points;
    std::vector<CurvePoint> true_points;
    for (std::size_t i = 0; i < sizes.size(); ++i) {
      CurvePoint point;
      point.file = truth->frames[i].file;
      point.position_steps = options.positions_steps[i];
      point.size_px = sizes[i].size_px;
      point.sigma_px = sizes[i].sigma_px;
      point.stars = sizes[i].stars;
      points.push_back(point);
      point.size_px = truth->frames[i].hfr_px;
      true_points.push_back(point);
    }
    const Rig rig = rig_of(options);
    const double half_zone = 0.5 * truth->critical_focus_zone_steps;
    const auto fit = starwaist::fit_curve(points, rig);
    const auto true_fit = starwaist::fit_curve(true_points, rig);
    if (!fit || !true_fit) {
      std::fprintf(stderr, "run %d: %s\n", run, (fit ? true_fit : fit).error().text().c_str());
      return 1;
    }
    measured_tally.add(*fit, truth->best_focus_steps, half_zone);
    truth_tally.add(*true_fit, truth->best_focus_steps, half_zone);
    std::printf("%3d %5.1f %5.2f %6.2f %16.2f %7.2f %7d %+7.4f %6.4f  %s", run, options.f_number,
                options.obstruction, options.pixel_um, half_zone, truth->best_hfr_px,
                static_cast<int>(sizes.size()), error_of(*fit, truth->best_focus_steps, half_zone),
                fit->best_focus_sigma_steps.value_or(99 * half_zone) / half_zone,
                enum_name(fit->verdict).c_str());
    if (fit_truth) {
      std::printf("  noise-free %+.4f", error_of(*true_fit, truth->best_focus_steps, half_zone));
    }
    std::printf("\n");
    for (const auto& reason : fit->reasons) std::printf("      %s\n", reason.text.c_str());
    if (show_frames) {
      for (std::size_t i = 0; i < sizes.size(); ++i) {
        const double true_px = truth->frames[i].hfr_px;
        if (!sizes[i].size_px) {
          std::printf("      %8.0f  true %7.4f px  not measured\n", points[i].position_steps,
                      true_px);
          continue;
        }
        std::printf(
            "      %8.0f  true %7.4f px  measured %+6.2f %%  sigma %5.2f %%  stars %d  "
            "own %+6.2f %%\n",
            points[i].position_steps, true_px, 100 * (*sizes[i].size_px / true_px - 1),
            100 * sizes[i].sigma_px.value_or(0) / true_px, sizes[i].stars,
            100 * (frames[i].hfr_px.value_or(0) / true_px - 1));
      }
    }
    std::fflush(stdout);
    ++run;
  }
  std::printf("seeing scatter %.3f\n", scatter);
  measured_tally.print("from pixels");
  if (fit_truth) truth_tally.print("from the noise-free sizes");
  return 0;
}
