#include "starwaist/session.h"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <map>
#include <numeric>
#include <utility>

#include "core/clock.h"
#include "core/parallel.h"
#include "run/point_facts.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr std::size_t kMostStars = 400;  // of a frame, the brightest whole ones
constexpr double kLeastSnr = 8;
constexpr std::size_t kFewestShared = 5;  // stars that tell that two frames show the same field

// Only what matching and light need stays.
void keep_brightest(FrameMeasurement& frame) {
  std::vector<Star> kept;
  for (const Star& star : frame.stars) {
    if (is_whole(star) && star.snr >= kLeastSnr) kept.push_back(star);
    if (kept.size() == kMostStars) break;
  }
  frame.stars = std::move(kept);
  frame.defects.clear();
  frame.defects.shrink_to_fit();
}

void append(RunMeasurement& all, RunMeasurement more) {
  for (std::size_t i = 0; i < more.frames.size(); ++i) {
    keep_brightest(more.frames[i]);
    all.frames.push_back(std::move(more.frames[i]));
    all.paths.push_back(std::move(more.paths[i]));
    all.altitudes_deg.push_back(more.altitudes_deg[i]);
  }
  all.skipped.insert(all.skipped.end(), more.skipped.begin(), more.skipped.end());
  all.rig = completed(all.rig, more.rig);
}

// Frames in batches, so that the stars of a long night are not all in memory.
Result<RunMeasurement> measure_in_batches(const RunInput& input, const RunOptions& options) {
  RunMeasurement all;
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
          {std::filesystem::path(input.frames[i]).filename().string(), done.error().text()});
    }
  }
  if (all.frames.empty()) {
    return tl::unexpected<Error>(
        first_error.value_or(Error{ErrorCode::no_data, "no frame was given", "Name a folder"}));
  }
  return all;
}

bool all_have_times(const RunMeasurement& run) {
  return std::all_of(run.frames.begin(), run.frames.end(), [](const FrameMeasurement& f) {
    return f.time_utc && core::parse_utc(*f.time_utc);
  });
}

// Keeps the frames of `order`, in it.
void reorder(RunMeasurement& run, const std::vector<std::size_t>& order) {
  RunMeasurement sorted;
  for (const std::size_t i : order) {
    sorted.frames.push_back(std::move(run.frames[i]));
    sorted.paths.push_back(std::move(run.paths[i]));
    sorted.altitudes_deg.push_back(run.altitudes_deg[i]);
  }
  run.frames = std::move(sorted.frames);
  run.paths = std::move(sorted.paths);
  run.altitudes_deg = std::move(sorted.altitudes_deg);
}

void sort_by_time(RunMeasurement& run) {
  if (!all_have_times(run)) return;
  std::vector<double> times;
  times.reserve(run.frames.size());
  for (const auto& frame : run.frames) times.push_back(*core::parse_utc(*frame.time_utc));
  std::vector<std::size_t> order(run.frames.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return times[a] < times[b]; });
  reorder(run, order);
}

// Short exposures, each at another position than the one before, four or more in a row.
void leave_out_focus_runs(RunMeasurement& run) {
  std::vector<double> exposures;
  for (const auto& frame : run.frames) {
    if (frame.exposure_s) exposures.push_back(*frame.exposure_s);
  }
  if (exposures.empty()) return;
  const double usual = sample_quantile(exposures, 0.75);
  const std::size_t n = run.frames.size();
  std::vector<bool> focus_run(n);
  const auto is_short = [&](std::size_t i) {
    return run.frames[i].exposure_s && *run.frames[i].exposure_s < 0.5 * usual &&
           run.frames[i].position_steps;
  };
  for (std::size_t i = 0; i < n;) {
    std::size_t end = i;
    std::size_t moves = 0;
    while (end < n && is_short(end)) {
      if (end > i && run.frames[end].position_steps != run.frames[end - 1].position_steps) ++moves;
      ++end;
    }
    // Several frames may be taken at each position.
    constexpr std::size_t kFewest = 4;
    if (end - i >= kFewest && 3 * moves >= end - i) {
      for (std::size_t k = i; k < end; ++k) focus_run[k] = true;
    }
    i = std::max(end, i + 1);
  }
  std::vector<std::size_t> kept;
  for (std::size_t i = 0; i < n; ++i) {
    if (!focus_run[i]) {
      kept.push_back(i);
    } else {
      run.skipped.push_back({run.frames[i].file,
                             "a short exposure between moves of the focuser: taken as a frame of a "
                             "focus run. See 'starwaist fit' for those"});
    }
  }
  reorder(run, kept);
}

NightFrame facts_of(const FrameMeasurement& frame, const std::optional<double>& altitude_deg) {
  NightFrame facts;
  facts.file = frame.file;
  if (frame.time_utc) facts.time_s = core::parse_utc(*frame.time_utc);
  facts.exposure_s = frame.exposure_s;
  facts.filter = frame.filter;
  facts.position_steps = frame.position_steps;
  facts.temperature_c = frame.temperature_c;
  facts.altitude_deg = altitude_deg;
  facts.size_px = frame.hfr_px;
  facts.size_sigma_px = frame.hfr_sigma_px;
  facts.fwhm_px = frame.fwhm_px;
  facts.eccentricity = frame.eccentricity;
  facts.elongation_angle_deg = frame.elongation_angle_deg;
  facts.elongation_coherence = frame.elongation_coherence;
  if (frame.noise_adu > 0) facts.sky_noise_adu = frame.noise_adu;
  return facts;
}

// Frames of one filter and one field: sizes and light of the same stars.
void judge_group(std::vector<FrameMeasurement>& frames, const std::vector<std::size_t>& members,
                 const std::vector<StarTrack>& tracks, int group, std::vector<NightFrame>& facts) {
  std::vector<FrameMeasurement> own;
  for (const std::size_t i : members) own.push_back(std::move(frames[i]));
  const auto light = run_detail::facts_of_frames(own, tracks);
  if (own.size() > 1) use_matched_sizes(own);
  for (std::size_t k = 0; k < members.size(); ++k) {
    NightFrame& f = facts[members[k]];
    f.group = group;
    f.size_px = own[k].hfr_px;
    f.size_sigma_px = own[k].hfr_sigma_px;
    f.fwhm_px = own[k].fwhm_px;
    if (light[k].light && own.size() > 1) {
      f.dimming_mag = -2.5 * std::log10(*light[k].light / own[k].exposure_s.value_or(1));
      f.dimming_sigma_mag = 1.0857 * *light[k].light_sigma / *light[k].light;
    }
    frames[members[k]] = std::move(own[k]);
  }
}

// Puts the same stars' sizes into the frames; what is known of each.
std::vector<NightFrame> follow_fields(RunMeasurement& run) {
  std::vector<NightFrame> facts;
  std::map<std::string, std::vector<std::size_t>> by_filter;
  for (std::size_t i = 0; i < run.frames.size(); ++i) {
    facts.push_back(facts_of(run.frames[i], run.altitudes_deg[i]));
    by_filter[lower_case(run.frames[i].filter.value_or(""))].push_back(i);
  }
  int group = 0;
  for (auto& [filter, left] : by_filter) {
    while (!left.empty()) {
      std::vector<FrameMeasurement> frames;
      for (const std::size_t i : left) frames.push_back(std::move(run.frames[i]));
      const auto tracks = star_tracks(frames);
      std::vector<std::size_t> shared(left.size(), 0);
      for (const StarTrack& track : tracks) {
        for (std::size_t k = 0; k < track.size(); ++k) shared[k] += track[k] ? 1 : 0;
      }
      for (std::size_t k = 0; k < left.size(); ++k) run.frames[left[k]] = std::move(frames[k]);
      std::vector<std::size_t> places;  // in `left`
      for (std::size_t k = 0; k < left.size(); ++k) {
        if (shared[k] >= kFewestShared) places.push_back(k);
      }
      // Nothing matches any more: the rest counts by its own stars.
      if (places.size() < 2) {
        places.resize(left.size());
        std::iota(places.begin(), places.end(), std::size_t{0});
      }
      std::vector<std::size_t> members;
      std::vector<StarTrack> own;
      for (const std::size_t k : places) members.push_back(left[k]);
      for (const StarTrack& track : tracks) {
        StarTrack part;
        for (const std::size_t k : places) part.push_back(track[k]);
        own.push_back(std::move(part));
      }
      judge_group(run.frames, members, own, group++, facts);
      std::vector<std::size_t> rest;
      for (std::size_t k = 0; k < left.size(); ++k) {
        if (!std::binary_search(places.begin(), places.end(), k)) rest.push_back(left[k]);
      }
      left = std::move(rest);
    }
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
  const auto input = find_run_input(inputs, options.run.table);
  if (!input) return tl::unexpected<Error>(input.error());
  if (input->table) {
    return fail(ErrorCode::no_data, *input->table + ": a table holds no light frame",
                "Name a folder of light frames, or files");
  }
  auto run = measure_in_batches(*input, options.run);
  if (!run) return tl::unexpected<Error>(run.error());
  sort_by_time(*run);
  leave_out_focus_runs(*run);
  SessionAnswer answer;
  answer.facts = follow_fields(*run);
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
  for (const FrameMeasurement& frame : answer.frames) {
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

Result<NightWatchAnswer> LiveNight::add(const std::string& path) {
  auto taken = measure_run({path}, options_.run);
  if (!taken) return tl::unexpected<Error>(taken.error());
  const std::string file = taken->frames.front().file;
  append(so_far_, std::move(*taken));
  ++taken_;
  if (so_far_.frames.size() > kLiveFrames) {
    so_far_.frames.erase(so_far_.frames.begin());
    so_far_.paths.erase(so_far_.paths.begin());
    so_far_.altitudes_deg.erase(so_far_.altitudes_deg.begin());
  }
  RunMeasurement run = so_far_;
  const auto facts = follow_fields(run);
  const FrameMeasurement& frame = run.frames.back();
  NightWatchAnswer answer;
  answer.file = file;
  answer.frames = taken_;
  answer.time_utc = frame.time_utc;
  answer.filter = frame.filter;
  answer.temperature_c = frame.temperature_c;
  answer.size_px = frame.hfr_px;
  const auto judgement = judge_night(facts, night_options(options_, so_far_.rig));
  if (!judgement) {
    answer.advice = frame.hfr_px ? "Too few frames yet to compare with." : "No star was measured.";
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
    // Focus that drifts as x = c t costs least when refocused once c^2 t^3 / 3, the time lost so
    // far, is half of what a refocus takes (see judge_night); a step will not get better.
    const double refocus_s = 60 * options_.refocus_minutes;
    const bool drifts = lost->cause == "thermal_drift" || lost->cause == "focus_drift";
    const bool sure = std::find(lost->also_possible.begin(), lost->also_possible.end(),
                                "bad_seeing") == lost->also_possible.end();
    answer.refocus = sure && (!drifts || lost->exposure_lost_s >= 0.5 * refocus_s);
    answer.advice = lost->summary;
    if (answer.refocus) {
      answer.advice += " Refocus now.";
    } else {
      answer.advice +=
          sure ? " A refocus does not pay yet." : " Not sure yet; the next frames will tell.";
    }
    return answer;
  }
  if (other != nullptr) {
    answer.advice = other->summary;
  } else {
    answer.advice = frame.hfr_px ? "Focus holds." : "No star could be measured in this frame.";
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
