// The schema of each answer: the descriptions of its structs, put together as the report does.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "report/json_schema.h"
#include "starwaist/backlash.h"
#include "starwaist/diagnosis.h"
#include "starwaist/drift.h"
#include "starwaist/field.h"
#include "starwaist/ledger.h"
#include "starwaist/live.h"
#include "starwaist/move.h"
#include "starwaist/night.h"
#include "starwaist/plan.h"
#include "starwaist/render.h"
#include "starwaist/run.h"
#include "starwaist/session.h"

namespace starwaist::json_schema {

// An answer begins with the name of its schema.
inline Json answer(const std::string& name) {
  Json object = empty_object();
  add_key(object, "schema", {{"const", "starwaist/" + name + "/1"}}, "name of this schema");
  return object;
}

template <Described Struct>
Json answer_of(const std::string& name) {
  Json object = answer(name);
  add_fields<Struct>(object);
  return object;
}

inline void add_skipped(Json& object) {
  add_value<std::vector<SkippedFile>>(object, "skipped", "files and rows that were left out");
}
inline void add_rig(Json& object) {
  add_value<Rig>(object, "rig", "the rig, completed from the headers");
}
inline void add_run_name(Json& object) {
  add_value<std::string>(object, "run", "name of the run, with --each");
  make_optional(object, {"run"});
}

inline Json frame_object() {
  Json frame = object_of<FrameMeasurement>();
  make_optional(frame, {"stars", "defects"});
  return frame;
}

inline Json measure() {
  Json object = answer("measure");
  add_key(object, "frames", array_of(frame_object()), "the frames");
  add_skipped(object);
  add_rig(object);
  return object;
}

inline Json fit() {
  Json object = answer_of<FitResult>("fit");
  add_value<std::optional<Move>>(object, "move", "where to go for best focus");
  add_skipped(object);
  add_rig(object);
  add_value<std::optional<Arrival>>(object, "arrived", "frame taken at best focus, by --arrived");
  add_run_name(object);
  return object;
}

inline Json diagnose() {
  Json object = answer("diagnose");
  add_key(object, "fit", fit(), "as fit answers");
  add_value<std::vector<Finding>>(object, "findings", "what happened, the decisive one first");
  add_value<bool>(object, "healthy", "no finding, and the answer is trusted");
  add_run_name(object);
  return object;
}

inline Json field() {
  using Number = std::optional<double>;
  Json object = answer("field");
  add_value<std::vector<FieldZone>>(object, "zones", "focus in each part of the field");
  add_value<Number>(object, "tilt_x_steps", "right edge less left edge", "steps");
  add_value<Number>(object, "tilt_y_steps", "last row less first row", "steps");
  add_value<Number>(object, "tilt_sigma_steps", "the larger of the two errors", "steps");
  add_value<Number>(object, "tilt_x_sigma_steps", "standard error of tilt_x_steps", "steps");
  add_value<Number>(object, "tilt_y_sigma_steps", "standard error of tilt_y_steps", "steps");
  add_value<Number>(object, "curvature_steps", "corners less centre, tilt taken out", "steps");
  add_value<Number>(object, "curvature_sigma_steps", "its standard error", "steps");
  add_value<Number>(object, "centre_focus_steps", "best focus of the field's centre", "steps");
  add_value<Number>(object, "compromise_focus_steps", "where the field's median size is smallest",
                    "steps");
  add_value<Interval>(object, "flat_steps", "in which the median size grows by less than 1 %",
                      "steps");
  add_value<Number>(object, "edge_growth_percent", "what the worst edge loses in size");
  add_value<std::optional<int>>(object, "stars", "stars that show the field's shape");
  add_value<std::optional<Collimation>>(object, "collimation", "the shadow in out-of-focus stars");
  const Json run = object_of<FitResult>();
  for (const char* key : {"best_focus_steps", "best_focus_sigma_steps", "interval_68_steps",
                          "interval_95_steps", "critical_focus_zone_steps", "probability_in_zone",
                          "verdict", "reasons", "reason_codes", "notes", "note_codes"}) {
    object["properties"][key] = run["properties"][key];
    object["required"].push_back(key);
  }
  add_skipped(object);
  return object;
}

inline Json backlash() {
  Json object = answer_of<BacklashResult>("backlash");
  add_skipped(object);
  return object;
}

inline Json drift() {
  Json object = answer_of<DriftResult>("drift");
  add_skipped(object);
  return object;
}

inline Json log() {
  Json run = object_of<LedgerRun>();
  make_optional(run, {"points"});
  Json object = answer("log");
  add_key(object, "runs", array_of(run), "the runs");
  return object;
}

inline Json log_check() {
  Json object = answer("log");
  add_value<bool>(object, "whole", "no fault was found");
  add_value<std::vector<std::string>>(object, "faults", "what is wrong with the file");
  Json counts = empty_object();
  for (const char* what : {"rigs", "runs", "points", "measurements"}) {
    add_value<int>(counts, what, std::string("number of ") + what);
  }
  add_key(object, "counts", counts, "what the ledger holds");
  return object;
}

inline Json night() {
  Json frame = frame_object();
  add_fields<NightFrameAnswer>(frame);
  Json object = answer("night");
  add_key(object, "frames", array_of(frame), "the frames");
  add_fields<NightResult>(object);
  add_skipped(object);
  return object;
}

inline Json night_watch() {
  Json object = answer("watch");
  add_key(object, "mode", {{"const", "night"}}, "of a night's sub-exposures");
  add_fields<NightWatchAnswer>(object);
  for (const char* key :
       {"best_focus_steps", "best_focus_sigma_steps", "next_position_steps", "enough"}) {
    add_key(object, key, {{"type", "null"}}, "only of a focus run");
  }
  return object;
}

inline Json truth() {
  Json object = answer_of<RenderTruth>("truth");
  Json& options = object["properties"]["options"];
  make_optional(
      options, {"slack_steps", "focus_um_per_c", "focus_drift_um", "seeing_factor", "sky_gradients",
                "trail_angles_deg", "shake_px", "hot_neighbour_share", "extended_objects",
                "extended_radius_px", "bright_core_electrons", "scenarios"});
  // They stand where they are seen.
  object["properties"]["scenarios"] = options["properties"]["scenarios"];
  options["properties"].erase("scenarios");
  return object;
}

// One of several objects with the same name of a schema.
inline Json either(std::vector<Json> objects) {
  Json any = {{"anyOf", Json::array()}};
  for (Json& object : objects) any["anyOf"].push_back(std::move(object));
  return any;
}

// By the name in `starwaist/NAME/1`.
inline std::vector<std::pair<std::string, Json>> all_answers() {
  return {
      {"measure", measure()},   {"fit", fit()},
      {"diagnose", diagnose()}, {"plan", answer_of<FocusPlan>("plan")},
      {"backlash", backlash()}, {"drift", drift()},
      {"field", field()},       {"log", either({log(), log_check()})},
      {"night", night()},       {"watch", either({answer_of<WatchAnswer>("watch"), night_watch()})},
      {"truth", truth()}};
}

inline std::string schema_text(const std::string& name, const Json& schema) {
  Json file = {{"$schema", "https://json-schema.org/draft/2020-12/schema"},
               {"$id", "urn:starwaist:" + name + ":1"},
               {"title", "starwaist/" + name + "/1"}};
  file.update(schema);
  return file.dump(2) + "\n";
}

}  // namespace starwaist::json_schema
