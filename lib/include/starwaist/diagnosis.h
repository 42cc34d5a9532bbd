// Why a run failed: each known cause held against everything that the run shows, with its evidence
// and its cure.
//
// Module: diagnosis.
//
// A cause is weighed by the odds that it happened, from a statistic against the run's own noise and
// from how often such a thing happens at all. Causes compete: the likeliest is accepted first, the
// run is looked at again with what it accounts for taken out (frames spoiled by a cloud, positions
// that the focus did not reach), and only what still stands out is listed beside it.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/field.h"
#include "starwaist/fields.h"
#include "starwaist/rig.h"
#include "starwaist/stars.h"
#include "starwaist/statement.h"

namespace starwaist {

// What is known of one point of a run beside its position and size, from its frame or its row of a
// table; absent where neither gives it.
struct PointFacts {
  std::optional<double> time_s;         // start of the exposure, since the run's earliest
  std::optional<double> temperature_c;  // of the tube or the air
  std::optional<double> exposure_s;
  std::optional<std::string> filter;
  std::optional<int> stars;           // found in the frame by itself; a table's column `stars`
  std::optional<double> light;        // of the stars, over its median in the run: the same stars in
                                      // all frames; a table's column `flux`
  std::optional<double> light_sigma;  // its standard error, where more than one star gives it
  std::optional<double> background_adu;
  std::optional<double> noise_adu;     // standard deviation of the sky
  std::optional<double> eccentricity;  // typical star of the frame
  std::optional<double> elongation_angle_deg;
  std::optional<double> elongation_coherence;
};

// Everything that a diagnosis looks at. `facts` has one entry a point of `fit.points`, in the order
// taken; so have `frames`, which are empty for a table and are those whose position is known. A
// star track (see stars.h) says which star of each frame is the same; empty for a table.
struct RunRecord {
  FitResult fit;
  FitOptions options;  // that the fit was made with
  Rig rig;             // as completed from the headers
  std::vector<PointFacts> facts;
  std::vector<MeasuredFrame> frames;
  std::vector<StarTrack> tracks;
  std::optional<FieldFocus> field_focus;   // absent where the stars do not show it
  std::optional<Collimation> collimation;  // absent where no frame shows donuts
};

// One figure that speaks for a finding.
struct EvidenceItem {
  std::string what;  // plain words
  double value = 0;
  std::string unit;  // "steps", "px", "%", "" for a count
};

template <>
struct Fields<EvidenceItem> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(EvidenceItem, what, "", "what the figure is of"),
                      STARWAIST_FIELD(EvidenceItem, value, "", "the figure"),
                      STARWAIST_FIELD(EvidenceItem, unit, "", "its unit"));
};
static_assert(describes_every_field<EvidenceItem>());

// One cause that was found. `settings` are those that follow for the next run: step_steps, points,
// exposure_s, takeup_steps, start_position_steps, ignore_radius_px. Signs follow the direction of
// travel (a downward sweep starts at its highest position and has a negative step); positions keep
// to the rig's limits.
struct Finding {
  std::string cause;      // its name, as `diagnose --explain list` prints it
  double confidence = 0;  // probability that it happened, from kLeastConfidence on
  double share = 0;       // part of the run's misfit or loss that it explains, 0 to 1
  std::string summary;    // one or two sentences with the main numbers
  std::vector<EvidenceItem> evidence;
  Statement remedy;  // what to do, two sentences at most
  std::vector<std::pair<std::string, double>> settings;
  bool decisive = false;  // the one that decides over the answer, see Diagnosis
};
inline constexpr double kLeastConfidence = 0.5;
// Below this a finding is worded as a suspicion.
inline constexpr double kSureConfidence = 0.8;

template <>
struct Fields<Finding> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(Finding, cause, "", "name of the cause"),
                      STARWAIST_FIELD(Finding, confidence, "", "probability that it happened"),
                      STARWAIST_FIELD(Finding, share, "", "part of the misfit that it explains"),
                      STARWAIST_FIELD(Finding, summary, "", "what happened, in words"),
                      STARWAIST_FIELD(Finding, evidence, "", "the figures behind it"),
                      STARWAIST_FIELD(Finding, remedy, "", "what to do"),
                      STARWAIST_FIELD(Finding, settings, "", "settings for the next run, by name"),
                      STARWAIST_FIELD(Finding, decisive, "", "whether it decides over the answer"));
};
static_assert(describes_every_field<Finding>());

// `fit` is the record's, its verdict lowered and the reason added where a finding means that best
// focus cannot be used as it is. First stands the decisive finding: the one that leaves least of
// the answer, the more confident one of two that leave as little; the others follow in falling
// order of confidence.
struct Diagnosis {
  FitResult fit;
  std::vector<Finding> findings;
};

// Precondition: `facts`, and `frames` where there are any, are as many as the points.
Diagnosis diagnose(const RunRecord& record);

// The page of a cause, for `diagnose --explain`. Sentences, without line breaks.
struct CausePage {
  std::string cause;        // its name, as `diagnose --explain list` prints it
  std::string title;        // a few words
  std::string what;         // what it is
  std::string curve;        // how it looks in the curve and in the frames
  std::string look_alikes;  // how to distinguish it from its look-alikes
  std::string remedy;       // what to do
  std::string source;       // of facts of the trade: "common practice, no source" where so
};

// All causes that are known, in the order of their names.
std::vector<CausePage> cause_pages();
std::optional<CausePage> cause_page(const std::string& cause);

}  // namespace starwaist
