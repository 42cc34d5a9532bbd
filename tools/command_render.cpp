// starwaist render: a synthetic run with its truth beside it.
#include <charconv>
#include <cmath>

#include "job.h"
#include "starwaist/numbers.h"
#include "starwaist/render.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kRenderExamples = R"(Examples:
  starwaist render --output demo --start 4700 --step 75 --points 9
      Nine frames through best focus at 5000, and demo/truth.json.
  starwaist render --output demo --force --positions-steps 4800,4900,5000,5100,5200 --seed 7
      The positions as a list, into a folder that is not empty.
  starwaist render --output cloudy --scenario passing_cloud --strength 2
      A run in which a cloud passed, twice as thick as the thinnest that must be found.
  starwaist render --output both --scenario slack:2,image_motion
      Two causes at once, slack at strength 2, in a run that is planned for the rig.
  starwaist render --output fast --config rig.conf --f-number 2 --obstruction 0.4 --start 4960
      --step 10 --points 9 --um-per-step 1 --tile-compressed
      A fast mirror, the rest of the rig from a file.
Exit status: 0 the run was written; 2 wrong usage; 3 it could not be written; 130 interrupted.)";

constexpr int kMostPoints = 10000;

class RenderCommand : public Command {
 public:
  RenderCommand()
      : Command({"render", "Make a synthetic run of frames with known best focus", ""}) {
    app()
        .add_option("--output", output_, "Folder for the frames and truth.json")
        ->type_name("FOLDER")
        ->required()
        ->configurable(false);
    app().add_flag("--force", force_, "Write into a folder that is not empty");
    add_common_options(app(), settings_.common);
    add_sweep();
    add_optics();
    add_scene();
    add_trouble();
    add_scenarios();
    app().footer([] { return scenario_help() + kRenderExamples; });
  }

  int run(const ToolStreams& streams) override {
    return run_job(Job<RenderOptions, RenderTruth>{
                       .checks_rig = false,
                       .find = [this] { return make_plan(); },
                       .work =
                           [this](const RenderOptions& options, Work& work) {
                             return render_run(options, output_, force_,
                                               {work.options.progress, work.options.stop});
                           },
                       .json = truth_json,
                       .text = [this](const RenderTruth& truth,
                                      const TextOptions& options) { return shown(truth, options); },
                       .status = [](const RenderTruth&) { return kTrusted; }},
                   settings_, streams);
  }

 private:
  CLI::Option* number(const std::string& option, double& target, const NumberLimits& limits,
                      const std::string& help, const std::string& group) {
    return add_number(app(), option, target, limits, help)->group(group);
  }

  CLI::Option* list(const std::string& option, std::vector<double>& target, const std::string& help,
                    const std::string& group) {
    return app()
        .add_option(
            option,
            [&target, option](const CLI::results_t& values) {
              target.clear();
              for (const auto& value : values) {
                const auto parsed = parse_number(value);
                if (!parsed) throw CLI::ValidationError(option, "'" + value + "' is not a number");
                target.push_back(*parsed);
              }
              return true;
            },
            help)
        ->type_name("NUMBER,...")
        ->delimiter(',')
        ->expected(1, kMostPoints)
        ->group(group);
  }

  void add_sweep() {
    const std::string group = "Positions (a list, or start, step and points)";
    list("--positions-steps,--positions", options_.positions_steps, "Positions in the order taken",
         group);
    add_number(app(), "--start", start_, {}, "First position")->group(group);
    add_number(app(), "--step", step_, {}, "From one position to the next; may be negative")
        ->group(group);
    add_integer(app(), "--points", points_, 1, kMostPoints, "Number of frames")->group(group);
    number("--best-focus-steps", options_.best_focus_steps, {}, "True focus of the field's centre",
           group);
  }

  void add_optics() {
    const std::string group = "Optics and camera";
    RenderOptions& o = options_;
    number("--focal-length-mm", o.focal_length_mm, kPositive, "Focal length", group);
    number("--f-number", o.f_number, kPositive, "Focal length over aperture", group);
    number("--obstruction", o.obstruction, {0, 1, false, true}, "Central obstruction, diameters",
           group);
    number("--pixel-um", o.pixel_um, kPositive, "Pixel", group);
    number("--um-per-step", o.um_per_step, kPositive, "Travel of the focus for one step", group);
    list("--wavelengths-um", o.wavelengths_um, "Wavelengths of equal weight [0.5,0.55,0.6]", group);
    Aberrations& a = o.aberrations;
    number("--spherical-w040-waves", a.spherical_w040_waves, {}, "Spherical aberration", group);
    number("--coma-w131-waves", a.coma_w131_waves, {}, "Coma", group);
    number("--coma-angle-deg", a.coma_angle_deg, {}, "Its direction", group);
    number("--astigmatism-w222-waves", a.astigmatism_w222_waves, {}, "Astigmatism", group);
    number("--astigmatism-angle-deg", a.astigmatism_angle_deg, {}, "Its direction", group);
    add_integer(app(), "--width-px", o.width_px, 1, 100000, "Columns")->group(group);
    add_integer(app(), "--height-px", o.height_px, 1, 100000, "Rows")->group(group);
    number("--read-noise-e", o.read_noise_e, kNotNegative, "Read noise in electrons", group);
    number("--gain-e-per-adu", o.gain_e_per_adu, kPositive, "Electrons for one ADU", group);
    number("--bias-adu", o.bias_adu, kNotNegative, "Level without light", group);
    number("--saturation-adu", o.saturation_adu, kPositive, "Level of a full pixel", group);
    add_integer(app(), "--hot-pixels", o.hot_pixels, 0, 100000000, "Hot pixels")->group(group);
    app().add_flag("--tile-compressed", o.tile_compressed, "Write .fits.fz")->group(group);
  }

  void add_scene() {
    const std::string group = "Sky and stars";
    RenderOptions& o = options_;
    add_choice(app(), "--seeing-profile", o.seeing_profile, enum_from_name<SeeingProfile>,
               "moffat, kolmogorov or gaussian", "moffat, kolmogorov or gaussian [moffat]")
        ->group(group);
    number("--moffat-beta", o.moffat_beta, kPositive, "Exponent of the Moffat profile", group);
    number("--seeing-arcsec", o.seeing_arcsec, kPositive, "Full width at half maximum", group);
    number("--seeing-scatter", o.seeing_scatter, kNotNegative, "Relative, frame to frame", group);
    add_integer(app(), "--star-count", o.star_count, 0, 1000000, "Stars")->group(group);
    number("--faintest-electrons", o.faintest_electrons, kPositive, "Of a star, per frame", group);
    number("--brightest-electrons", o.brightest_electrons, kPositive, "Of a star, per frame",
           group);
    number("--sky-electrons", o.sky_electrons, kNotNegative, "Sky, per pixel", group);
    number("--sky-gradient", o.sky_gradient, {}, "Relative change, corner to corner", group);
    number("--dither-px", o.dither_px, kNotNegative, "Shift between exposures, rms", group);
    number("--temperature-c", o.temperature_c, {}, "Temperature in the headers", group);
    app()
        .add_option("--filter", o.filter, "Filter in the headers [L]")
        ->type_name("NAME")
        ->group(group);
    number("--exposure-s", o.exposure_s, kPositive, "Exposure in the headers", group);
    app()
        .add_option("--start-utc", o.start_utc, "Start of the first exposure [" + o.start_utc + "]")
        ->type_name("TIME")
        ->group(group);
    add_seed();
  }

  void add_seed() {
    app()
        .add_option(
            "--seed",
            [this](const CLI::results_t& values) {
              const std::string& text = values.front();
              std::uint64_t seed = 0;
              const auto [stopped, error] =
                  std::from_chars(text.data(), text.data() + text.size(), seed);
              if (error != std::errc{} || stopped != text.data() + text.size()) {
                throw CLI::ValidationError("--seed", "'" + text + "' is not a whole number from 0");
              }
              options_.seed = seed;
              return true;
            },
            "The same seed gives the same run [1]")
        ->type_name("INTEGER")
        ->group("Sky and stars");
  }

  void add_trouble() {
    const std::string group = "Imperfections (lists have one value a position)";
    RenderOptions& o = options_;
    number("--tilt-x-steps", o.tilt_x_steps, {}, "Best focus at the right less at the left", group);
    number("--tilt-y-steps", o.tilt_y_steps, {}, "Best focus at the last row less at the first",
           group);
    number("--curvature-steps", o.curvature_steps, {},
           "Best focus at the corners less at the centre", group);
    list("--transmission", o.transmission, "Factor on the stars' light", group);
    list("--sky-factor", o.sky_factor, "Factor on the sky's light", group);
    list("--trail-px", o.trail_px, "Length of a straight trail", group);
    number("--trail-angle-deg", o.trail_angle_deg, {}, "Its direction", group);
    list("--focus-offset-um", o.focus_offset_um, "Sensor farther out than commanded", group);
    list("--temperatures-c", o.temperatures_c, "Instead of one temperature", group);
  }

  void add_scenarios() {
    const std::string group = "What goes wrong";
    app()
        .add_option("--scenario", scenarios_, "Causes by name, each with its strength if wanted")
        ->type_name("NAME[:STRENGTH],...")
        ->delimiter(',')
        ->group(group);
    add_number(app(), "--strength", strength_, {0, kStrongestScenario, true, false},
               "Strength of causes named without one")
        ->group(group);
  }

  static std::string scenario_help() {
    std::string text =
        "Scenarios, and what strength 1 is, the weakest that must be found (B: defocus at which\n"
        "stars are 1.4 times as large as in focus; half zone: 2 lambda N^2). The numbers are made\n"
        "from the rig and stand in truth.json. Without positions a good plan is made for the "
        "rig.\n";
    for (const ScenarioKind& kind : scenario_kinds()) {
      std::string name(kind.cause);
      name.resize(18, ' ');
      text += "  " + name + " " + std::string(kind.at_strength_one) + "\n";
    }
    return text;
  }

  // Nothing is read: what is to be rendered, from the options alone.
  [[nodiscard]] Result<Found<RenderOptions>> make_plan() const {
    RenderOptions options = options_;
    if (auto filled = fill_positions(options.positions_steps); !filled) {
      return tl::unexpected<Error>(filled.error());
    }
    std::vector<Scenario> wanted;
    for (const std::string& text : scenarios_) {
      Scenario scenario{text.substr(0, text.find(':')), strength_};
      if (const auto colon = text.find(':'); colon != std::string::npos) {
        const auto strength = parse_number(text.substr(colon + 1));
        if (!strength) {
          return fail(ErrorCode::invalid_argument, "--scenario: '" + text + "' has no strength",
                      "Write it as slack:2");
        }
        scenario.strength = *strength;
      }
      wanted.push_back(std::move(scenario));
    }
    auto made = apply_scenario(options, wanted);
    if (!made) return tl::unexpected<Error>(made.error());
    return Found<RenderOptions>{std::move(*made), {}};
  }

  // A list given wins only where start and step are not: both together are a contradiction.
  [[nodiscard]] Result<void> fill_positions(std::vector<double>& positions_steps) const {
    const bool swept = start_ || step_ || app().count("--points") > 0;
    if (!positions_steps.empty()) {
      if (!swept) return {};
      return fail(ErrorCode::invalid_argument,
                  "--positions-steps and --start, --step or --points "
                  "contradict each other",
                  "Give the list or the sweep");
    }
    if (!swept && !scenarios_.empty()) return {};  // planned with the scenario
    if (!start_ || !step_) {
      return fail(ErrorCode::invalid_argument, "no positions given",
                  "Give --start, --step and --points, or --positions-steps, or --scenario healthy "
                  "for a plan made for the rig");
    }
    for (int i = 0; i < points_; ++i) {
      const double position = *start_ + i * *step_;
      if (!std::isfinite(position)) {
        return fail(ErrorCode::invalid_argument, "--step is too large", "Give a smaller step");
      }
      positions_steps.push_back(position);
    }
    return {};
  }

  [[nodiscard]] std::string shown(const RenderTruth& truth, const TextOptions& options) const {
    if (!options.details) return {};
    return paragraph(
        std::to_string(truth.frames.size()) + " frames in " + output_ + "; best focus is " +
            format_fixed(truth.best_focus_steps, 2) + " steps, critical focus zone " +
            format_fixed(truth.critical_focus_zone_steps, 1) + " steps wide (truth.json).",
        options);
  }

  RenderOptions options_;
  std::string output_;
  bool force_ = false;
  std::optional<double> start_;
  std::optional<double> step_;
  int points_ = 9;
  std::vector<std::string> scenarios_;
  double strength_ = 1;
};

}  // namespace

std::unique_ptr<Command> make_render_command() { return std::make_unique<RenderCommand>(); }

}  // namespace starwaist::tool
