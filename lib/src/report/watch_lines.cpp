#include "core/encode.h"
#include "report/text_table.h"
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

std::string watch_text(const WatchAnswer& answer) {
  constexpr std::size_t kNameWidth = 30;
  std::string line = report::shortened(report::printable(answer.file), kNameWidth) + "  " +
                     format_fixed(answer.position_steps, 0) + " steps, " +
                     (answer.size_px ? format_fixed(*answer.size_px, 2) + " px"
                                     : std::string("no star could be measured"));
  line += "\n  best focus ";
  if (!answer.best_focus_steps) {
    line += "not yet known";
  } else {
    line += format_fixed(*answer.best_focus_steps, 1);
    if (answer.best_focus_sigma_steps) {
      line += " ± " + format_fixed(*answer.best_focus_sigma_steps, 1);
    }
  }
  if (answer.enough) {
    line += "; enough";
  } else if (answer.next_position_steps) {
    line += "; next frame at " + format_fixed(*answer.next_position_steps, 0);
  }
  return line + "\n" + report::wrapped(report::printable(answer.advice.text), "  ");
}

}  // namespace starwaist
