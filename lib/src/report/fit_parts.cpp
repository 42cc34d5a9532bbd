#include "report/fit_parts.h"

#include <utility>

#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist::report {

namespace {

// Not shortened to less than this on a narrow screen.
constexpr std::size_t kLeastFileWidth = 13;

std::string zone_words(const FitResult& fit) {
  std::string text =
      format_like_sigma(*fit.critical_focus_zone_steps, std::nullopt) + " steps wide";
  if (fit.probability_in_zone) {
    text += "; true best focus is within half of that with " +
            percent_words(*fit.probability_in_zone) + " probability";
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

// What a row of the table of frames holds.
std::vector<std::string> frame_row(const FrameMeasurement& frame, int decimals,
                                   std::size_t file_width) {
  return {fixed_or_empty(frame.position_steps, decimals), fixed_or_empty(frame.hfr_px, 2),
          fixed_or_empty(frame.hfr_sigma_px, 3),          fixed_or_empty(frame.fwhm_px, 2),
          fixed_or_empty(frame.eccentricity, 2),          std::to_string(frame.star_count),
          format_fixed(frame.background_adu, 0),          format_fixed(frame.noise_adu, 1),
          shortened(printable(frame.file), file_width)};
}

}  // namespace

std::vector<NamedLine> fit_lines(const RunAnswer& run) {
  const FitResult& fit = run.fit;
  std::vector<NamedLine> lines;
  const auto add = [&lines](const std::string& name, const std::string& text) {
    lines.push_back({name, text});
  };
  if (const auto words = interval_words(fit.interval_95_steps, fit.best_focus_sigma_steps);
      !words.empty()) {
    add("95 % interval", words);
  }
  if (fit.critical_focus_zone_steps) {
    add("Focus zone", zone_words(fit));
  } else if (fit.best_focus_steps) {
    add("Focus zone", zone_hint(run.rig));
  }
  if (fit.approach) {
    add("Approach", enum_name(*fit.approach) + (*fit.approach == Direction::outward
                                                    ? ", from smaller positions"
                                                    : ", from larger positions"));
  }
  if (run.arrived) add("Arrived", arrival_words(*run.arrived));
  return lines;
}

Table points_table(const FitResult& fit, std::size_t file_width) {
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
                    shortened(printable(point.file), file_width)});
  }
  const std::string size = fit.size_measure == SizeMeasure::fwhm ? "FWHM" : "HFR";
  return {{{"Position", "steps"},
           {size, "px"},
           {"±", "px", Align::right, 1},
           {"Off curve", "px"},
           {"Stars", "", Align::right, 4},
           {"Temp", "°C", Align::right, 5},
           {"Used", ""},
           {"Frame", "", Align::left, 3, kLeastFileWidth}},
          std::move(rows)};
}

Table models_table(const FitResult& fit) {
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
  return {{{"Curve", "", Align::left},
           {"Best focus", "steps"},
           {"±", "steps", Align::right, 1},
           {"Smallest", "px", Align::right, 2},
           {"R squared", "", Align::right, 3},
           {"Weight", "%"}},
          std::move(rows)};
}

Table frames_table(const std::vector<const FrameMeasurement*>& frames, std::size_t file_width) {
  std::vector<CurvePoint> positions;
  for (const FrameMeasurement* frame : frames) {
    if (!frame->position_steps) continue;
    positions.emplace_back();
    positions.back().position_steps = *frame->position_steps;
  }
  const int decimals = position_decimals(positions);
  std::vector<std::vector<std::string>> rows;
  for (const FrameMeasurement* frame : frames) {
    rows.push_back(frame_row(*frame, decimals, file_width));
  }
  return {{{"Position", "steps"},
           {"HFR", "px"},
           {"±", "px", Align::right, 1},
           {"FWHM", "px", Align::right, 4},
           {"Ecc.", "", Align::right, 3},
           {"Stars", ""},
           {"Sky", "ADU", Align::right, 5},
           {"Noise", "ADU", Align::right, 6},
           {"Frame", "", Align::left, 2, kLeastFileWidth}},
          std::move(rows)};
}

std::vector<std::string> rejection_lines(const FitResult& fit) {
  std::vector<SkippedFile> rejected;
  for (const auto& point : fit.points) {
    if (!point.used && point.reason) rejected.push_back({point.file, *point.reason});
  }
  return reason_lines(rejected);
}

}  // namespace starwaist::report
