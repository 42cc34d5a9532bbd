#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage thermal_drift_page() {
  return {"thermal_drift",
          "the temperature moved the focus during the run",
          "Tube and mirrors shrink as they cool. When the temperature changes by more than about "
          "half a degree during a run, best focus is at another place at its end than at its "
          "beginning.",
          "The curve is stretched or squeezed a little and best focus belongs to the middle of the "
          "run.",
          "Dew also comes with falling temperature but takes light. A jump is sudden; a drift is "
          "slow.",
          "Let the telescope cool down before focusing, make the run shorter, or take the positions"
          " in mixed order; correct the answer by the temperature since.",
          "common practice, no source; coefficient of a plain aluminium tube 23.6e-6 a degree (from"
          " memory)"};
}

constexpr double kAluminiumPerC = 23.6e-6;
constexpr double kUsualUmPerC = 15;  // of a tube of unknown length

struct TemperatureLine {
  double slope_c = 0;       // a frame
  double middle_frame = 0;  // of those that have a temperature
  double drift_c = 0;       // from the first to the last of them
  double error_c = 0;       // of the drift
};

// Straight line through the frames' temperatures; absent where fewer than three have one.
std::optional<TemperatureLine> temperature_line(const RunView& run) {
  std::vector<double> order;
  std::vector<double> degrees;
  for (std::size_t i = 0; i < run.count(); ++i) {
    const auto& t = run.facts(i).temperature_c;
    constexpr double kColdest = -60;  // beyond these no sensor that works
    constexpr double kHottest = 60;
    if (!t || *t < kColdest || *t > kHottest) continue;
    order.push_back(static_cast<double>(i));
    degrees.push_back(*t);
  }
  constexpr std::size_t kFewest = 3;
  const std::size_t n = order.size();
  if (n < kFewest) return std::nullopt;
  double mean_x = 0;
  double mean_y = 0;
  for (std::size_t i = 0; i < n; ++i) {
    mean_x += order[i] / static_cast<double>(n);
    mean_y += degrees[i] / static_cast<double>(n);
  }
  double sxx = 0;
  double sxy = 0;
  for (std::size_t i = 0; i < n; ++i) {
    sxx += std::pow(order[i] - mean_x, 2);
    sxy += (order[i] - mean_x) * (degrees[i] - mean_y);
  }
  const double slope = sxy / sxx;
  double squares = 0;
  for (std::size_t i = 0; i < n; ++i) {
    squares += std::pow(degrees[i] - mean_y - slope * (order[i] - mean_x), 2);
  }
  const double span = order.back() - order.front();
  constexpr double kReading = 0.05;  // a sensor's last digit
  const double error_c =
      span * std::sqrt((squares / static_cast<double>(n - 2) + kReading * kReading / 4) / sxx);
  return TemperatureLine{slope, mean_x, slope * span, error_c};
}

std::optional<Candidate> look_for_thermal_drift(const RunView& run) {
  const auto line = temperature_line(run);
  if (!line || std::abs(line->drift_c) < 3 * line->error_c) return std::nullopt;
  const double drift_c = line->drift_c;
  const Rig& rig = run.record().rig;
  const bool told = rig.focus_um_per_c.has_value();
  double um_per_c = rig.focus_um_per_c.value_or(kUsualUmPerC);
  if (!told && rig.focal_length_mm) um_per_c = kAluminiumPerC * *rig.focal_length_mm * 1000;
  const auto ratio = rig.focal_ratio();
  Candidate c;
  const double shift_um = um_per_c * drift_c;
  if (ratio) {
    const double half_zone = 0.5 * critical_focus_zone_um(*ratio, rig.wavelength_um);
    const double part = std::abs(shift_um) / half_zone;
    c.log_odds = std::min((told ? 6 : 3) * std::log(std::max(part, 1e-3) / (told ? 0.4 : 0.6)),
                          told ? 4.0 : 2.0);
    c.share = std::min(part, 1.0);
    c.effect = part < 1 ? Effect::harmless : Effect::doubtful;
    c.evidence.push_back({"shift over half of the focus zone", part, ""});
  } else {
    constexpr double kNotableC = 1.5;
    c.log_odds = std::min(3 * std::log(std::abs(drift_c) / kNotableC), 2.0);
    c.share = std::min(std::abs(drift_c) / (2 * kNotableC), 1.0);
  }
  if (c.log_odds < -6) return std::nullopt;
  c.evidence.insert(c.evidence.begin(), {{"change of temperature", drift_c, "C"},
                                         {told ? "movement of the focus a degree, as given"
                                               : "movement of the focus a degree, assumed",
                                          um_per_c, "um"},
                                         {"movement of the focus in the run", shift_um, "um"}});
  c.summary = "The temperature changed by " + format_short(drift_c) +
              " degrees during the run, which moves "
              "the focus by about " +
              format_short(std::abs(shift_um)) + " um" +
              (told ? "." : " if the tube is of aluminium (give --focus-um-per-c).");
  c.remedy = {codes::cool_and_shorten,
              "Let the telescope cool down and make the run shorter; the answer belongs to the "
              "middle of the run, so correct it by the temperature since."};
  if (rig.um_per_step) {
    std::vector<double>& moved = told ? c.moved_steps : c.perhaps_moved_steps;
    for (std::size_t i = 0; i < run.count(); ++i) {
      const double after = line->slope_c * (static_cast<double>(i) - line->middle_frame);
      moved.push_back(-um_per_c * after / *rig.um_per_step);
    }
  }
  return c;
}

}  // namespace

Cause cause_thermal_drift() { return {thermal_drift_page(), look_for_thermal_drift}; }

}  // namespace starwaist::diagnosis
