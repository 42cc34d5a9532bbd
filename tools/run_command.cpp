// The options that fit and diagnose share.
#include "run_command.h"

#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist::tool {

void add_run_command_options(CLI::App& app, Settings& settings, CurveOptions& curve) {
  add_input_options(app, settings.input);
  add_common_options(app, settings.common);
  add_short_option(app, settings.common);
  add_choice(
      app, "--model", curve.fit.model, enum_from_name<CurveModel>, "hyperbola, parabola or blur",
      "Only this curve decides: hyperbola, parabola or blur [weighted by how well they fit]");
  add_choice(app, "--size", curve.size, enum_from_name<SizeMeasure>, "hfr or fwhm",
             "Size that is fitted: hfr (half-flux radius) or fwhm [hfr; of a table, what it has]");
  add_table_options(app, settings.table);
  app.add_flag(
      "--each", curve.each,
      "INPUT holds many runs: a folder of run folders, or a table with a column 'run' (and "
      "'telescope' where they are of several)");
  add_rig_options(app, settings.rig);
}

void use_curve_options(const CurveOptions& curve, RunOptions& run) {
  run.table.size = curve.size;
  run.fit = curve.fit;
  run.fit.size = curve.size.value_or(SizeMeasure::hfr);
}

std::string named_short_line(const std::string& run_name, const RunAnswer& answer) {
  return run_name + ": " + short_line(answer);
}

}  // namespace starwaist::tool
