#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "run/arrival.h"
#include "run/point_facts.h"
#include "run/record_frames.h"
#include "run/record_table.h"
#include "starwaist/numbers.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

// Frames count as taken in the order of their times where all have one, else of their names.
void sort_as_taken(std::vector<FrameMeasurement>& frames) {
  const bool timed = std::all_of(frames.begin(), frames.end(),
                                 [](const FrameMeasurement& f) { return f.time_utc.has_value(); });
  std::stable_sort(frames.begin(), frames.end(),
                   [timed](const FrameMeasurement& a, const FrameMeasurement& b) {
                     return timed && *a.time_utc < *b.time_utc;
                   });
}

CurvePoint point_of(const FrameMeasurement& frame, const MatchedSize& size) {
  CurvePoint point;
  point.file = frame.file;
  point.position_steps = *frame.position_steps;
  point.size_px = size.size_px;
  point.sigma_px = size.sigma_px;
  if (size.sigma_px && !(*size.sigma_px > 0)) point.sigma_px.reset();
  point.stars = size.stars;
  point.temperature_c = frame.temperature_c;
  if (!size.size_px) {
    point.used = false;
    point.reason =
        frame.saturated_count > 0 ? "every star found is saturated" : "no star was found";
  }
  return point;
}

// What single frames remark, said once for all frames that say it.
std::vector<std::string> remarks_of(const std::vector<FrameMeasurement>& frames) {
  std::vector<std::string> notes;
  std::set<std::string> said;
  for (const FrameMeasurement& frame : frames) {
    for (const std::string& remark : frame.remarks) {
      if (said.insert(remark.substr(0, remark.find(':'))).second) {
        notes.push_back(frame.file + ": " + remark);
      }
    }
  }
  return notes;
}

std::string no_position_reason(const FrameReadOptions& read) {
  const auto named = std::find_if(read.keywords.rbegin(), read.keywords.rend(),
                                  [](const KeywordName& k) { return k.fact == "position"; });
  const bool is_named = named != read.keywords.rend();
  if (!is_named && !read.position_from_name) {
    return "the file has no focuser position. Name its keyword with --position-key, take it from "
           "the file name with --position-from-name, or list the frames in a CSV (file,position)";
  }
  std::string where;
  if (is_named) where = "no number in the header under " + named->keyword;
  if (read.position_from_name) {
    where += (where.empty() ? "" : ", and ") + ("none in its name by " + *read.position_from_name);
  }
  return where + ". Check --position-key and --position-from-name against the file";
}

StarSize star_size(SizeMeasure measure) {
  return measure == SizeMeasure::fwhm ? StarSize::fwhm : StarSize::hfr;
}

// Holds the frame taken afterwards, where the options name one, against the fit. `frames`: the
// run's (none for a table), so that both are sizes of the same stars. `stated`: what manifests say.
Result<void> add_arrival(std::vector<FrameMeasurement> frames,
                         const std::map<std::string, StatedFacts>& stated,
                         const RunOptions& options, RecordedRun& answer) {
  if (!options.arrived) return {};
  RunInput one;
  one.frames = {*options.arrived};
  one.stated = stated;
  auto arrived = measure_run(one, options);
  if (!arrived) return tl::unexpected<Error>(arrived.error());
  frames.push_back(std::move(arrived->frames.front()));
  const FitResult& fit = answer.record.fit;
  const SizeMeasure measure = fit.size_measure == "fwhm" ? SizeMeasure::fwhm : SizeMeasure::hfr;
  answer.arrived =
      run_detail::judge_arrival(fit, frames.back(), match_sizes(frames, star_size(measure)).back());
  return {};
}

// Focus over the field, and the shadow in the frames that show donuts, which are read once more.
void add_field(const std::map<std::string, std::string>& path_of, const RunOptions& options,
               RunRecord& record) {
  if (auto focus = focus_over_field(record.frames, record.tracks, record.fit, record.rig)) {
    record.field_focus = std::move(*focus);
  }
  if (!record.fit.best_focus_steps) return;
  FrameReadOptions read = options.read;
  if (!read.channel) read.channel = options.measure.channel;
  record.collimation = find_collimation(
      record.frames, *record.fit.best_focus_steps, record.rig,
      [&](std::size_t i) -> std::optional<Frame> {
        if (options.stop && options.stop()) return std::nullopt;
        auto frame = read_frame(path_of.at(record.frames[i].file), read);
        if (!frame) return std::nullopt;
        return color_channel(std::move(*frame),
                             options.measure.channel.value_or(ColorChannel::green));
      });
}

// Of best focus, by which of the field's stars were measured; absent where there is none to tell.
std::optional<double> error_of_choice(const std::vector<FrameMeasurement>& frames,
                                      const FitResult& fit, SizeMeasure measure) {
  const ModelFit* curve = chosen_model(fit);
  if (curve == nullptr || !fit.best_focus_steps || !fit.best_focus_sigma_steps) return std::nullopt;
  const double step = *fit.best_focus_sigma_steps;  // small against the curve, if it is any good
  std::vector<double> by_focus_per_step;
  for (const FrameMeasurement& frame : frames) {
    const auto below = curve_size_px(*curve, *frame.position_steps - step);
    const auto above = curve_size_px(*curve, *frame.position_steps + step);
    if (!below || !above || !(*below > 0) || !(*above > 0)) return std::nullopt;
    by_focus_per_step.push_back((std::log(*below) - std::log(*above)) / (2 * step));
  }
  const auto error = focus_error_of_stars(frames, star_size(measure), by_focus_per_step);
  return error && *error > 0 ? error : std::nullopt;
}

}  // namespace

Result<RecordedRun> run_detail::record_frames(RunMeasurement run,
                                              const std::map<std::string, StatedFacts>& stated,
                                              const RunOptions& options, Keep keep) {
  RecordedRun answer;
  answer.record.rig = run.rig;
  answer.skipped = std::move(run.skipped);

  std::vector<FrameMeasurement>& frames = answer.record.frames;
  const std::size_t unread = answer.skipped.size();
  std::map<std::string, std::string> path_of;  // by name
  for (std::size_t i = 0; i < run.frames.size(); ++i) {
    path_of[run.frames[i].file] = run.paths[i];
  }
  for (FrameMeasurement& frame : run.frames) {
    if (frame.position_steps) {
      frames.push_back(std::move(frame));
      continue;
    }
    answer.skipped.push_back({frame.file, no_position_reason(options.read)});
  }
  if (frames.empty()) {
    return fail(ErrorCode::no_data,
                answer.skipped[unread].file + ": " + answer.skipped[unread].reason);
  }
  sort_as_taken(frames);
  const std::vector<MatchedSize> sizes = match_sizes(frames, star_size(options.fit.size));
  std::vector<CurvePoint> points;
  std::size_t alone = 0;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    points.push_back(point_of(frames[i], sizes[i]));
    alone += sizes[i].size_px && !sizes[i].matched ? 1 : 0;
  }
  auto fit = fit_curve(points, answer.record.rig, options.fit);
  if (!fit) return tl::unexpected<Error>(fit.error());
  if (const auto shared = error_of_choice(frames, *fit, options.fit.size)) {
    FitOptions with_shared = options.fit;
    with_shared.shared_sigma_steps = shared;
    fit = fit_curve(points, answer.record.rig, with_shared);
    if (!fit) return tl::unexpected<Error>(fit.error());
  }
  answer.record.fit = std::move(*fit);
  if (auto added = add_arrival(frames, stated, options, answer); !added) {
    return tl::unexpected<Error>(added.error());
  }
  std::vector<std::string>& notes = answer.record.fit.notes;
  for (std::string& note : remarks_of(frames)) notes.push_back(std::move(note));
  if (alone > 0) {
    notes.push_back(std::to_string(alone) + " of " + std::to_string(frames.size()) +
                    " frames share too few stars with the others: their size is that of "
                    "their own stars");
  }
  if (keep == Keep::fit) return answer;
  answer.record.tracks = star_tracks(frames);
  answer.record.facts = run_detail::facts_of_frames(frames, answer.record.tracks);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto sky = run.sky_of.find(frames[i].file);
    if (sky != run.sky_of.end()) answer.record.facts[i].sky = sky->second;
  }
  if (options.field) add_field(path_of, options, answer.record);
  return answer;
}

Result<RecordedRun> run_detail::record_table(RunTable table, const RunOptions& options) {
  FitOptions fit_options = options.fit;
  fit_options.size = table.size;
  auto fit = fit_curve(table.points, options.rig, fit_options);
  if (!fit) return tl::unexpected<Error>(fit.error());
  RecordedRun answer;
  answer.record.fit = std::move(*fit);
  if (auto added = add_arrival({}, {}, options, answer); !added) {
    return tl::unexpected<Error>(added.error());
  }
  answer.record.rig = options.rig;
  answer.record.facts = run_detail::facts_of_rows(table.facts);
  answer.telescope = std::move(table.telescope);
  answer.skipped = std::move(table.skipped);
  for (std::string& note : table.notes) answer.record.fit.notes.push_back(std::move(note));
  return answer;
}

RunFit fit_of(const RecordedRun& recorded) {
  return {recorded.record.fit, recorded.skipped, recorded.record.rig, recorded.arrived};
}

Result<RecordedRun> run_detail::record_inputs(const std::vector<std::string>& inputs,
                                              const RunOptions& options, Keep keep) {
  const auto input = find_run_input(inputs, options.table);
  if (!input) return tl::unexpected<Error>(input.error());
  if (!input->table) {
    RunOptions following = options;
    following.follow = true;
    auto run = measure_run(*input, following);
    if (!run) return tl::unexpected<Error>(run.error());
    return run_detail::record_frames(std::move(*run), input->stated, options, keep);
  }
  auto table = read_run_table(*input->table, options.table);
  if (!table) return tl::unexpected<Error>(table.error());
  return run_detail::record_table(std::move(*table), options);
}

Result<RecordedRun> record_run(const std::vector<std::string>& inputs, const RunOptions& options) {
  return run_detail::record_inputs(inputs, options, run_detail::Keep::evidence);
}

Result<RunFit> fit_run(const std::vector<std::string>& inputs, const RunOptions& options) {
  return run_detail::record_inputs(inputs, options, run_detail::Keep::fit).map(fit_of);
}

RunDiagnosis diagnosis_of(const RecordedRun& recorded) {
  Diagnosis found = diagnose(recorded.record);
  RunDiagnosis answer{fit_of(recorded), std::move(found.findings), found.decisive};
  answer.run.fit = std::move(found.fit);
  return answer;
}

Result<RunDiagnosis> diagnose_run(const std::vector<std::string>& inputs,
                                  const RunOptions& options) {
  RunOptions closer = options;
  closer.field = true;
  return record_run(inputs, closer).map(diagnosis_of);
}

}  // namespace starwaist
