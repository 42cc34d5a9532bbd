#include <algorithm>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "report/fit_parts.h"
#include "report/opening.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

using report::answer_line;
using report::count_words;
using report::dashed_table;
using report::printable;
using report::section;
using report::shortened;
using report::wrapped;

constexpr std::size_t kFileWidth = 22;  // of a column of file names: no wider

std::string laid_out(const report::Table& table, std::size_t width) {
  return dashed_table(table.columns, table.rows, width);
}

}  // namespace

std::string measure_table(const MeasuredRun& run, const TextOptions& options) {
  const std::size_t width = options.width;
  std::vector<const FrameMeasurement*> frames;
  std::size_t without_stars = 0;
  const FrameMeasurement* smallest = nullptr;
  for (const MeasuredFrame& measured : run.frames) {
    const FrameMeasurement& frame = measured.measurement;
    if (!frame.hfr_px) ++without_stars;
    if (frame.hfr_px && (smallest == nullptr || *frame.hfr_px < *smallest->hfr_px)) {
      smallest = &frame;
    }
    frames.push_back(&frame);
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
  text += "\n" + laid_out(report::frames_table(frames, kFileWidth), width) + "\n" +
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

std::string fit_table(const RunAnswer& run, const TextOptions& options) {
  if (!options.details) return opening_text(run, options);
  const FitResult& fit = run.fit;
  const std::size_t width = options.width;
  std::string text =
      report::opening(run, width) + "\n" + report::verdict_line(fit.verdict, {}, width);
  for (const report::NamedLine& line : report::fit_lines(run)) {
    text += answer_line(line.name, line.text, width);
  }
  text += report::why_not_trusted(report::further_reasons(run), width);
  if (!fit.points.empty()) text += "\n" + laid_out(report::points_table(fit, kFileWidth), width);
  text += section("Not used", report::rejection_lines(fit), width);
  if (!fit.models.empty()) text += "\n" + laid_out(report::models_table(fit), width);
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
