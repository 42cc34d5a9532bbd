// The codes of what answers say (statement.h), each with the kind of statement it belongs to and
// what it stands for: one list, from which the reference page is made. A reason that is a cause has
// the cause's name as its code (cause_pages); those are not repeated here.
//
// Module: core. Includes nothing of the project.
//
// A code is never renamed and never used for something else; a new statement gets a new one.
#pragma once

#include <array>
#include <string_view>

#define STARWAIST_CODES(CODE)                                                                      \
  CODE(frame, every_star_saturated, "every star found in the frame is saturated")                  \
  CODE(frame, looks_like_a_dark, "many hot pixels and hardly a star: a dark, or a closed cap?")    \
  CODE(frame, rings_too_wide, "far out of focus: the rings are too wide to be measured as stars")  \
  CODE(frame, undersampled, "the pixel sets the size of the stars")                                \
  CODE(frame, gain_disagrees, "the header's gain disagrees with the sky's noise and is not used")  \
  CODE(skipped, file_not_found, "a file or folder that was named is not there")                    \
  CODE(skipped, file_unreadable, "the file is damaged, cut short or may not be read")              \
  CODE(skipped, file_unsupported, "the file is of a kind that is not read here")                   \
  CODE(skipped, nothing_to_measure, "the file was read and holds nothing that could be measured")  \
  CODE(skipped, value_not_understood, "a header value or a cell is not what it must be")           \
  CODE(skipped, input_not_usable, "the input cannot be used as it is")                             \
  CODE(skipped, position_not_known, "the frame's focuser position is not known")                   \
  CODE(skipped, frame_of_focus_run, "a frame of a focus run among those of a night")               \
  CODE(skipped, row_misfits, "the row's cells do not match the headings")                          \
  CODE(skipped, row_names_no_file, "the row names no file")                                        \
  CODE(skipped, row_repeats_file, "the row names a file that another row names already")           \
  CODE(point, no_size_measured, "no size was measured in the frame")                               \
  CODE(point, no_star_found, "no star was found in the frame")                                     \
  CODE(point, not_a_star_of_others, "what was found is none of the other frames' stars")           \
  CODE(point, left_out_by_caller, "whoever gave the points left it out")                           \
  CODE(point, off_the_curve, "it lies off the curve through the other points")                     \
  CODE(curve, few_points, "fewer usable points than a curve can be fitted to")                     \
  CODE(curve, few_positions, "fewer different positions than a curve can be fitted to")            \
  CODE(curve, sizes_all_equal, "no minimum: every size is the same")                               \
  CODE(curve, scatter_hides_minimum, "no minimum: the sizes rise by no more than they scatter")    \
  CODE(curve, minimum_mostly_outside,                                                              \
       "no minimum: best focus may lie far outside the sampled range")                             \
  CODE(curve, minimum_at_larger_positions, "no minimum: best focus lies at larger positions")      \
  CODE(curve, minimum_at_smaller_positions, "no minimum: best focus lies at smaller positions")    \
  CODE(curve, minimum_not_bounded, "no minimum: the points bound best focus on neither side")      \
  CODE(curve, sizes_peak_inside, "the sizes are largest inside the range, as no focus curve is")   \
  CODE(curve, few_points_to_check, "points enough to draw the curve, too few to check it")         \
  CODE(curve, few_positions_to_check,                                                              \
       "different positions enough to draw the curve, too few to check it")                        \
  CODE(curve, many_points_rejected, "more than a third of the points do not fit the others")       \
  CODE(curve, best_focus_outside_range, "best focus lies outside the sampled range")               \
  CODE(curve, few_points_on_one_side, "too few points on one side of best focus")                  \
  CODE(curve, curve_too_flat, "the curve rises too little towards one end")                        \
  CODE(curve, interval_too_wide, "best focus is known too roughly")                                \
  CODE(curve, interval_open, "best focus is known to one sigma only, the 95 % interval is open")   \
  CODE(curve, slope_against_rig, "the arms' slope is not what the rig gives")                      \
  CODE(curve, rests_on_parabola, "the answer rests on the parabola, which is pulled to one side")  \
  CODE(curve, rests_on_rig_slope,                                                                  \
       "too few points: the arms' slope is the rig's, and nothing checks it")                      \
  CODE(curve, side_open_by_rig_slope, "by the rig's slope best focus may lie on either side")      \
  CODE(curve, rests_on_other_runs,                                                                 \
       "the arms' slope and the size in focus are those of other runs")                            \
  CODE(curve, side_open_by_other_runs, "by other runs' slope best focus may lie on either side")   \
  CODE(curve, contradicts_other_runs, "the points contradict the slope of other runs")             \
  CODE(curve, point_perhaps_bad, "a point may be bad; the answer allows for both")                 \
  CODE(curve, sigmas_too_small, "the sizes scatter by more than the sigmas given with them")       \
  CODE(curve, sigmas_too_large, "the sizes scatter by less than the sigmas given with them")       \
  CODE(curve, parabola_is_pulled, "how far a parabola is pulled to one side")                      \
  CODE(run, focus_may_have_jumped, "a jump of the focus would explain the sizes too")              \
  CODE(run, run_not_read, "the run could not be read or fitted")                                   \
  CODE(run, few_shared_stars,                                                                      \
       "frames that share too few stars with the others have their own size")                      \
  CODE(run, defects_left_out, "what stays at its pixel and as it is was left out as a defect")     \
  CODE(run, few_stars_follow, "fewer than five stars follow the run")                              \
  CODE(run, field_not_known, "focus over the field is not known")                                  \
  CODE(run, few_stars_show_field, "few stars show the field's shape")                              \
  CODE(run, field_known_roughly, "tilt and curvature are known only roughly")                      \
  CODE(remedy, sweep_as_above, "the sweep that another finding advises cures this too")            \
  CODE(remedy, expose_as_above, "set the exposure as another finding advises, then look again")    \
  CODE(remedy, switch_off_light, "find the light and switch it off or wait it out")                \
  CODE(remedy, wait_for_steadier_air,                                                              \
       "wait for steadier air, let the telescope cool, sweep wider")                               \
  CODE(remedy, calibrate_or_expose_longer,                                                         \
       "take a dark frame off, cool the sensor, or expose longer")                                 \
  CODE(remedy, calibrate, "take a dark frame off or cool the sensor")                              \
  CODE(remedy, avoid_extended_objects, "focus on a field of stars, or keep the object out")        \
  CODE(remedy, get_more_star_light, "expose longer, or clear filter, binning, a richer field")     \
  CODE(remedy, adjust_flattener_distance, "check the distance from flattener to sensor")           \
  CODE(remedy, correct_tilt, "check that the camera sits square, then correct the tilt")           \
  CODE(remedy, lock_what_moved, "look for what moved, lock it, and repeat the run")                \
  CODE(remedy, clear_dew, "warm the optics, then repeat the run")                                  \
  CODE(remedy, steady_the_image, "check tracking and balance, shield from wind, wait after moves") \
  CODE(remedy, collimate, "collimate on an out-of-focus star, then focus again")                   \
  CODE(remedy, check_focuser_drive,                                                                \
       "look whether the focuser turns the tube, then repeat the run")                             \
  CODE(remedy, repeat_sweep, "repeat the sweep with the settings given")                           \
  CODE(remedy, find_the_side, "take a frame on either side, then sweep where stars are smaller")   \
  CODE(remedy, nothing_to_do, "nothing for this run")                                              \
  CODE(remedy, wait_for_clear_sky, "wait for a clear gap and repeat the run")                      \
  CODE(remedy, expose_less, "expose a quarter as long or lower the gain")                          \
  CODE(remedy, take_up_slack, "go past the start and come back in the sweep's direction")          \
  CODE(remedy, cool_and_shorten, "let the telescope cool and make the run shorter")                \
  CODE(remedy, take_more_points, "take more positions on both sides of best focus")                \
  CODE(plan, limits_push_sweep, "the focuser's limits push the sweep off best focus")              \
  CODE(plan, focuser_too_coarse, "the focuser is coarse for these optics")                         \
  CODE(plan, outermost_stars_wide, "the outermost stars may be too wide to measure")               \
  CODE(plan, curve_will_be_shallow, "the focuser's limits leave room only for a shallow curve")    \
  CODE(plan, frame_will_be_undersampled, "the pixel sets the smallest size")                       \
  CODE(plan, seeing_hides_zone, "the seeing hides more than the critical focus zone")              \
  CODE(plan, accuracy_out_of_reach, "no plan reaches the wanted accuracy")                         \
  CODE(plan, verdict_will_be_doubtful, "with this noise the verdict will often be doubtful")       \
  CODE(plan, no_frame_to_spare, "one lost frame makes the verdict doubtful")                       \
  CODE(plan, half_step_costs, "what half a step off best focus costs in star size")                \
  CODE(plan, um_per_step_learnt, "the micrometres per step follow from the slope of the arms")     \
  CODE(plan, centre_the_sweep, "how near to best focus the sweep must be centred")                 \
  CODE(plan, look_for_rings, "what a frame far from focus shows, and how far off that is")         \
  CODE(plan, keep_to_limits, "the focuser's limits: where it stands is not known")                 \
  CODE(plan, seeing_assumed, "the seeing is not known: a usual one is assumed")                    \
  CODE(plan, size_in_focus_assumed, "the focal length is not known: a size in focus is assumed")   \
  CODE(plan, pixel_assumed, "the pixel is not known: a usual one is assumed")                      \
  CODE(plan, noise_assumed, "no run shows the noise: a usual one is assumed")                      \
  CODE(plan, exposure_assumed, "the run's exposure is not known: a usual one is assumed")          \
  CODE(plan, planned_by_optics, "no run shows a curve: the plan rests on the optics alone")        \
  CODE(backlash, no_usable_point, "no usable point")                                               \
  CODE(backlash, one_direction_only, "all points were taken moving one way")                       \
  CODE(backlash, few_points_for_slack, "fewer usable points than a slack needs")                   \
  CODE(backlash, no_curve_fits, "no focus curve fits the points")                                  \
  CODE(backlash, slack_not_bounded, "the slack may be as large as the sweeps")                     \
  CODE(backlash, slack_wrong_way, "best focus came on the side where slack cannot put it")         \
  CODE(backlash, slack_known_roughly, "the slack is known too roughly")                            \
  CODE(backlash, few_points_in_direction, "too few points in one of the directions")               \
  CODE(backlash, some_points_off, "points that do not fit the others were left out")               \
  CODE(backlash, drift_not_separable,                                                              \
       "two sweeps do not distinguish slack from a drift between them")                            \
  CODE(backlash, temperature_changed,                                                              \
       "drift may look like slack: the temperature changed between the sweeps")                    \
  CODE(backlash, no_slack_found, "no slack was found")                                             \
  CODE(backlash, slack_or_drift, "best focus differs by direction: slack, or a drift between")     \
  CODE(backlash, focus_jumped_at_reversal, "after the reversal the focus jumped at once")          \
  CODE(backlash, no_dead_travel_seen, "no sweep shows dead travel at its beginning")               \
  CODE(backlash, direction_by_limits,                                                              \
       "the final direction is the one that the limits leave room for")                            \
  CODE(backlash, takeup_beyond_limits, "the take-up would go beyond the focuser's limits")         \
  CODE(backlash, direction_by_practice, "the final direction is the usual one; how to choose it")  \
  CODE(backlash, direction_free, "so low in the sky either final direction will do")               \
  CODE(backlash, remaining_slack_unknown, "the run with take-up does not show what slack is left") \
  CODE(backlash, slack_remains, "slack is left with the take-up")                                  \
  CODE(backlash, takeup_works, "with the take-up no slack is seen")                                \
  CODE(drift, few_runs_for_slope, "fewer usable runs than a slope needs")                          \
  CODE(drift, one_temperature,                                                                     \
       "the runs are at one temperature, or each filter at one of its own")                        \
  CODE(drift, few_runs_to_check, "too few runs to judge their scatter")                            \
  CODE(drift, temperatures_too_alike, "the temperatures span too little")                          \
  CODE(drift, slope_against_zone, "the slope is too uncertain for the critical focus zone")        \
  CODE(drift, slope_uncertain, "the slope is uncertain")                                           \
  CODE(drift, run_off_line, "the run lies off the line through the others")                        \
  CODE(drift, run_without_temperature, "the run has no temperature")                               \
  CODE(drift, run_without_focus, "the run gave no best focus")                                     \
  CODE(drift, run_unusable, "the run's own verdict is unusable")                                   \
  CODE(drift, runs_off_line, "too many runs do not lie on one line")                               \
  CODE(drift, temperature_went_with_time, "a drift with time would look the same")                 \
  CODE(drift, focus_lags, "focus follows the thermometer late")                                    \
  CODE(drift, doubtful_runs, "some runs are doubtful: they weigh less")                            \
  CODE(drift, no_slope, "focus moves with temperature by no more than the error")                  \
  CODE(drift, level_shifted, "best focus shifted as a whole: one slope, an offset each")           \
  CODE(drift, beyond_temperatures, "a prediction lies beyond the temperatures that were seen")     \
  CODE(drift, sigmas_unknown, "no run says how sure its best focus is")                            \
  CODE(drift, some_sigmas_unknown, "some runs do not say how sure their best focus is")            \
  CODE(drift, altitude_left_out, "altitude is left out: some runs do not have it")                 \
  CODE(drift, expansion_impossible, "focus moves more than any usual tube")                        \
  CODE(drift, expansion_too_much, "focus moves too much for the tube's material")                  \
  CODE(drift, expansion_plausible, "focus moves as the tube may")                                  \
  CODE(table, sigma_not_positive, "rows with a sigma that is not positive: it counts as unknown")  \
  CODE(table, headings_recognised, "which headings were taken for the position and the size")      \
  CODE(table, diameters_halved, "the sizes are diameters: half of them is used")                   \
  CODE(table, positions_start_again, "the positions start again: two sweeps are read as one run")  \
  CODE(table, time_not_understood, "rows with a time in another form: it counts as unknown")       \
  CODE(night, few_frames_with_size, "too few frames show their size")                              \
  CODE(night, times_missing, "not all frames say when they were taken")                            \
  CODE(night, many_frames_without_stars, "many frames have no star that could be measured")        \
  CODE(night, stars_not_followed, "in many frames the same stars could not be followed")           \
  CODE(night, focus_or_seeing, "lost focus could also be slow seeing")                             \
  CODE(night, cloud_or_dew, "cloud and dew cannot be distinguished")                               \
  CODE(night, position_stale, "the focus was set anew and the position in the headers stays")      \
  CODE(night, positions_missing, "the frames do not say where the focuser stood")                  \
  CODE(night, focuser_follows, "the focuser moved at nearly every frame")                          \
  CODE(night, temperatures_missing, "no rule by temperature: temperatures are not known")          \
  CODE(watch, first_frame, "the first frame")                                                      \
  CODE(watch, find_side, "the first move, to see on which side best focus lies")                   \
  CODE(watch, go_to_likely_focus, "where best focus is likely so far")                             \
  CODE(watch, enclose_best_focus, "the other side of best focus, to enclose it")                   \
  CODE(watch, held_at_limit, "towards best focus, held at the focuser's limit")                    \
  CODE(watch, lower_uncertainty, "where one more frame lowers the uncertainty most")               \
  CODE(watch, enough, "best focus is known as well as wanted")                                     \
  CODE(watch, most_frames_taken, "the run has the most frames that it may have")                   \
  CODE(watch, not_enclosed, "best focus was not enclosed: check that the focuser moves")           \
  CODE(watch, beyond_limit, "best focus lies beyond the focuser's limit")                          \
  CODE(watch, limits_leave_nothing, "the focuser's limits leave no useful position")               \
  CODE(watch, look_for_stars, "no star was seen yet: where stars are likeliest to be seen")        \
  CODE(watch, confirm_star,                                                                        \
       "one object alone: a second frame at the same place shows whether it is a star")            \
  CODE(watch, against_doubt, "best focus is not trusted yet: one more frame near it")              \
  CODE(watch, doubt_stays, "best focus is known and not trusted: more frames do not help")         \
  CODE(watch, no_star_anywhere, "no star was seen at any position")                                \
  CODE(watch, stars_gone, "the stars are gone: clouds")                                            \
  CODE(watch, focus_stays, "positions changed and the star sizes did not")                         \
  CODE(watch, no_position, "the frame has no focuser position")                                    \
  CODE(watch, focuser_has_slack, "the focuser has slack")                                          \
  CODE(watch, next_not_yet_known, "the next position is not known yet")                            \
  CODE(watch, next_not_known, "the next position is not known")                                    \
  CODE(watch, few_frames_yet, "too few frames yet to compare with")                                \
  CODE(watch, no_star_measured, "no star could be measured")                                       \
  CODE(watch, refocus_now, "focus is lost: refocus now")                                           \
  CODE(watch, refocus_does_not_pay, "focus is lost, but a refocus does not pay yet")               \
  CODE(watch, focus_perhaps_lost, "focus may be lost; the next frames will show it")               \
  CODE(watch, loss_is_not_focus, "something else than focus costs the frame")                      \
  CODE(watch, focus_holds, "focus holds")

namespace starwaist::codes {

#define STARWAIST_CODE(kind, code, meaning) inline constexpr const char* code = #code;
STARWAIST_CODES(STARWAIST_CODE)
#undef STARWAIST_CODE

struct Entry {
  std::string_view kind;
  std::string_view code;
  std::string_view meaning;
};

#define STARWAIST_CODE(kind, code, meaning) Entry{#kind, #code, meaning},
inline constexpr std::array kAll = {STARWAIST_CODES(STARWAIST_CODE)};
#undef STARWAIST_CODE

}  // namespace starwaist::codes
