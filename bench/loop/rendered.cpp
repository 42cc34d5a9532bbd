// Loops from rendered frames.
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <numbers>
#include <string>
#include <vector>

#include "loop/focuser.h"
#include "loop/loops.h"
#include "render/exposure.h"
#include "render/frame_file.h"
#include "render/scene.h"
#include "starwaist/live.h"
#include "starwaist/render.h"
#include "support/temporary_folder.h"

namespace starwaist::bench {
namespace {

constexpr double kWidestBlurPx = 420;  // across; a wider one shows nothing and costs time

RenderOptions options_of(const LoopSetting& setting, Dice& dice) {
  const Telescope& t = *setting.telescope;
  RenderOptions o;
  o.f_number = *t.rig.f_number;
  o.focal_length_mm = *t.rig.focal_length_mm;
  o.obstruction = *t.rig.obstruction;
  o.pixel_um = *t.rig.pixel_um;
  o.um_per_step = *t.rig.um_per_step;
  o.seeing_arcsec = *t.rig.seeing_arcsec;
  o.seeing_profile = SeeingProfile::kolmogorov;
  o.seeing_scatter = 0.02;
  o.width_px = 640;
  o.height_px = 480;
  o.star_count = static_cast<int>(dice.between(25, 80));
  o.brightest_electrons = dice.log_between(1e5, 8e5);
  o.best_focus_steps = setting.focus_steps;
  o.seed = setting.seed;
  return o;
}

// Lines of one pixel's width in any direction, and single hits.
void add_cosmic_rays(std::vector<std::uint16_t>& pixels_adu, const RenderOptions& o, Dice& dice) {
  const int count = static_cast<int>(dice.between(2, 9));
  for (int k = 0; k < count; ++k) {
    const double x = dice.between(0, o.width_px);
    const double y = dice.between(0, o.height_px);
    const double angle = dice.between(0, std::numbers::pi);
    const double length = dice.log_between(1, 60);
    const double adu = dice.log_between(100, 3000);
    for (double s = 0; s < length; s += 0.5) {
      const int px = static_cast<int>(x + s * std::cos(angle));
      const int py = static_cast<int>(y + s * std::sin(angle));
      if (px < 0 || py < 0 || px >= o.width_px || py >= o.height_px) continue;
      auto& pixel = pixels_adu[static_cast<std::size_t>(py) * static_cast<std::size_t>(o.width_px) +
                               static_cast<std::size_t>(px)];
      pixel = static_cast<std::uint16_t>(std::min(65535.0, pixel + adu * dice.between(0.4, 0.8)));
    }
  }
}

// The next frame into the folder; its path.
std::string expose_frame(const LoopSetting& setting, const Focuser& focuser, RenderOptions& o,
                         const testing_support::TemporaryFolder& folder, Dice& dice) {
  const int index = static_cast<int>(o.positions_steps.size());
  const double widest_um = kWidestBlurPx * o.pixel_um * o.f_number;
  const double defocus_um = (focuser.true_steps() - setting.focus_steps) * o.um_per_step;
  const double held_um = std::clamp(defocus_um, -widest_um, widest_um);
  o.positions_steps.push_back(focuser.command_steps());
  o.focus_offset_um.push_back(held_um -
                              (focuser.command_steps() - setting.focus_steps) * o.um_per_step);
  const bool dark = setting.spoiled_frame == index || std::abs(defocus_um) > widest_um;
  o.transmission.push_back(dark ? 1e-6 : 1);
  const auto scene = render::scene_of(o, index);
  if (!scene) {
    std::fprintf(stderr, "%s\n", scene.error().text().c_str());
    std::exit(1);
  }
  std::vector<std::uint16_t> pixels_adu = render::expose(o, index, *scene);
  add_cosmic_rays(pixels_adu, o, dice);
  const std::string path = folder.in(scene->truth.file);
  const auto written = render::write_frame_file(path, {o.width_px, o.height_px, pixels_adu},
                                                render::header_of(o, index), false);
  if (!written) std::exit(1);
  return path;
}

}  // namespace

Ended run_rendered(const LoopSetting& setting, const LoopOptions& options, Dice& dice) {
  const double core = setting.telescope->core_steps;
  const testing_support::TemporaryFolder folder;
  Focuser focuser(std::round(setting.focus_steps + setting.start_cores * core),
                  setting.slack_cores * core, dice.between(0, 1), setting.rig);
  RenderOptions o = options_of(setting, dice);
  LiveRunOptions live;
  live.run.rig = setting.rig;
  live.run.threads = 1;
  live.next.most_points = options.most_points;
  LiveRun run(live);
  std::vector<SearchVisit> visits;
  Ended ended;
  ended.stuck = true;
  while (ended.frames < options.most_points + 1) {
    ++ended.frames;
    const auto answer = run.add(expose_frame(setting, focuser, o, folder, dice));
    if (!answer) {
      std::fprintf(stderr, "%s\n", answer.error().text().c_str());
      break;
    }
    char line[300];
    std::snprintf(
        line, sizeof line, "      at %+8.2f B (true %+8.2f) size %6.2f -> %s %+8.2f  %.90s\n",
        (focuser.command_steps() - setting.focus_steps) / core,
        (focuser.true_steps() - setting.focus_steps) / core, answer->size_px.value_or(0),
        enum_name(answer->verdict).c_str(),
        answer->move ? (static_cast<double>(answer->move->to_steps) - setting.focus_steps) / core
                     : NAN,
        answer->advice.text.c_str());
    ended.trace += line;
    SearchVisit visit;
    visit.position_steps = focuser.command_steps();
    visit.size_px = answer->size_px;
    visits.push_back(visit);
    ended.slack_named |= !answer->notes.empty();
    if (answer->move) focuser.go(*answer->move);
    if (answer->next_position_steps) {
      ended.thrice |= third_time(visits, static_cast<double>(*answer->next_position_steps));
      continue;
    }
    stop(answer->stop_reason, answer->verdict, ended);
    break;
  }
  conclude(setting, focuser, ended);
  return ended;
}

}  // namespace starwaist::bench
