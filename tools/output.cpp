// Messages, progress and the writing of outputs.
#include <filesystem>

#include "command.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

// One line whatever a file name holds: line breaks and other control characters become blanks.
std::string one_line(std::string text) {
  for (char& c : text) {
    if (static_cast<unsigned char>(c) < 0x20 || c == 0x7F) c = ' ';
  }
  return text;
}

}  // namespace

Command::Command(const Words& words)
    : name_(words.name), summary_(words.summary), app_(words.summary, "starwaist " + words.name) {
  app_.footer(words.examples);
}

void print_line(const ToolStreams& streams, const std::string& message) {
  streams.err << "starwaist: " << one_line(message) << "\n";
}

void print_error(const ToolStreams& streams, const Error& error) {
  print_line(streams, error.text());
}

int exit_status_of(const Error& error) {
  return error.code == ErrorCode::invalid_argument ? kWrongUsage : kNoInputOrOutput;
}

int status_of(Verdict verdict) { return verdict == Verdict::trusted ? kTrusted : kNotTrusted; }

int report_failure(const ToolStreams& streams, const Error& error) {
  print_error(streams, error);
  return exit_status_of(error);
}

ProgressLine::ProgressLine(const ToolStreams& streams, bool quiet)
    : streams_(streams), active_(streams.show_progress && !quiet) {}

void ProgressLine::show(int done, int total) {
  if (!active_) return;
  const std::string line =
      "starwaist: measured " + std::to_string(done) + " of " + std::to_string(total) + " frames";
  streams_.err << "\r" << line << std::string(drawn_ > line.size() ? drawn_ - line.size() : 0, ' ')
               << std::flush;
  drawn_ = line.size();
}

void ProgressLine::wipe() {
  if (drawn_ == 0) return;
  streams_.err << "\r" << std::string(drawn_, ' ') << "\r" << std::flush;
  drawn_ = 0;
}

Result<void> check_outputs(const std::vector<std::string>& outputs,
                           const std::vector<std::string>& protected_paths) {
  namespace fs = std::filesystem;
  for (std::size_t i = 0; i < outputs.size(); ++i) {
    if (outputs[i].empty() || outputs[i] == "-") continue;
    for (std::size_t j = 0; j < i; ++j) {
      if (outputs[j].empty() || outputs[j] == "-") continue;
      std::error_code error;
      // By resolved name where neither file is there yet, by identity where both are.
      if (fs::weakly_canonical(outputs[i], error) == fs::weakly_canonical(outputs[j], error) ||
          fs::equivalent(outputs[i], outputs[j], error)) {
        return fail(ErrorCode::invalid_argument, outputs[i] + ": named for two outputs",
                    "Give each output a file of its own");
      }
    }
    if (auto allowed = check_output_file(outputs[i], protected_paths); !allowed) return allowed;
  }
  return {};
}

Result<void> write_output(const std::string& path, const std::string& text,
                          const std::vector<std::string>& protected_paths,
                          const ToolStreams& streams) {
  if (path != "-") return write_whole_file(path, text, protected_paths);
  streams.out << text << std::flush;
  if (!streams.out) {
    return fail(ErrorCode::cannot_write, "standard output: cannot be written",
                "Check what the output is piped into");
  }
  return {};
}

void print_skipped(const ToolStreams& streams, const std::vector<SkippedFile>& skipped) {
  for (const auto& line : reason_lines(skipped)) print_line(streams, line);
}

bool is_interrupted(const ToolStreams& streams) {
  return streams.interrupted && streams.interrupted();
}

int report_interrupt(const ToolStreams& streams, const std::string& words) {
  print_line(streams, words);
  return kInterrupted;
}

}  // namespace starwaist::tool
