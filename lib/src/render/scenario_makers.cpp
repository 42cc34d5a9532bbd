#include "render/scenario_makers.h"

#include <algorithm>
#include <numbers>

#include "render/scene.h"
#include "starwaist/rig.h"

namespace starwaist::render {

namespace {

double from_magnitudes(double magnitudes) { return std::pow(10.0, -0.4 * magnitudes); }

Made make_slack(Making& run) {
  const double least = 0.6 * run.scale.width_um / run.options.um_per_step;
  run.options.slack_steps = run.strength * std::max(1.2 * run.step_steps(), least);
  return {run.options.slack_steps, "steps", "free play that the first moves had to take up"};
}

Made make_no_motion(Making& run) {
  const auto count = static_cast<double>(run.frames());
  const auto stuck =
      static_cast<std::size_t>(std::clamp(std::round(count * run.strength / 3), 2.0, count));
  const std::size_t first = run.frames() - stuck;
  // A mechanism that never moves stands where it was left: somewhere near focus.
  const double stays = stuck == run.frames() ? run.options.best_focus_steps +
                                                   (2.4 * run.random.uniform() - 1.2) *
                                                       run.scale.width_um / run.options.um_per_step
                                             : run.options.positions_steps[first - 1];
  std::vector<double>& offsets = run.filled(&RenderOptions::focus_offset_um, 0);
  for (std::size_t i = first; i < run.frames(); ++i) {
    offsets[i] += (stays - run.options.positions_steps[i]) * run.options.um_per_step;
  }
  return {static_cast<double>(stuck) / count, "", "share of the frames before which nothing moved"};
}

Made make_focus_jump(Making& run) {
  const double jump_um = run.sign() * 0.6 * run.strength * run.scale.width_um;
  // Between 0.3 and 0.7 of the run, and not in its very middle, so that the truth is one or the
  // other focus.
  const std::size_t count = run.frames();
  auto first = static_cast<std::size_t>(
      std::lround((0.3 + 0.4 * run.random.uniform()) * static_cast<double>(count)));
  first = std::clamp<std::size_t>(first, 1, count - 1);
  if (2 * first == count) ++first;
  std::vector<double>& drift = run.filled(&RenderOptions::focus_drift_um, 0);
  for (std::size_t i = first; i < count; ++i) drift[i] += jump_um;
  return {jump_um / run.options.um_per_step, "steps", "jump of best focus between two frames"};
}

Made make_passing_cloud(Making& run) {
  const double magnitudes = 0.4 * run.strength;
  const auto centre = std::floor(run.random.uniform() * static_cast<double>(run.frames()));
  const double width = 0.5 + 0.7 * run.random.uniform();  // in frames, of a Gaussian
  std::vector<double>& transmission = run.filled(&RenderOptions::transmission, 1);
  std::vector<double>& sky = run.filled(&RenderOptions::sky_factor, 1);
  for (std::size_t i = 0; i < run.frames(); ++i) {
    const double away = (static_cast<double>(i) - centre) / width;
    const double thickness = std::exp(-0.5 * away * away);
    transmission[i] *= from_magnitudes(magnitudes * thickness);
    sky[i] *= 1 + 0.2 * run.strength * thickness;
  }
  return {magnitudes, "mag", "light lost in the darkest frame"};
}

Made make_fogging(Making& run) {
  const double magnitudes = 0.5 * run.strength;
  std::vector<double>& transmission = run.filled(&RenderOptions::transmission, 1);
  std::vector<double>& seeing = run.filled(&RenderOptions::seeing_factor, 1);
  for (std::size_t i = 0; i < run.frames(); ++i) {
    transmission[i] *= from_magnitudes(magnitudes * run.progress(i));
    seeing[i] *= 1 + 0.25 * run.strength * run.progress(i);
  }
  return {magnitudes, "mag", "light lost by the last frame"};
}

Made make_few_stars(Making& run) {
  RenderOptions& o = run.options;
  // Best signal-to-noise of a star in focus: over 4 pi sigma^2 pixels (King 1983, from memory),
  // sigma = half-flux radius / 1.1774 of a Gaussian.
  const double sigma_px = run.scale.smallest_px / 1.1774;
  const double noise_e = std::sqrt(4 * std::numbers::pi * sigma_px * sigma_px *
                                   (o.sky_electrons + o.read_noise_e * o.read_noise_e));
  const auto light_for = [&](double snr) {
    return 0.5 * snr * (snr + std::sqrt(snr * snr + 4 * noise_e * noise_e));
  };
  if (run.random.uniform() < 0.5) {
    o.star_count = std::max(1, static_cast<int>(std::round(4 / run.strength)));
    o.brightest_electrons = light_for(30 / std::sqrt(run.strength));
    o.faintest_electrons = 0.5 * o.brightest_electrons;
    return {static_cast<double>(o.star_count), "", "stars in the field"};
  }
  const double snr = 12 / run.strength;
  o.brightest_electrons = light_for(snr);
  o.faintest_electrons = 0.1 * o.brightest_electrons;
  return {snr, "", "signal-to-noise of the brightest star in focus"};
}

Made make_saturation(Making& run) {
  RenderOptions& o = run.options;
  const double full_e = (o.saturation_adu - o.bias_adu) * o.gain_e_per_adu;
  const double clipped_from_e =
      std::max(full_e - o.sky_electrons, 0.1 * full_e) / run.scale.peak_share;
  const double median_e = electrons_of_a_star(o, 0.5);
  const double longer = std::max(1.0, clipped_from_e * run.strength / median_e);
  o.faintest_electrons *= longer;
  // Stars that would drown the whole frame are not chosen for focusing.
  o.brightest_electrons =
      std::max(1.5 * o.faintest_electrons,
               std::min(longer * o.brightest_electrons, 100 * run.strength * clipped_from_e));
  o.sky_electrons = std::max(o.sky_electrons, std::min(o.sky_electrons * longer, 0.2 * full_e));
  int clipped = 0;
  const std::vector<RenderedStar> stars = field_of(o);
  for (const RenderedStar& star : stars) clipped += star.electrons >= clipped_from_e ? 1 : 0;
  return {
      static_cast<double>(clipped) / static_cast<double>(std::max<std::size_t>(stars.size(), 1)),
      "", "share of the stars that are clipped in focus"};
}

Made make_defects(Making& run) {
  RenderOptions& o = run.options;
  const double each = 1.5 * run.strength;
  o.hot_pixels =
      std::max(o.hot_pixels, static_cast<int>(std::ceil(each * std::max(o.star_count, 10))));
  o.hot_neighbour_share = std::max(o.hot_neighbour_share, 0.1);
  return {each, "", "hot pixels with warm neighbours for each star"};
}

Made make_image_motion(Making& run) {
  // 0.6 of a full width is the half-flux radius of a Moffat profile of 3.5.
  const double length_px = run.strength * run.scale.smallest_px / 0.6;
  const double fixed_deg = 180 * run.random.uniform();
  const auto kind = static_cast<int>(3 * run.random.uniform());
  std::vector<std::size_t> order(run.frames());
  for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
  for (std::size_t i = order.size(); i-- > 1;) {
    const auto other = static_cast<std::size_t>(run.random.uniform() * static_cast<double>(i + 1));
    std::swap(order[i], order[other]);
  }
  if (kind == 0) {  // tracking: all frames, the same way
    std::vector<double>& trail = run.filled(&RenderOptions::trail_px, 0);
    run.options.trail_angles_deg.assign(run.frames(), fixed_deg);
    for (double& length : trail) length = length_px * std::exp(0.1 * run.random.normal());
    return {length_px, "px", "trails in all frames, the same way"};
  }
  order.resize(std::max<std::size_t>(2, order.size() / 3));
  if (kind == 1) {  // wind, a cable: some frames, any way
    std::vector<double>& trail = run.filled(&RenderOptions::trail_px, 0);
    std::vector<double>& angles =
        run.filled(&RenderOptions::trail_angles_deg, run.options.trail_angle_deg);
    for (const std::size_t i : order) {
      trail[i] = 1.5 * length_px * std::exp(0.2 * run.random.normal());
      angles[i] = 180 * run.random.uniform();
    }
    return {1.5 * length_px, "px", "trails in a third of the frames, any way"};
  }
  // Footsteps: some frames, round. A trail of length L has an rms of L / sqrt(12) along it.
  const double shake_px = 1.5 * length_px / std::sqrt(12.0);
  std::vector<double>& shake = run.filled(&RenderOptions::shake_px, 0);
  for (const std::size_t i : order) shake[i] = shake_px * std::exp(0.2 * run.random.normal());
  return {shake_px, "px", "round shaking in a third of the frames, rms along each axis"};
}

Made make_thermal_drift(Making& run) {
  RenderOptions& o = run.options;
  const double drift_um = run.strength * run.scale.half_zone_um;
  if (o.focus_um_per_c == 0) {
    // An aluminium tube as long as the focal length (23.6e-6 per degree, from memory), or what
    // makes a half zone of 3 degrees where that is more. It shortens as it cools: focus moves in
    // and the sensor has to follow.
    constexpr double kAluminium = 23.6e-6;
    o.focus_um_per_c = std::max(kAluminium * o.focal_length_mm * 1000, run.scale.half_zone_um / 3);
  }
  const double cooling_c = drift_um / std::abs(o.focus_um_per_c);
  std::vector<double>& temperatures = run.filled(&RenderOptions::temperatures_c, o.temperature_c);
  for (std::size_t i = 0; i < run.frames(); ++i) {
    temperatures[i] += cooling_c * (0.5 - run.progress(i));
  }
  return {drift_um / o.um_per_step, "steps", "move of best focus over the run"};
}

Made make_extended(Making& run) {
  RenderOptions& o = run.options;
  const double each = 0.6 * run.strength;
  o.extended_objects = std::max(3, static_cast<int>(std::round(each * o.star_count)));
  o.extended_radius_px = std::max(3.0, 2 * run.scale.smallest_px);
  if (run.random.uniform() < 0.5) o.bright_core_electrons = 10 * o.brightest_electrons;
  return {each, "", "galaxies and knots for each star"};
}

Made make_background_change(Making& run) {
  const double rise = 0.5 * run.strength;
  const bool lamp = run.random.uniform() < 0.5;
  const bool falling = run.random.uniform() < 0.5;  // dusk, or a lamp that is put out
  const double way = run.sign();
  const auto from = 0.2 + 0.6 * run.random.uniform();
  std::vector<double>& sky = run.filled(&RenderOptions::sky_factor, 1);
  std::vector<double>& gradients =
      run.filled(&RenderOptions::sky_gradients, run.options.sky_gradient);
  for (std::size_t i = 0; i < run.frames(); ++i) {
    const double along = falling ? 1 - run.progress(i) : run.progress(i);
    const double part = lamp ? (along >= from ? 1.0 : 0.0) : along;
    // Twilight brightens by the same factor from frame to frame.
    sky[i] *= lamp ? 1 + rise * part : std::pow(1 + rise, part);
    gradients[i] = std::clamp(
        gradients[i] + way * std::min((lamp ? 0.6 : 0.3) * run.strength, 1.5) * part, -1.9, 1.9);
  }
  return {100 * rise, "%", lamp ? "step of the sky's level" : "steady change of the sky's level"};
}

Made make_tilt(Making& run) {
  const double steps = 2 * run.strength * run.scale.half_zone_um / run.options.um_per_step;
  const double angle = 2 * std::numbers::pi * run.random.uniform();
  run.options.tilt_x_steps += steps * std::cos(angle);
  run.options.tilt_y_steps += steps * std::sin(angle);
  return {steps, "steps", "best focus at one edge less that at the other"};
}

Made make_curvature(Making& run) {
  const double steps =
      run.sign() * 2 * run.strength * run.scale.half_zone_um / run.options.um_per_step;
  run.options.curvature_steps += steps;
  return {steps, "steps", "best focus at the corners less that at the centre"};
}

Made make_miscollimation(Making& run) {
  RenderOptions& o = run.options;
  const double offset = 0.15 * run.strength;
  double farthest_um = 0;
  for (const double position : o.positions_steps) {
    farthest_um = std::max(farthest_um, std::abs(position - o.best_focus_steps) * o.um_per_step);
  }
  // Coma moves the light of the rim rho by 4 N W131 rho^2: rays land at 2 N W131 rho^2 (2 + cos 2a,
  // sin 2a) beside their place. The shadow's centre less the donut's is 4 N W131 (1 - e^2), the
  // donut's radius dz / (2 N).
  const double w131_um = offset * farthest_um / (2 * o.f_number) /
                         (4 * o.f_number * (1 - o.obstruction * o.obstruction));
  o.aberrations.coma_w131_waves = w131_um / kReferenceWavelengthUm;
  o.aberrations.coma_angle_deg = 360 * run.random.uniform() - 180;
  return {offset, "", "shadow off centre in the most defocused frame, in donut radii"};
}

Made make_bad_seeing(Making& run) {
  run.options.seeing_arcsec *= 1 + run.strength;
  return {run.options.seeing_arcsec, "arcsec", "seeing, full width at half maximum"};
}

constexpr std::pair<std::string_view, Maker> kMakers[] = {
    {"slack", make_slack},
    {"no_motion", make_no_motion},
    {"focus_jump", make_focus_jump},
    {"passing_cloud", make_passing_cloud},
    {"fogging", make_fogging},
    {"few_stars", make_few_stars},
    {"saturation", make_saturation},
    {"defects_as_stars", make_defects},
    {"image_motion", make_image_motion},
    {"thermal_drift", make_thermal_drift},
    {"extended_objects", make_extended},
    {"background_change", make_background_change},
    {"field_tilt", make_tilt},
    {"field_curvature", make_curvature},
    {"miscollimation", make_miscollimation},
    {"bad_seeing", make_bad_seeing},
};

}  // namespace

std::span<const std::pair<std::string_view, Maker>> scenario_makers() { return kMakers; }

}  // namespace starwaist::render
