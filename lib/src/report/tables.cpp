#include <algorithm>
#include <string>
#include <vector>

#include "report/answer_text.h"
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

// What is left of an 80-column line beside the numbers.
constexpr std::size_t kFileWidth = 22;

constexpr const char* kTrusted = "this position can be used as it is";
constexpr const char* kDoubtful = "take the position as a hint, see below";
constexpr const char* kUnusable = "this run gives no position to rely on, see below";

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

std::string models_table(const FitResult& fit) {
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
                       {"±", "steps"},
                       {"Smallest", "px"},
                       {"R squared", ""},
                       {"Weight", "%"}},
                      rows);
}

std::string points_table(const FitResult& fit) {
  const ModelFit* chosen = chosen_model(fit);
  const int decimals = report::position_decimals(fit.points);
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
                       {"±", "px"},
                       {"Off curve", "px"},
                       {"Stars", ""},
                       {"Temp", "°C"},
                       {"Used", ""},
                       {"Frame", "", Align::left}},
                      rows);
}

std::vector<std::string> rejection_lines(const FitResult& fit) {
  std::vector<SkippedFile> rejected;
  for (const auto& point : fit.points) {
    if (!point.used && point.reason) rejected.push_back({point.file, *point.reason});
  }
  return reason_lines(rejected);
}

}  // namespace

std::string measure_table(const MeasuredRun& run) {
  std::vector<CurvePoint> positions;
  for (const MeasuredFrame& frame : run.frames) {
    if (frame.measurement.position_steps) {
      positions.emplace_back();
      positions.back().position_steps = *frame.measurement.position_steps;
    }
  }
  const int decimals = report::position_decimals(positions);
  std::vector<std::vector<std::string>> rows;
  std::size_t without_stars = 0;
  const FrameMeasurement* smallest = nullptr;
  for (const MeasuredFrame& measured : run.frames) {
    const FrameMeasurement& frame = measured.measurement;
    if (!frame.hfr_px) ++without_stars;
    if (frame.hfr_px && (smallest == nullptr || *frame.hfr_px < *smallest->hfr_px)) {
      smallest = &frame;
    }
    rows.push_back({fixed_or_empty(frame.position_steps, decimals), fixed_or_empty(frame.hfr_px, 2),
                    fixed_or_empty(frame.hfr_sigma_px, 3), fixed_or_empty(frame.fwhm_px, 2),
                    fixed_or_empty(frame.eccentricity, 2), std::to_string(frame.star_count),
                    format_fixed(frame.background_adu, 0), format_fixed(frame.noise_adu, 1),
                    shortened(printable(frame.file), kFileWidth)});
  }
  std::string text = count_words(run.frames.size(), "frame", "frames") + " measured";
  if (!run.skipped.empty()) text += ", " + std::to_string(run.skipped.size()) + " skipped";
  if (without_stars > 0) text += ", " + std::to_string(without_stars) + " without usable stars";
  text += ".";
  if (smallest != nullptr && run.frames.size() > 1) {
    text += " Smallest stars: HFR " + format_fixed(*smallest->hfr_px, 2) + " px in " +
            shortened(printable(smallest->file), 2 * kFileWidth) + ".";
  }
  text = wrapped(text, "") + "\n";
  text += dashed_table({{"Position", "steps"},
                        {"HFR", "px"},
                        {"±", "px"},
                        {"FWHM", "px"},
                        {"Ecc.", ""},
                        {"Stars", ""},
                        {"Sky", "ADU"},
                        {"Noise", "ADU"},
                        {"Frame", "", Align::left}},
                       rows);
  text +=
      "\nHFR: radius that holds half of a star's light. FWHM: full width at half\n"
      "maximum. Ecc.: 0 round, towards 1 drawn out. ±: one standard error.\n";
  std::vector<std::string> remarks;
  for (const MeasuredFrame& frame : run.frames) {
    for (const auto& remark : frame.measurement.remarks) {
      remarks.push_back(frame.measurement.file + ": " + remark.text);
    }
  }
  return text + section("Remarks", remarks) + section("Skipped", reason_lines(run.skipped));
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

std::string fit_table(const RunAnswer& run) {
  const FitResult& fit = run.fit;
  std::string text = answer_line("Best focus", report::best_focus_words(fit));
  text += report::verdict_line(fit.verdict, {kTrusted, kDoubtful, kUnusable});
  if (const auto words = report::interval_words(fit.interval_95_steps, fit.best_focus_sigma_steps);
      !words.empty()) {
    text += answer_line("95 % interval", words);
  }
  if (fit.critical_focus_zone_steps) {
    text += answer_line("Focus zone", zone_words(fit));
  } else if (fit.best_focus_steps) {
    text += answer_line("Focus zone", zone_hint(run.rig));
  }
  if (fit.approach) {
    const bool outward = *fit.approach == Direction::outward;
    text += answer_line("Approach", enum_name(*fit.approach) + ": arrive there " +
                                        (outward ? "from smaller positions, as the run did"
                                                 : "from larger positions, as the run did"));
  }
  if (run.arrived) text += answer_line("Arrived", arrival_words(*run.arrived));
  text += report::why_not_trusted(texts_of(fit.reasons));
  if (!fit.points.empty()) text += "\n" + points_table(fit);
  text += section("Not used", rejection_lines(fit));
  if (!fit.models.empty()) text += "\n" + models_table(fit);
  text += section("Notes", texts_of(fit.notes));
  text += section("Skipped", reason_lines(run.skipped));
  return text;
}

std::string fit_line(const std::string& run_name, const RunAnswer& run) {
  const FitResult& fit = run.fit;
  std::string line =
      run_name + ": " + enum_name(fit.verdict) + ", " + report::best_focus_words(fit);
  if (!fit.reasons.empty()) line += " (" + fit.reasons.front().text + ")";
  return report::printable(line) + "\n";
}

}  // namespace starwaist
