#include "starwaist_tool.h"

#include <algorithm>
#include <exception>
#include <new>
#include <set>
#include <sstream>

#include "command.h"

namespace starwaist::tool {

namespace {

std::vector<std::unique_ptr<Command>> all_commands() {
  std::vector<std::unique_ptr<Command>> commands;
  commands.push_back(make_measure_command());
  commands.push_back(make_fit_command());
  commands.push_back(make_diagnose_command());
  commands.push_back(make_plan_command());
  commands.push_back(make_backlash_command());
  commands.push_back(make_watch_command());
  commands.push_back(make_drift_command());
  commands.push_back(make_night_command());
  commands.push_back(make_log_command());
  commands.push_back(make_field_command());
  commands.push_back(make_report_command());
  commands.push_back(make_render_command());
  return commands;
}

// The names of the options that a file may set, without dashes.
std::set<std::string> configurable_names(CLI::App& app) {
  std::set<std::string> names;
  for (const CLI::Option* option : app.get_options()) {
    if (!option->get_configurable()) continue;
    for (const auto& name : option->get_lnames()) names.insert(name);
  }
  return names;
}

// One flat file serves all commands: a key of another command is passed over, one that no command
// knows is an error.
class FlatConfig : public CLI::ConfigBase {
 public:
  FlatConfig(std::set<std::string> own, std::set<std::string> all)
      : own_(std::move(own)), all_(std::move(all)) {}

  std::vector<CLI::ConfigItem> from_config(std::istream& input) const override {
    std::istringstream text(read_text(input));
    std::vector<CLI::ConfigItem> kept;
    for (auto& item : CLI::ConfigBase::from_config(text)) {
      if (!item.parents.empty() || item.name == "++" || item.name == "--") {
        throw CLI::ConfigError("the file of options is flat: '" + item.fullname() +
                                   "' stands in a section or holds a dot",
                               CLI::ExitCodes::ConfigError);
      }
      if (all_.count(item.name) == 0) {
        throw CLI::ConfigError("no command has an option '" + shown(item.name) + "'",
                               CLI::ExitCodes::ConfigError);
      }
      if (own_.count(item.name) != 0) kept.push_back(item);
    }
    return kept;
  }

 private:
  // A device would never end.
  static std::string read_text(std::istream& input) {
    constexpr std::size_t kLongest = 1U << 20U;  // bytes
    std::string text(kLongest + 1, '\0');
    input.read(text.data(), static_cast<std::streamsize>(text.size()));
    text.resize(static_cast<std::size_t>(input.gcount()));
    if (text.size() > kLongest || text.find('\0') != std::string::npos) {
      throw CLI::ConfigError("this is no text of 'name = value' lines",
                             CLI::ExitCodes::ConfigError);
    }
    return text;
  }
  // Of what may be no word at all.
  static std::string shown(const std::string& name) {
    constexpr std::size_t kLongest = 40;
    std::string text = name.substr(0, kLongest);
    for (char& c : text) {
      if (static_cast<unsigned char>(c) < 0x20 || static_cast<unsigned char>(c) > 0x7E) c = '?';
    }
    return name.size() > kLongest ? text + "..." : text;
  }

  std::set<std::string> own_;
  std::set<std::string> all_;
};

std::string program_help(const std::vector<std::unique_ptr<Command>>& commands) {
  std::string text =
      "starwaist: best focus of a telescope from an autofocus run\n\n"
      "Usage: starwaist COMMAND [OPTIONS] INPUT...\n\nCommands:\n";
  for (const auto& command : commands) {
    std::string name = "  " + command->name();
    name.resize(12, ' ');
    text += name + command->summary() + "\n";
  }
  text +=
      "\nOptions:\n"
      "  --help      This page; 'starwaist COMMAND --help' describes a command\n"
      "  --version   Version of the program\n\n"
      "Examples:\n"
      "  starwaist render --output demo --start 4700 --step 75 --points 9\n"
      "      Make a synthetic run to try things on.\n"
      "  starwaist measure demo\n"
      "      Star sizes of every frame.\n"
      "  starwaist fit demo --um-per-step 2 --plot curve.png\n"
      "      Best focus with its uncertainty, a verdict and a picture of the curve.\n"
      "  starwaist diagnose demo --um-per-step 2\n"
      "      What is wrong with a run, and what to do about it.\n";
  return text;
}

std::string command_names(const std::vector<std::unique_ptr<Command>>& commands) {
  std::string names;
  for (std::size_t i = 0; i < commands.size(); ++i) {
    names += (i == 0 ? "" : i + 1 == commands.size() ? " or " : ", ") + commands[i]->name();
  }
  return names;
}

int wrong_usage(const ToolStreams& streams, const std::string& what, const std::string& remedy) {
  print_error(streams, Error{ErrorCode::invalid_argument, what, remedy});
  return kWrongUsage;
}

int run_command(Command& command, std::span<const std::string> arguments,
                const std::set<std::string>& all_names, const ToolStreams& streams) {
  command.app().config_formatter(
      std::make_shared<FlatConfig>(configurable_names(command.app()), all_names));
  command.app().get_formatter()->column_width(30);
  // CLI11 takes its arguments from the back.
  std::vector<std::string> reversed(arguments.rbegin(), arguments.rend());
  const std::string see_help = "See 'starwaist " + command.name() + " --help'";
  try {
    command.app().parse(reversed);
  } catch (const CLI::CallForHelp&) {
    streams.out << command.app().help() << std::flush;
    return streams.out ? kTrusted : kNoInputOrOutput;
  } catch (const CLI::FileError& error) {
    return wrong_usage(streams, std::string("--config: cannot be read: ") + error.what(),
                       "Name a file of 'name = value' lines");
  } catch (const CLI::ConfigError& error) {
    std::string files;
    for (const std::string& file : command.config_files()) files += " " + file;
    return wrong_usage(streams, "--config" + files + ": " + error.what(), see_help);
  } catch (const CLI::ParseError& error) {
    return wrong_usage(streams, error.what(), see_help);
  }
  command.note_config_files();
  return command.run(streams);
}

int dispatch(std::span<const std::string> arguments, const ToolStreams& streams) {
  const auto commands = all_commands();
  if (arguments.empty()) {
    return wrong_usage(streams, "no command given",
                       "Name one of " + command_names(commands) + "; see 'starwaist --help'");
  }
  const std::string& first = arguments.front();
  if (first == "--help" || first == "-h" || first == "help") {
    streams.out << program_help(commands) << std::flush;
    return streams.out ? kTrusted : kNoInputOrOutput;
  }
  if (first == "--version") {
    streams.out << "starwaist " << STARWAIST_VERSION << "\n" << std::flush;
    return streams.out ? kTrusted : kNoInputOrOutput;
  }
  std::set<std::string> all_names;
  for (const auto& command : commands) all_names.merge(configurable_names(command->app()));
  for (const auto& command : commands) {
    if (command->name() == first) {
      return run_command(*command, arguments.subspan(1), all_names, streams);
    }
  }
  return wrong_usage(streams, "'" + first + "' is not a command",
                     "Name one of " + command_names(commands) + "; see 'starwaist --help'");
}

}  // namespace

int run_tool(std::span<const std::string> arguments, const ToolStreams& streams) {
  try {
    return dispatch(arguments, streams);
  } catch (const std::bad_alloc&) {
    print_line(streams, "out of memory. Use fewer threads (--threads 1) or smaller frames");
  } catch (const std::exception& error) {
    print_line(streams, std::string("a fault of the program: ") + error.what() +
                            ". Please report it with the input");
  }
  return kNoInputOrOutput;
}

}  // namespace starwaist::tool
