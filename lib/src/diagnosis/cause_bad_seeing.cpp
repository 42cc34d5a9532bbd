#include <algorithm>
#include <cmath>
#include <string>

#include "curve/priors.h"
#include "diagnosis/cause.h"
#include "diagnosis/phrases.h"
#include "optics/kolmogorov.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage bad_seeing_page() {
  return {"bad_seeing",
          "bad seeing",
          "The air is turbulent. The run is sound, but even in focus the stars are large, so that "
          "the curve is shallow and best focus less sharp.",
          "A healthy curve with a high, broad bottom.",
          "Shaking also makes all stars large, mostly in one direction and not in all frames. "
          "Clipped stars, tilt and dew lift the bottom too and show in the frames. Round shaking "
          "cannot be distinguished from seeing.",
          "The answer can be used; its error is larger. Wait for steadier air, avoid warm roofs, "
          "let the telescope cool; take wider steps.",
          "common practice, no source; seeing of 2 to 3 arcseconds is usual at low sites"};
}

// Where bad begins: over the seeing that is usual at a low site, and over what a rig says of its
// own site. Common practice, no source.
constexpr double kBadFactor = 1.75;
constexpr double kBadFactorOfOwn = 1.6;
constexpr double kArcsecPerRadian = 206264.806;

// The narrow ones among the stars of the sharpest frame over the typical one, 1 at the most: where
// galaxies are among them the typical one is no star.
double narrow_over_typical(const RunView& run) {
  if (!run.has_frames()) return 1;
  std::optional<std::size_t> sharpest;
  for (const std::size_t i : run.sized_points()) {
    if (!sharpest || *run.point(i).size_px < *run.point(*sharpest).size_px) sharpest = i;
  }
  if (!sharpest) return 1;
  std::vector<double> sizes;
  constexpr double kLeastSnr = 20;
  for (const Star& star : run.record().frames[*sharpest].measurement.stars) {
    if (star.saturated || star.at_edge || star.followed || star.snr < kLeastSnr) continue;
    if (star.hfr_px) sizes.push_back(*star.hfr_px);
  }
  constexpr std::size_t kFewest = 8;
  constexpr double kNarrow = 0.25;  // of the stars; noise leaves this quantile some percent low
  if (sizes.size() < kFewest) return 1;
  return std::min(1.0, sample_quantile(sizes, kNarrow) / median(sizes));
}

std::optional<Candidate> look_for_bad_seeing(const RunView& run) {
  const Rig& rig = run.record().rig;
  if (!run.curve() || !rig.pixel_um || !rig.focal_length_mm) return std::nullopt;
  const double smallest = run.curve()->smallest_px * narrow_over_typical(run);
  const double arcsec_per_px = *rig.pixel_um / (*rig.focal_length_mm * 1000) * kArcsecPerRadian;
  const double usual = rig.seeing_arcsec.value_or(curve::kTypicalSeeingArcsec);
  const bool hfr = run.record().fit.size_measure == SizeMeasure::hfr;
  double fwhm_px = hfr ? smallest / optics::kKolmogorovHfrOverFwhm : smallest;
  // The optics' and the pixel's own width, taken out in quadrature.
  const double ratio = rig.focal_ratio().value_or(5);
  const double airy_px = 1.03 * rig.wavelength_um * ratio / *rig.pixel_um;
  const double own2 = airy_px * airy_px + 0.46;  // one pixel: 2.355^2 / 12
  fwhm_px = std::sqrt(std::max(fwhm_px * fwhm_px - own2, 0.01));
  const double seeing = fwhm_px * arcsec_per_px;
  Candidate c;
  c.log_odds =
      std::min((rig.seeing_arcsec ? 10 : 8) *
                   std::log(seeing / (usual * (rig.seeing_arcsec ? kBadFactorOfOwn : kBadFactor))),
               3.0);
  // A run is sound only if the focuser did as it was told: what it did is to be taken out first.
  if (const auto& r = run.rivals()) {
    const double focuser =
        std::max({r->slack.log_odds, r->no_motion.log_odds, r->focus_jump.log_odds});
    if (focuser > 0) c.log_odds = std::min(c.log_odds, 0.99 * focuser);
    constexpr double kMostOfFlat = -0.3;  // sizes without a curve say little of its bottom
    if (r->log_odds_flat > 0) c.log_odds = std::min(c.log_odds, kMostOfFlat);
  }
  // Stars of a few pixels cannot distinguish a coarse camera from the air.
  if (fwhm_px < 1.5 || c.log_odds < -6) return std::nullopt;
  c.share = std::clamp(1 - usual / seeing, 0.0, 1.0);
  c.summary = "The smallest stars are " + format_short(seeing) + " arcseconds wide; " +
              (rig.seeing_arcsec ? "this site usually gives " : "usual is about ") +
              format_short(usual) + ". The curve is shallow, the answer less sharp.";
  c.evidence = {{"width of the smallest stars", seeing, "arcsec"},
                {"usual width", usual, "arcsec"},
                {"smallest size", smallest, "px"}};
  c.remedy = {codes::wait_for_steadier_air,
              "Wait for steadier air, let the telescope cool, and sweep wider."};
  c.covers = {"step_too_small"};  // the wide star makes the curve shallow
  const SweepSettings sweep =
      sweep_about(run, run.curve()->best_focus_steps, run.curve()->core_steps());
  c.settings = {{"step_steps", sweep.step_steps}, {"points", static_cast<double>(sweep.points)}};
  return c;
}

}  // namespace

Cause cause_bad_seeing() { return {bad_seeing_page(), look_for_bad_seeing}; }

}  // namespace starwaist::diagnosis
