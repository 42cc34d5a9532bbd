#include "core/encode.h"
#include "report/answer_objects.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

encoding::Json rig_json(const Rig& rig, encoding::Encoder& encoder) {
  Rig shown = rig;
  shown.f_number = rig.focal_ratio();
  return encoder.encode(shown, "rig");
}

Result<std::string> text_of(const Result<encoding::Json>& json) {
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

}  // namespace

encoding::Json report::fit_object(const RunAnswer& run, encoding::Encoder& encoder,
                                  const std::string* run_name) {
  encoding::Json object = {{"schema", "starwaist/fit/1"}};
  if (run_name != nullptr) object["run"] = *run_name;
  object.update(encoder.encode(run.fit, ""));
  object["move"] = encoder.encode(run.move, "move");
  object["skipped"] = encoder.encode(run.skipped, "skipped");
  object["rig"] = rig_json(run.rig, encoder);
  object["arrived"] = encoder.encode(run.arrived, "arrived");
  return object;
}

encoding::Json report::frame_object(const FrameMeasurement& frame, const std::string& path,
                                    bool stars, encoding::Encoder& encoder) {
  if (stars) return encoder.encode(frame, path);
  FrameMeasurement shown = frame;  // thousands of stars need not be encoded
  shown.stars.clear();
  shown.defects.clear();
  encoding::Json object = encoder.encode(shown, path);
  object.erase("stars");
  object.erase("defects");
  return object;
}

Result<std::string> measure_json(const MeasuredRun& run, const MeasureJsonOptions& options) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/measure/1"}};
  object["frames"] = encoding::Json::array();
  for (std::size_t i = 0; i < run.frames.size(); ++i) {
    object["frames"].push_back(report::frame_object(
        run.frames[i].measurement, "frames[" + std::to_string(i) + "]", options.stars, encoder));
  }
  object["skipped"] = encoder.encode(run.skipped, "skipped");
  object["rig"] = rig_json(run.rig, encoder);
  return text_of(encoder.finished(std::move(object)));
}

Result<std::string> fit_json(const RunAnswer& run) {
  encoding::Encoder encoder;
  return text_of(encoder.finished(report::fit_object(run, encoder)));
}

Result<std::string> fit_json_line(const std::string& run_name, const RunAnswer& run) {
  encoding::Encoder encoder;
  const auto json = encoder.finished(report::fit_object(run, encoder, &run_name));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_line(*json);
}

}  // namespace starwaist
