#include <algorithm>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "report/opening.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

using report::Align;
using report::answer_line;
using report::count_words;
using report::dashed_table;
using report::fixed_or_empty;
using report::printable;
using report::section;
using report::shortened;
using report::wrapped;

// Of a column of file names: no wider, and not shortened to less than this on a narrow screen.
constexpr std::size_t kFileWidth = 22;
constexpr std::size_t kLeastFileWidth = 13;

std::string zone_words(const FitResult& fit) {
  std::string text =
      format_like_sigma(*fit.critical_focus_zone_steps, std::nullopt) + " steps wide";
  if (fit.probability_in_zone) {
    text += "; true best focus is within half of that with " +
            report::percent_words(*fit.probability_in_zone) + " probability";
  }
  return text;
}

// Which of the figures that the zone needs are missing, by the names of their options.
std::string zone_hint(const Rig& rig) {
  std::vector<std::string> missing;
  if (!rig.focal_ratio()) missing.emplace_back("--f-number");
  if (!rig.pixel_um) missing.emplace_back("--pixel-um");
  if (!rig.um_per_step) missing.emplace_back("--um-per-step");
  std::string text;
  for (std::size_t i = 0; i < missing.size(); ++i) {
    text += (i == 0 ? "; needs " : i + 1 == missing.size() ? " and " : ", ") + missing[i];
  }
  return "unknown" + text;
}

std::string models_table(const FitResult& fit, std::size_t width) {
  std::vector<std::vector<std::string>> rows;
  for (const auto& model : fit.models) {
    std::string best = "not found";
    std::string sigma;
    if (model.best_focus_steps) {
      best = format_like_sigma(*model.best_focus_steps, model.best_focus_sigma_steps);
      if (model.best_focus_sigma_steps) {
        sigma = format_like_sigma(*model.best_focus_sigma_steps, model.best_focus_sigma_steps);
      }
    }
    rows.push_back({enum_name(model.model), best, sigma, fixed_or_empty(model.min_size_px, 2),
                    fixed_or_empty(model.r_squared, 4),
                    model.weight ? format_fixed(100 * *model.weight, 0) : std::string()});
  }
  return dashed_table({{"Curve", "", Align::left},
                       {"Best focus", "steps"},
                       {"±", "steps", Align::right, 1},
                       {"Smallest", "px", Align::right, 2},
                       {"R squared", "", Align::right, 3},
                       {"Weight", "%"}},
                      rows, width);
}

std::string points_table(const FitResult& fit, std::size_t width) {
  const ModelFit* chosen = chosen_model(fit);
  const int decimals = position_decimals(fit.points);
  std::vector<std::vector<std::string>> rows;
  for (const auto& point : fit.points) {
    std::string off_curve;
    if (chosen != nullptr && point.size_px) {
      const auto expected = curve_size_px(*chosen, point.position_steps);
      if (expected) {
        const double difference = *point.size_px - *expected;
        off_curve = (difference >= 0 ? "+" : "") + format_fixed(difference, 2);
      }
    }
    rows.push_back({format_fixed(point.position_steps, decimals), fixed_or_empty(point.size_px, 2),
                    fixed_or_empty(point.sigma_px, 3), off_curve, fixed_or_empty(point.stars, 0),
                    fixed_or_empty(point.temperature_c, 1), point.used ? "yes" : "no",
                    shortened(printable(point.file), kFileWidth)});
  }
  const std::string size = fit.size_measure == SizeMeasure::fwhm ? "FWHM" : "HFR";
  return dashed_table({{"Position", "steps"},
                       {size, "px"},
                       {"±", "px", Align::right, 1},
                       {"Off curve", "px"},
                       {"Stars", "", Align::right, 4},
                       {"Temp", "°C", Align::right, 5},
                       {"Used", ""},
                       {"Frame", "", Align::left, 3, kLeastFileWidth}},
                      rows, width);
}

std::vector<std::string> rejection_lines(const FitResult& fit) {
  std::vector<SkippedFile> rejected;
  for (const auto& point : fit.points) {
    if (!point.used && point.reason) rejected.push_back({point.file, *point.reason});
  }
  return reason_lines(rejected);
}

}  // namespace

namespace {

// What a row of the table of frames holds.
std::vector<std::string> frame_row(const FrameMeasurement& frame, int decimals) {
  return {fixed_or_empty(frame.position_steps, decimals), fixed_or_empty(frame.hfr_px, 2),
          fixed_or_empty(frame.hfr_sigma_px, 3),          fixed_or_empty(frame.fwhm_px, 2),
          fixed_or_empty(frame.eccentricity, 2),          std::to_string(frame.star_count),
          format_fixed(frame.background_adu, 0),          format_fixed(frame.noise_adu, 1),
          shortened(printable(frame.file), kFileWidth)};
}

std::string frames_table(const std::vector<std::vector<std::string>>& rows, std::size_t width) {
  return dashed_table({{"Position", "steps"},
                       {"HFR", "px"},
                       {"±", "px", Align::right, 1},
                       {"FWHM", "px", Align::right, 4},
                       {"Ecc.", "", Align::right, 3},
                       {"Stars", ""},
                       {"Sky", "ADU", Align::right, 5},
                       {"Noise", "ADU", Align::right, 6},
                       {"Frame", "", Align::left, 2, kLeastFileWidth}},
                      rows, width);
}

}  // namespace

std::string measure_table(const MeasuredRun& run, const TextOptions& options) {
  const std::size_t width = options.width;
  std::vector<CurvePoint> positions;
  for (const MeasuredFrame& frame : run.frames) {
    if (frame.measurement.position_steps) {
      positions.emplace_back();
      positions.back().position_steps = *frame.measurement.position_steps;
    }
  }
  const int decimals = position_decimals(positions);
  std::vector<std::vector<std::string>> rows;
  std::size_t without_stars = 0;
  const FrameMeasurement* smallest = nullptr;
  for (const MeasuredFrame& measured : run.frames) {
    const FrameMeasurement& frame = measured.measurement;
    if (!frame.hfr_px) ++without_stars;
    if (frame.hfr_px && (smallest == nullptr || *frame.hfr_px < *smallest->hfr_px)) {
      smallest = &frame;
    }
    rows.push_back(frame_row(frame, decimals));
  }
  std::string text = count_words(run.frames.size(), "frame", "frames") + " measured";
  if (!run.skipped.empty()) text += ", " + std::to_string(run.skipped.size()) + " skipped";
  if (without_stars > 0) text += ", " + std::to_string(without_stars) + " without usable stars";
  text += ".";
  if (smallest != nullptr && run.frames.size() > 1) {
    text += " Smallest stars: HFR " + format_fixed(*smallest->hfr_px, 2) + " px in " +
            shortened(printable(smallest->file), 2 * kFileWidth) + ".";
  }
  text = wrapped(text, "", width);
  if (!options.details) return text;
  text += "\n" + frames_table(rows, width) + "\n" +
          wrapped(
              "HFR: radius that holds half of a star's light. FWHM: full width at half "
              "maximum. Ecc.: 0 round, towards 1 drawn out. ±: one standard error.",
              "", width);
  std::vector<std::string> remarks;
  for (const MeasuredFrame& frame : run.frames) {
    for (const auto& remark : frame.measurement.remarks) {
      remarks.push_back(frame.measurement.file + ": " + remark.text);
    }
  }
  return text + section("Remarks", remarks, width) +
         section("Skipped", reason_lines(run.skipped), width);
}

// The sentence on a frame taken at best focus.
std::string arrival_words(const Arrival& arrival) {
  const std::string name = printable(arrival.file);
  if (!arrival.size_px) return name + " has no star to measure";
  const std::string size = format_fixed(*arrival.size_px, 2) + " px";
  if (!arrival.agrees) return name + " has stars of " + size + "; the run promised nothing";
  std::string words = name + " has stars of " + size + ", the curve promised " +
                      format_fixed(*arrival.expected_size_px, 2) + " +- " +
                      format_fixed(*arrival.sigma_px, 2) + " px: ";
  if (*arrival.agrees) return words + "the focuser arrived";
  words += "too large. ";
  if (arrival.off_by_steps) {
    words += "Stars of this size are " + format_like_sigma(*arrival.off_by_steps, std::nullopt) +
             " steps off best focus: ";
  }
  return words + "slack, slip or drift since, unless the seeing has worsened";
}

std::string fit_table(const RunAnswer& run, const TextOptions& options) {
  if (!options.details) return opening_text(run, options);
  const FitResult& fit = run.fit;
  const std::size_t width = options.width;
  std::string text =
      report::opening(run, width) + "\n" + report::verdict_line(fit.verdict, {}, width);
  if (const auto words = report::interval_words(fit.interval_95_steps, fit.best_focus_sigma_steps);
      !words.empty()) {
    text += answer_line("95 % interval", words, width);
  }
  if (fit.critical_focus_zone_steps) {
    text += answer_line("Focus zone", zone_words(fit), width);
  } else if (fit.best_focus_steps) {
    text += answer_line("Focus zone", zone_hint(run.rig), width);
  }
  if (fit.approach) {
    text += answer_line("Approach",
                        enum_name(*fit.approach) + (*fit.approach == Direction::outward
                                                        ? ", from smaller positions"
                                                        : ", from larger positions"),
                        width);
  }
  if (run.arrived) text += answer_line("Arrived", arrival_words(*run.arrived), width);
  text += report::why_not_trusted(report::further_reasons(run), width);
  if (!fit.points.empty()) text += "\n" + points_table(fit, width);
  text += section("Not used", rejection_lines(fit), width);
  if (!fit.models.empty()) text += "\n" + models_table(fit, width);
  text += report::not_ruled_out(run, width);
  text += section("Notes", texts_of(fit.notes), width);
  return text + section("Skipped", reason_lines(run.skipped), width);
}

std::string fit_line(const std::string& run_name, const RunAnswer& run) {
  const FitResult& fit = run.fit;
  std::string line =
      run_name + ": " + enum_name(fit.verdict) + ", " + report::best_focus_words(fit);
  if (!fit.reasons.empty()) line += " (" + fit.reasons.front().text + ")";
  return report::printable(line) + "\n";
}

}  // namespace starwaist
