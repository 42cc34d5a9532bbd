#include <algorithm>
#include <cmath>
#include <set>

#include "run/point_facts.h"
#include "run/record_frames.h"
#include "run/record_table.h"
#include "run/sweeps.h"
#include "stars/point_sources.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

// Frames count as taken in the order of their times where all have one, else of their names.
void sort_as_taken(std::vector<MeasuredFrame>& frames) {
  const bool timed = std::all_of(frames.begin(), frames.end(), [](const MeasuredFrame& f) {
    return f.facts.time_utc.has_value();
  });
  std::stable_sort(frames.begin(), frames.end(),
                   [timed](const MeasuredFrame& a, const MeasuredFrame& b) {
                     return timed && *a.facts.time_utc < *b.facts.time_utc;
                   });
}

// One or two objects where other frames show many stars, and none of these.
bool may_be_no_star(const FrameMeasurement& frame, const FrameGroup& frames) {
  constexpr int kManyElsewhere = 5;
  if (shows_stars(frame, frames)) return false;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (frames[i].star_count >= kManyElsewhere) return true;
  }
  return false;
}

CurvePoint point_of(const FrameMeasurement& frame, const MatchedSize& size,
                    const FrameGroup& frames) {
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
    point.reason = run_detail::no_size_reason(frame);
  } else if (may_be_no_star(frame, frames)) {
    point.size_px.reset();
    point.sigma_px.reset();
    point.used = false;
    point.reason = run_detail::not_a_star_reason();
  }
  return point;
}

// What single frames remark, said once for all frames that say it.
std::vector<Statement> remarks_of(const std::vector<MeasuredFrame>& frames) {
  std::vector<Statement> notes;
  std::set<std::string> said;
  for (const MeasuredFrame& frame : frames) {
    for (const Statement& remark : frame.measurement.remarks) {
      if (said.insert(remark.code).second) {
        notes.push_back({remark.code, frame.measurement.file + ": " + remark.text});
      }
    }
  }
  return notes;
}

// Measures the frame taken afterwards, where the options name one; its size is that of the run's
// stars. What manifests say of that frame is in `input`.
Result<void> add_arrival(const RunInput& input, const RunOptions& options, RecordedRun& answer) {
  if (!options.arrived) return {};
  RunInput one;
  one.frames = {*options.arrived};
  one.stated = input.stated;
  const auto arrived = measure_run(one, options);
  if (!arrived) return tl::unexpected<Error>(arrived.error());
  const FrameMeasurement& frame = arrived->frames.front().measurement;
  FrameGroup frames(answer.record.frames);
  frames.add(frame);
  const SizeMeasure measure = answer.record.fit.size_measure;
  answer.arrived =
      RecordedRun::ArrivedFrame{frame.file, frame.position_steps,
                                match_sizes(frames, align_frames(frames, measure), measure).back()};
  return {};
}

// Focus over the field, and the shadow in the frames that show donuts, which are read once more.
void add_field(const RunOptions& options, RecordedRun& answer) {
  RunRecord& record = answer.record;
  if (auto focus = focus_over_field(record.frames, record.tracks, record.fit, record.rig)) {
    record.field_focus = std::move(*focus);
  } else {
    answer.why_no_field = focus.error().text();
  }
  if (!record.fit.best_focus_steps) return;
  FrameReadOptions read = options.read;
  if (!read.channel) read.channel = options.measure.channel;
  record.collimation = find_collimation(record.frames, *record.fit.best_focus_steps, record.rig,
                                        [&](std::size_t i) -> std::optional<Frame> {
                                          if (options.stop && options.stop()) return std::nullopt;
                                          auto frame = read_frame(record.frames[i].path, read);
                                          if (!frame) return std::nullopt;
                                          return one_colour(std::move(*frame), options.measure);
                                        });
}

// Of best focus, by which of the field's stars were measured; absent where there is none to report.
std::optional<double> error_of_choice(const FrameGroup& frames, const Alignment& alignment,
                                      const FitResult& fit, SizeMeasure measure) {
  const ModelFit* curve = chosen_model(fit);
  if (curve == nullptr || !fit.best_focus_steps || !fit.best_focus_sigma_steps) return std::nullopt;
  const double step = *fit.best_focus_sigma_steps;  // small against the curve, if it is any good
  std::vector<double> by_focus_per_step;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto below = curve_size_px(*curve, *frames[i].position_steps - step);
    const auto above = curve_size_px(*curve, *frames[i].position_steps + step);
    if (!below || !above || !(*below > 0) || !(*above > 0)) return std::nullopt;
    by_focus_per_step.push_back((std::log(*below) - std::log(*above)) / (2 * step));
  }
  const auto error = focus_error_of_stars(frames, alignment, measure, by_focus_per_step);
  return error && *error > 0 ? error : std::nullopt;
}

// Galaxies and knots do not count as stars from here on: neither their sizes nor their light.
void set_extended_apart(const Alignment& alignment, std::vector<MeasuredFrame>& frames) {
  const std::vector<bool> extended = stars::extended_objects_of(FrameGroup(frames), alignment);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto& pairs = alignment.pairs[i];
    for (std::size_t k = 0; k < pairs.size(); ++k) {
      if (pairs[k] && extended[*pairs[k]]) frames[i].measurement.stars[k].extended = true;
    }
  }
}

// Moves the frames whose position is known, in the order taken, to the record; the others are
// skipped. Errors: no_data where none is left.
Result<void> take_frames(MeasuredRun run, const RunOptions& options, RecordedRun& answer) {
  answer.record.rig = run.rig;
  answer.skipped = std::move(run.skipped);
  const std::size_t unread = answer.skipped.size();
  for (MeasuredFrame& frame : run.frames) {
    if (frame.facts.position_steps) {
      answer.record.frames.push_back(std::move(frame));
    } else {
      answer.skipped.push_back(
          {frame.measurement.file,
           {codes::position_not_known, run_detail::no_position_reason(options.read)}});
    }
  }
  if (answer.record.frames.empty()) {
    return fail(ErrorCode::no_data,
                answer.skipped[unread].file + ": " + answer.skipped[unread].reason.text);
  }
  sort_as_taken(answer.record.frames);
  return {};
}

// The curve through the frames' sizes, with what the choice of stars leaves open.
Result<void> fit_frames(const FrameGroup& frames, const Alignment& alignment,
                        const std::vector<MatchedSize>& sizes, RunRecord& record) {
  std::vector<CurvePoint> points;
  for (std::size_t i = 0; i < frames.size(); ++i)
    points.push_back(point_of(frames[i], sizes[i], frames));
  const auto fit = [&]() -> Result<void> {
    auto fitted = fit_curve(points, record.rig, record.options);
    if (!fitted) return tl::unexpected<Error>(fitted.error());
    record.fit = std::move(*fitted);
    return {};
  };
  if (auto done = fit(); !done) return done;
  const auto shared = error_of_choice(frames, alignment, record.fit, record.options.size);
  if (!shared) return {};
  record.options.shared_sigma_steps = shared;
  return fit();
}

// Stars that half of the frames have.
std::size_t stars_that_follow(const RunRecord& record) {
  return static_cast<std::size_t>(
      std::count_if(record.tracks.begin(), record.tracks.end(), [&](const StarTrack& track) {
        const auto seen = std::count_if(track.begin(), track.end(),
                                        [](const auto& star) { return star.has_value(); });
        return 2 * static_cast<std::size_t>(seen) >= record.frames.size();
      }));
}

void add_notes(const std::vector<MatchedSize>& sizes, RunRecord& record) {
  std::vector<Statement>& notes = record.fit.notes;
  constexpr std::size_t kFewStars = 5;
  if (const std::size_t stars = stars_that_follow(record); stars < kFewStars) {
    notes.push_back({codes::few_stars_follow,
                     std::to_string(stars) + (stars == 1 ? " star follows" : " stars follow") +
                         " the run: expose longer or point at a richer field"});
  }
  for (Statement& note : remarks_of(record.frames)) notes.push_back(std::move(note));
  const auto alone = std::count_if(sizes.begin(), sizes.end(), [](const MatchedSize& size) {
    return size.size_px && !size.matched;
  });
  if (alone == 0) return;
  notes.push_back({codes::few_shared_stars,
                   std::to_string(alone) + " of " + std::to_string(sizes.size()) +
                       " frames share too few stars with the others: their size is that of "
                       "their own stars"});
}

// Sizes of each frame's own stars; where these are few, so that each of them matters, of the same.
std::vector<MatchedSize> quick_sizes(const FrameGroup& frames, SizeMeasure measure) {
  constexpr int kMany = 25;
  std::vector<MatchedSize> sizes(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const FrameMeasurement& frame = frames[i];
    if (frame.star_count > 0 && frame.star_count < kMany) {
      return match_sizes(frames, align_frames(frames, measure), measure);
    }
    const bool by_hfr = measure == SizeMeasure::hfr;
    sizes[i].size_px = by_hfr ? frame.hfr_px : frame.fwhm_px;
    sizes[i].sigma_px = by_hfr ? frame.hfr_sigma_px : frame.fwhm_sigma_px;
    sizes[i].stars = frame.star_count;
  }
  return sizes;
}

}  // namespace

Statement run_detail::no_size_reason(const FrameMeasurement& frame) {
  if (frame.ring_radius_px) {
    return {codes::rings_too_wide, "rings too wide to be measured as stars"};
  }
  if (frame.saturated_count > 0) {
    return {codes::every_star_saturated, "every star found is saturated"};
  }
  return {codes::no_star_found, "no star was found"};
}

Statement run_detail::not_a_star_reason() {
  return {codes::not_a_star_of_others, "what was found is no star that another frame shows"};
}

std::string run_detail::no_position_reason(const FrameReadOptions& read) {
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

Result<RecordedRun> run_detail::record_frames(MeasuredRun run, const RunOptions& options) {
  RecordedRun answer;
  RunRecord& record = answer.record;
  if (auto taken = take_frames(std::move(run), options, answer); !taken) {
    return tl::unexpected<Error>(taken.error());
  }
  const FrameGroup frames(record.frames);
  const Alignment alignment = align_frames(frames, options.fit.size);
  set_extended_apart(alignment, record.frames);
  const std::vector<MatchedSize> sizes = match_sizes(frames, alignment, options.fit.size);
  record.options = options.fit;
  if (auto done = fit_frames(frames, alignment, sizes, record); !done) {
    return tl::unexpected<Error>(done.error());
  }
  // Tracks are by half-flux radii whatever the fit goes by.
  const bool by_hfr = options.fit.size == SizeMeasure::hfr;
  record.tracks = star_tracks(frames, by_hfr ? alignment : align_frames(frames));
  add_notes(sizes, record);
  record.facts = run_detail::facts_of_frames(frames, record.tracks);
  add_field(options, answer);
  return answer;
}

Result<RecordedRun> run_detail::record_sizes(MeasuredRun run, const RunOptions& options) {
  RecordedRun answer;
  RunRecord& record = answer.record;
  if (auto taken = take_frames(std::move(run), options, answer); !taken) {
    return tl::unexpected<Error>(taken.error());
  }
  const FrameGroup frames(record.frames);
  const std::vector<MatchedSize> sizes = quick_sizes(frames, options.fit.size);
  std::vector<CurvePoint> points;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    points.push_back(point_of(frames[i], sizes[i], frames));
  }
  record.options = options.fit;
  auto fit = fit_curve(points, record.rig, record.options);
  if (!fit) return tl::unexpected<Error>(fit.error());
  record.fit = std::move(*fit);
  record.facts = run_detail::facts_of_frames(frames, {});
  record.frames.clear();  // as of a table: without tracks they say no more
  return answer;
}

Result<RecordedRun> run_detail::record_table(RunTable table, const RunOptions& options) {
  FitOptions fit_options = options.fit;
  fit_options.size = table.size;
  if (auto one = check_one_run(table, options.rig, fit_options); !one) {
    return tl::unexpected<Error>(one.error());
  }
  auto fit = fit_curve(table.points, options.rig, fit_options);
  if (!fit) return tl::unexpected<Error>(fit.error());
  RecordedRun answer;
  answer.record.fit = std::move(*fit);
  answer.record.options = fit_options;
  if (auto added = add_arrival({}, options, answer); !added) {
    return tl::unexpected<Error>(added.error());
  }
  answer.record.rig = options.rig;
  answer.record.facts = run_detail::facts_of_rows(table.facts);
  answer.telescope = std::move(table.telescope);
  answer.skipped = std::move(table.skipped);
  for (Statement& note : table.notes) answer.record.fit.notes.push_back(std::move(note));
  return answer;
}

Result<RecordedRun> record_run(const RunInput& input, const RunOptions& options) {
  if (input.table) {
    auto table = read_run_table(*input.table, options.table);
    if (!table) return tl::unexpected<Error>(table.error());
    return run_detail::record_table(std::move(*table), options);
  }
  RunOptions closer = options;
  closer.follow = true;
  closer.sky = true;
  auto run = measure_run(input, closer);
  if (!run) return tl::unexpected<Error>(run.error());
  auto recorded = run_detail::record_frames(std::move(*run), options);
  if (!recorded) return recorded;
  if (auto added = add_arrival(input, options, *recorded); !added) {
    return tl::unexpected<Error>(added.error());
  }
  return recorded;
}

Result<RecordedRun> record_run(const std::vector<std::string>& inputs, const RunOptions& options) {
  return find_run_input(inputs, options.table).and_then([&options](const RunInput& input) {
    return record_run(input, options);
  });
}

}  // namespace starwaist
