#include <algorithm>
#include <cmath>
#include <filesystem>
#include <map>
#include <numeric>
#include <utility>

#include "core/clock.h"
#include "core/parallel.h"
#include "run/matched_sizes.h"
#include "run/point_facts.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/session.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr std::size_t kMostStars = 400;  // of a frame, the brightest whole ones
constexpr double kLeastSnr = 8;
constexpr std::size_t kFewestShared = 5;  // stars that show two frames to be of the same field

// Only what matching and light need stays.
void keep_brightest(MeasuredFrame& frame) {
  std::vector<Star> kept;
  for (const Star& star : frame.measurement.stars) {
    if (is_whole(star) && star.snr >= kLeastSnr) kept.push_back(star);
    if (kept.size() == kMostStars) break;
  }
  frame.measurement.stars = std::move(kept);
  frame.measurement.defects.clear();
  frame.measurement.defects.shrink_to_fit();
  frame.model.reset();
}

void append(MeasuredRun& all, MeasuredRun more) {
  for (MeasuredFrame& frame : more.frames) {
    keep_brightest(frame);
    all.frames.push_back(std::move(frame));
  }
  all.skipped.insert(all.skipped.end(), more.skipped.begin(), more.skipped.end());
  all.rig = completed(all.rig, more.rig);
}

// Frames in batches, so that the stars of a long night are not all in memory.
Result<MeasuredRun> measure_in_batches(const RunInput& input, const RunOptions& options) {
  MeasuredRun all;
  all.rig = options.rig;
  all.skipped = input.skipped;
  const auto total = static_cast<int>(input.frames.size());
  const auto batch =
      std::max<std::size_t>(8 * static_cast<std::size_t>(core::thread_count(options.threads)), 8);
  std::optional<Error> first_error;
  const auto measure = [&](std::size_t first, std::size_t count) -> Result<void> {
    RunInput part;
    part.frames.assign(input.frames.begin() + static_cast<std::ptrdiff_t>(first),
                       input.frames.begin() + static_cast<std::ptrdiff_t>(first + count));
    part.stated = input.stated;
    RunOptions own = options;
    own.follow = false;
    if (options.progress) {
      own.progress = [&](int done, int) {
        options.progress(static_cast<int>(first) + done, total);
      };
    }
    auto measured = measure_run(part, own);
    if (!measured) return tl::unexpected<Error>(measured.error());
    append(all, std::move(*measured));
    return {};
  };
  for (std::size_t first = 0; first < input.frames.size(); first += batch) {
    const std::size_t count = std::min(batch, input.frames.size() - first);
    auto done = measure(first, count);
    if (done) continue;
    if (done.error().code == ErrorCode::interrupted) return tl::unexpected<Error>(done.error());
    // None of them could be measured: each by itself, for its own reason.
    for (std::size_t i = first; i < first + count; ++i) {
      done = measure(i, 1);
      if (done) continue;
      if (done.error().code == ErrorCode::interrupted) return tl::unexpected<Error>(done.error());
      if (!first_error) first_error = done.error();
      all.skipped.push_back(
          skipped_by(std::filesystem::path(input.frames[i]).filename().string(), done.error()));
    }
  }
  if (all.frames.empty()) {
    return tl::unexpected<Error>(
        first_error.value_or(Error{ErrorCode::no_data, "no frame was given", "Name a folder"}));
  }
  return all;
}

// In the order taken, where all have a time.
void sort_by_time(std::vector<MeasuredFrame>& frames) {
  const auto time_of = [](const MeasuredFrame& frame) {
    return frame.facts.time_utc ? core::parse_utc(*frame.facts.time_utc) : std::nullopt;
  };
  if (!std::all_of(frames.begin(), frames.end(), time_of)) return;
  std::stable_sort(
      frames.begin(), frames.end(),
      [&](const MeasuredFrame& a, const MeasuredFrame& b) { return *time_of(a) < *time_of(b); });
}

// Short exposures, each at another position than the one before, four or more in a row.
void leave_out_focus_runs(MeasuredRun& run) {
  const std::vector<MeasuredFrame>& frames = run.frames;
  std::vector<double> exposures;
  for (const MeasuredFrame& frame : frames) {
    if (frame.facts.exposure_s) exposures.push_back(*frame.facts.exposure_s);
  }
  if (exposures.empty()) return;
  const double usual = sample_quantile(exposures, 0.75);
  const std::size_t n = frames.size();
  std::vector<bool> focus_run(n);
  const auto is_short = [&](std::size_t i) {
    const HeaderFacts& facts = frames[i].facts;
    return facts.exposure_s && *facts.exposure_s < 0.5 * usual && facts.position_steps;
  };
  for (std::size_t i = 0; i < n;) {
    std::size_t end = i;
    std::size_t moves = 0;
    while (end < n && is_short(end)) {
      if (end > i && frames[end].facts.position_steps != frames[end - 1].facts.position_steps) {
        ++moves;
      }
      ++end;
    }
    // Several frames may be taken at each position.
    constexpr std::size_t kFewest = 4;
    if (end - i >= kFewest && 3 * moves >= end - i) {
      for (std::size_t k = i; k < end; ++k) focus_run[k] = true;
    }
    i = std::max(end, i + 1);
  }
  std::vector<MeasuredFrame> kept;
  for (std::size_t i = 0; i < n; ++i) {
    if (!focus_run[i]) {
      kept.push_back(std::move(run.frames[i]));
    } else {
      run.skipped.push_back(
          {frames[i].measurement.file,
           {codes::frame_of_focus_run,
            "a short exposure between moves of the focuser: taken as a frame of a "
            "focus run. See 'starwaist fit' for those"}});
    }
  }
  run.frames = std::move(kept);
}

NightFrame facts_of(const MeasuredFrame& measured) {
  const FrameMeasurement& frame = measured.measurement;
  NightFrame facts;
  facts.file = frame.file;
  if (frame.time_utc) facts.time_s = core::parse_utc(*frame.time_utc);
  facts.exposure_s = frame.exposure_s;
  facts.filter = frame.filter;
  facts.position_steps = frame.position_steps;
  facts.temperature_c = frame.temperature_c;
  facts.altitude_deg = measured.facts.altitude_deg;
  facts.size_px = frame.hfr_px;
  facts.size_sigma_px = frame.hfr_sigma_px;
  facts.fwhm_px = frame.fwhm_px;
  facts.eccentricity = frame.eccentricity;
  facts.elongation_angle_deg = frame.elongation_angle_deg;
  facts.elongation_coherence = frame.elongation_coherence;
  if (frame.noise_adu > 0) facts.sky_noise_adu = frame.noise_adu;
  return facts;
}

// Some of the frames, by index, and the stars that they share.
struct Field {
  std::vector<std::size_t> members;
  std::vector<StarTrack> tracks;
};

FrameGroup group_of(const std::vector<MeasuredFrame>& frames,
                    const std::vector<std::size_t>& members) {
  FrameGroup group;
  for (const std::size_t i : members) group.add(frames[i].measurement);
  return group;
}

// Frames of one filter and one field: sizes and light of the same stars.
void judge_group(std::vector<MeasuredFrame>& frames, const Field& field, int group,
                 std::vector<NightFrame>& facts) {
  const auto light = run_detail::facts_of_frames(group_of(frames, field.members), field.tracks);
  const bool several = field.members.size() > 1;
  if (several) {
    std::vector<MeasuredFrame*> own;
    for (const std::size_t i : field.members) own.push_back(&frames[i]);
    run_detail::use_matched_sizes(own);
  }
  for (std::size_t k = 0; k < field.members.size(); ++k) {
    const FrameMeasurement& frame = frames[field.members[k]].measurement;
    NightFrame& f = facts[field.members[k]];
    f.group = group;
    f.size_px = frame.hfr_px;
    f.size_sigma_px = frame.hfr_sigma_px;
    f.fwhm_px = frame.fwhm_px;
    if (light[k].light && several) {
      f.dimming_mag = -2.5 * std::log10(*light[k].light / frame.exposure_s.value_or(1));
      f.dimming_sigma_mag = 1.0857 * *light[k].light_sigma / *light[k].light;
    }
  }
}

// Takes the frames of one field out of `left`, those of one filter.
Field take_field(const std::vector<MeasuredFrame>& frames, std::vector<std::size_t>& left) {
  const FrameGroup group = group_of(frames, left);
  const auto tracks = star_tracks(group, align_frames(group));
  std::vector<std::size_t> shared(left.size(), 0);
  for (const StarTrack& track : tracks) {
    for (std::size_t k = 0; k < track.size(); ++k) shared[k] += track[k] ? 1 : 0;
  }
  std::vector<std::size_t> places;  // in `left`
  for (std::size_t k = 0; k < left.size(); ++k) {
    if (shared[k] >= kFewestShared) places.push_back(k);
  }
  // Nothing matches any more: the rest counts by its own stars.
  if (places.size() < 2) {
    places.resize(left.size());
    std::iota(places.begin(), places.end(), std::size_t{0});
  }
  Field field;
  for (const std::size_t k : places) field.members.push_back(left[k]);
  for (const StarTrack& track : tracks) {
    StarTrack& own = field.tracks.emplace_back();
    for (const std::size_t k : places) own.push_back(track[k]);
  }
  std::erase_if(left, [&field](std::size_t i) {
    return std::binary_search(field.members.begin(), field.members.end(), i);
  });
  return field;
}

// Puts the same stars' sizes into the frames; what is known of each.
std::vector<NightFrame> follow_fields(std::vector<MeasuredFrame>& frames) {
  std::vector<NightFrame> facts;
  std::map<std::string, std::vector<std::size_t>> by_filter;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    facts.push_back(facts_of(frames[i]));
    by_filter[lower_case(frames[i].facts.filter.value_or(""))].push_back(i);
  }
  int group = 0;
  for (auto& [filter, left] : by_filter) {
    while (!left.empty()) judge_group(frames, take_field(frames, left), group++, facts);
  }
  return facts;
}

NightOptions night_options(const SessionOptions& options, const Rig& rig) {
  NightOptions night;
  night.refocus_minutes = options.refocus_minutes;
  if (const auto zone = critical_focus_zone_steps(rig)) night.half_zone_steps = *zone / 2;
  night.arm_slope_px_per_step = arm_slope_px_per_step(rig);
  return night;
}

}  // namespace

Result<SessionAnswer> judge_session(const std::vector<std::string>& inputs,
                                    const SessionOptions& options) {
  return find_run_input(inputs, options.run.table).and_then([&options](const RunInput& input) {
    return judge_session(input, options);
  });
}

Result<SessionAnswer> judge_session(const RunInput& input, const SessionOptions& options) {
  if (input.table) {
    return fail(ErrorCode::no_data, *input.table + ": a table holds no light frame",
                "Name a folder of light frames, or files");
  }
  auto run = measure_in_batches(input, options.run);
  if (!run) return tl::unexpected<Error>(run.error());
  sort_by_time(run->frames);
  leave_out_focus_runs(*run);
  SessionAnswer answer;
  answer.facts = follow_fields(run->frames);
  if (options.run.stop && options.run.stop()) return fail(ErrorCode::interrupted, "interrupted");
  auto judgement = judge_night(answer.facts, night_options(options, run->rig));
  if (!judgement) return tl::unexpected<Error>(judgement.error());
  answer.judgement = std::move(*judgement);
  answer.frames = std::move(run->frames);
  answer.skipped = std::move(run->skipped);
  answer.rig = run->rig;
  return answer;
}

std::vector<LedgerMeasurement> ledger_measurements(const SessionAnswer& answer,
                                                   const std::string& rig) {
  std::vector<LedgerMeasurement> measurements;
  for (const MeasuredFrame& measured : answer.frames) {
    const FrameMeasurement& frame = measured.measurement;
    LedgerMeasurement m;
    m.rig = rig;
    m.file = frame.file;
    m.time_utc = frame.time_utc;
    m.filter = frame.filter;
    m.exposure_s = frame.exposure_s;
    m.temperature_c = frame.temperature_c;
    m.position_steps = frame.position_steps;
    m.hfr_px = frame.hfr_px;
    m.hfr_sigma_px = frame.hfr_sigma_px;
    m.fwhm_px = frame.fwhm_px;
    m.eccentricity = frame.eccentricity;
    m.star_count = frame.star_count;
    m.background_adu = frame.background_adu;
    measurements.push_back(std::move(m));
  }
  return measurements;
}

LiveNight::LiveNight(SessionOptions options) : options_(std::move(options)) {
  so_far_.rig = options_.run.rig;
}

namespace {

void advise_on_lost_focus(const NightPeriod& lost, double refocus_minutes,
                          NightWatchAnswer& answer) {
  // Focus that drifts as x = c t costs least when refocused once c^2 t^3 / 3, the time lost so
  // far, is half of what a refocus takes (see judge_night); a step will not get better.
  const double refocus_s = 60 * refocus_minutes;
  const bool drifts = lost.cause == "thermal_drift" || lost.cause == "focus_drift";
  const bool sure = std::find(lost.also_possible.begin(), lost.also_possible.end(), "bad_seeing") ==
                    lost.also_possible.end();
  answer.refocus = sure && (!drifts || lost.exposure_lost_s >= 0.5 * refocus_s);
  if (answer.refocus) {
    answer.advice = {codes::refocus_now, lost.summary + " Refocus now."};
  } else if (sure) {
    answer.advice = {codes::refocus_does_not_pay, lost.summary + " A refocus does not pay yet."};
  } else {
    answer.advice = {codes::focus_perhaps_lost,
                     lost.summary + " Not sure yet; the next frames will tell."};
  }
}

}  // namespace

Result<NightWatchAnswer> LiveNight::add(const std::string& path) {
  auto taken = measure_run({path}, options_.run);
  if (!taken) return tl::unexpected<Error>(taken.error());
  const std::string file = taken->frames.front().measurement.file;
  append(so_far_, std::move(*taken));
  ++taken_;
  if (so_far_.frames.size() > kLiveFrames) so_far_.frames.erase(so_far_.frames.begin());
  std::vector<MeasuredFrame> frames = so_far_.frames;  // their own sizes are matched anew each time
  const auto facts = follow_fields(frames);
  const FrameMeasurement& frame = frames.back().measurement;
  NightWatchAnswer answer;
  answer.file = file;
  answer.frames = taken_;
  answer.time_utc = frame.time_utc;
  answer.filter = frame.filter;
  answer.temperature_c = frame.temperature_c;
  answer.size_px = frame.hfr_px;
  const auto judgement = judge_night(facts, night_options(options_, so_far_.rig));
  if (!judgement) {
    answer.advice = frame.hfr_px
                        ? Statement{codes::few_frames_yet, "Too few frames yet to compare with."}
                        : Statement{codes::no_star_measured, "No star was measured."};
    return answer;
  }
  const NightFrameAnswer& own = judgement->frames.back();
  answer.loss_percent = own.loss_percent;
  answer.focus_loss_percent = own.focus_loss_percent;
  answer.light_percent = own.light_percent;
  answer.cause = own.cause;
  if (answer.size_px && own.loss_percent) {
    answer.best_size_px = *answer.size_px / (1 + *own.loss_percent / 100);
  }
  // The last period that reaches this frame and that a refocus would end.
  const NightPeriod* lost = nullptr;
  const NightPeriod* other = nullptr;
  for (const NightPeriod& period : judgement->result.periods) {
    if (period.to_file != file) continue;
    (period.focus_lost ? lost : other) = &period;
  }
  if (lost != nullptr) {
    advise_on_lost_focus(*lost, options_.refocus_minutes, answer);
    return answer;
  }
  if (other != nullptr) {
    answer.advice = {codes::loss_is_not_focus, other->summary};
  } else if (frame.hfr_px) {
    answer.advice = {codes::focus_holds, "Focus holds."};
  } else {
    answer.advice = {codes::no_star_measured, "No star could be measured in this frame."};
  }
  return answer;
}

std::optional<bool> looks_like_night(const std::vector<HeaderFacts>& frames) {
  constexpr double kSurelyLong = 60;
  constexpr double kLong = 15;
  constexpr std::size_t kEnough = 3;
  if (frames.empty()) return std::nullopt;
  for (const HeaderFacts& f : frames) {
    if (f.position_steps != frames.front().position_steps) return false;
    if (!f.exposure_s || *f.exposure_s < kLong) return false;
  }
  const bool sure = *frames.front().exposure_s >= kSurelyLong;
  if (sure || frames.size() >= kEnough) return true;
  return std::nullopt;
}

}  // namespace starwaist
