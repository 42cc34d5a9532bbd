#include "core/encode.h"
#include "report/answer_objects.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

// The rig has no field list of its own: these are its keys, those of the command line's options.
encoding::Json rig_json(const Rig& rig, encoding::Encoder& encoder) {
  encoding::Json object = encoding::Json::object();
  const auto put = [&](const char* name, const auto& value) {
    object[name] = encoder.encode(value, std::string("rig.") + name);
  };
  put("focal_length_mm", rig.focal_length_mm);
  put("aperture_mm", rig.aperture_mm);
  put("f_number", rig.focal_ratio());
  put("obstruction", rig.obstruction);
  put("pixel_um", rig.pixel_um);
  put("um_per_step", rig.um_per_step);
  put("wavelength_um", rig.wavelength_um);
  put("seeing_arcsec", rig.seeing_arcsec);
  put("focus_um_per_c", rig.focus_um_per_c);
  put("gain_e_per_adu", rig.gain_e_per_adu);
  put("read_noise_e", rig.read_noise_e);
  put("saturation_adu", rig.saturation_adu);
  put("min_position_steps", rig.min_position_steps);
  put("max_position_steps", rig.max_position_steps);
  return object;
}

Result<std::string> text_of(const Result<encoding::Json>& json) {
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_text(*json);
}

}  // namespace

encoding::Json report::fit_object(const RunFit& run, encoding::Encoder& encoder,
                                  const std::string* run_name) {
  encoding::Json object = {{"schema", "starwaist/fit/1"}};
  if (run_name != nullptr) object["run"] = *run_name;
  object.update(encoder.encode(run.fit, ""));
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

Result<std::string> fit_json(const RunFit& run) {
  encoding::Encoder encoder;
  return text_of(encoder.finished(report::fit_object(run, encoder)));
}

Result<std::string> fit_json_line(const std::string& run_name, const RunFit& run) {
  encoding::Encoder encoder;
  const auto json = encoder.finished(report::fit_object(run, encoder, &run_name));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_line(*json);
}

}  // namespace starwaist
