#include "core/encode.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {

Result<std::string> watch_json_line(const WatchAnswer& answer) {
  encoding::Encoder encoder;
  encoding::Json object = {{"schema", "starwaist/watch/1"}};
  object.update(encoder.encode(answer, ""));
  const auto json = encoder.finished(std::move(object));
  if (!json) return tl::unexpected<Error>(json.error());
  return encoding::json_line(*json);
}

std::string watch_text(const WatchAnswer& answer, const TextOptions& options) {
  constexpr std::size_t kNameWidth = 30;
  const std::size_t width = options.width;
  const std::string name = report::shortened(report::printable(answer.file), kNameWidth) + "  ";
  const std::string frame =
      (answer.position_steps ? format_fixed(*answer.position_steps, 0) + " steps, "
                             : "no position, ") +
      (answer.size_px ? format_fixed(*answer.size_px, 2) + " px" : "no star could be measured");
  std::string best = "best focus ";
  if (!answer.best_focus_steps) {
    best += "not yet known";
  } else {
    best += format_fixed(*answer.best_focus_steps, 1);
    if (answer.best_focus_sigma_steps) {
      best += " ± " + format_fixed(*answer.best_focus_sigma_steps, 1);
    }
  }
  if (answer.enough) {
    best += "; enough";
  } else if (answer.next_position_steps) {
    best += "; next frame at " + std::to_string(*answer.next_position_steps);
    if (answer.via_steps) best += " by way of " + std::to_string(*answer.via_steps);
  } else if (answer.stop_reason) {
    best += "; stopped: " + report::spaced(enum_name(*answer.stop_reason));
  }
  std::string text = report::labelled(name, frame, width) + report::wrapped(best, "  ", width);
  if (options.details) text += report::wrapped(report::printable(answer.advice.text), "  ", width);
  return text;
}

}  // namespace starwaist
