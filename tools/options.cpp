// The options that commands share, and the checks of their values.
#include <algorithm>
#include <cctype>
#include <charconv>
#include <string_view>
#include <thread>
#include <utility>

#include "command.h"
#include "starwaist/darks.h"
#include "starwaist/frame.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

double number_within(const std::string& option, const std::string& text,
                     const NumberLimits& limits) {
  const auto value = parse_number(text);
  if (!value) throw CLI::ValidationError(option, "'" + text + "' is not a number");
  if (!limits.contains(*value)) {
    throw CLI::ValidationError(option, text + " must be " + limits_words(limits));
  }
  return *value;
}

std::optional<int> parse_integer(std::string_view text) {
  text = trimmed(text);
  int value = 0;
  const auto [stopped, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc{} || stopped != text.data() + text.size()) return std::nullopt;
  return value;
}

Region parse_region(const std::string& option, const std::vector<std::string>& values) {
  // Both --region 10,20,300,200 and a list in the configuration file.
  std::string joined;
  for (const auto& value : values) joined += (joined.empty() ? "" : ",") + value;
  std::vector<int> numbers;
  std::string_view rest = joined;
  bool more = true;
  while (more) {
    const auto comma = rest.find(',');
    const auto number = parse_integer(rest.substr(0, comma));
    if (!number) {
      throw CLI::ValidationError(option,
                                 "'" + joined + "' is not X,Y,WIDTH,HEIGHT in whole pixels");
    }
    numbers.push_back(*number);
    more = comma != std::string_view::npos;
    if (more) rest.remove_prefix(comma + 1);
  }
  if (numbers.size() != 4 || numbers[0] < 0 || numbers[1] < 0 || numbers[2] < 1 || numbers[3] < 1) {
    throw CLI::ValidationError(
        option, "'" + joined + "' is not X,Y,WIDTH,HEIGHT with a corner from 0 and a size from 1");
  }
  return {numbers[0], numbers[1], numbers[2], numbers[3]};
}

ColorChannel parse_channel(const std::string& option, const std::string& text) {
  const std::string name = lower_case(text);
  if (name == "red" || name == "r") return ColorChannel::red;
  if (name == "green" || name == "g") return ColorChannel::green;
  if (name == "blue" || name == "b") return ColorChannel::blue;
  throw CLI::ValidationError(option, "'" + text + "' is not red, green or blue");
}

// Number is double or std::optional<double>.
template <class Number>
CLI::Option* add_checked_number(CLI::App& app, const std::string& option, Number& target,
                                const NumberLimits& limits, const std::string& help) {
  return app
      .add_option(
          option,
          [&target, limits, option](const CLI::results_t& values) {
            target = number_within(option, values.front(), limits);
            return true;
          },
          help)
      ->type_name("NUMBER");
}

}  // namespace

CLI::Option* add_number(CLI::App& app, const std::string& option, std::optional<double>& target,
                        const NumberLimits& limits, const std::string& help) {
  return add_checked_number(app, option, target, limits, help);
}

CLI::Option* add_number(CLI::App& app, const std::string& option, double& target,
                        const NumberLimits& limits, const std::string& help) {
  return add_checked_number(app, option, target, limits,
                            help + " [" + format_shortest(target) + "]");
}

CLI::Option* add_integer(CLI::App& app, const std::string& option, int& target, int low, int high,
                         const std::string& help) {
  return app
      .add_option(
          option,
          [&target, low, high, option](const CLI::results_t& values) {
            const auto value = parse_integer(values.front());
            if (!value || *value < low || *value > high) {
              throw CLI::ValidationError(option,
                                         "'" + values.front() + "' is not a whole number from " +
                                             std::to_string(low) + " to " + std::to_string(high));
            }
            target = *value;
            return true;
          },
          help + " [" + std::to_string(target) + "]")
      ->type_name("INTEGER");
}

CLI::Option* add_path(CLI::App& app, const std::string& option, std::string& target,
                      const std::string& help, const std::string& type) {
  return app.add_option(option, target, help)->type_name(type);
}

void add_common_options(CLI::App& app, CommonOptions& options) {
  constexpr int kMostThreads = 1024;
  app.add_option("--json", options.json,
                 "Write the answer as JSON; - is standard output, and then nothing else goes there")
      ->type_name("FILE");
  app.add_flag("--quiet,-q", options.quiet,
               "No progress, remarks or tables; errors and skipped files are still named");
  add_integer(app, "--threads", options.threads, 0, kMostThreads,
              "Frames worked on at the same time; 0 is all cores");
  app.set_config("--config", "",
                 "Options from a file, one 'name = value' a line; the command line goes before it")
      ->type_name("FILE")
      ->configurable(false);
}

void add_short_option(CLI::App& app, CommonOptions& options) {
  app.add_flag(
      "--short", options.one_line,
      "The answer in one line of at most " + std::to_string(kShortLineWidth) + " characters");
}

void add_rig_options(CLI::App& app, Rig& rig) {
  const std::string group = "Rig (what is not given is taken from the frames' headers)";
  for_each_field(rig, [&](const auto& f, auto& value) {
    std::string help(f.meaning);
    help.front() = static_cast<char>(std::toupper(static_cast<unsigned char>(help.front())));
    add_number(app, "--" + option_name(f.name), value, f.limits, help)->group(group);
  });
}

namespace {

std::string joined(const std::vector<std::string>& words) {
  std::string text;
  for (std::size_t i = 0; i < words.size(); ++i) {
    text += (i == 0 ? "" : i + 1 == words.size() ? " or " : ", ") + words[i];
  }
  return text;
}

KeywordName parse_keyword(const std::string& text) {
  const auto equals = text.find('=');
  const std::string fact = lower_case(trimmed(text.substr(0, equals)));
  const std::string name(equals == std::string::npos
                             ? std::string_view()
                             : trimmed(std::string_view(text).substr(equals + 1)));
  if (fact.empty() || name.empty()) {
    throw CLI::ValidationError("--keyword", "'" + text + "' is not FACT=NAME, as in altitude=ALT");
  }
  const auto facts = keyword_facts();
  if (std::find(facts.begin(), facts.end(), fact) == facts.end()) {
    throw CLI::ValidationError("--keyword",
                               "'" + fact + "' is no fact of a frame: name " + joined(facts));
  }
  return {fact, name};
}

// --keyword, and the three older options that each name the keyword of one fact.
void add_keyword_options(CLI::App& app, std::vector<KeywordName>& keywords,
                         const std::string& group) {
  app.add_option(
         "--keyword",
         [&keywords](const CLI::results_t& values) {
           for (const std::string& text : values) keywords.push_back(parse_keyword(text));
           return true;
         },
         "Header keyword of a fact (" + joined(keyword_facts()) + "); may be repeated")
      ->type_name("FACT=NAME")
      ->expected(1)
      ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll)
      ->group(group);
  const auto older = [&](const std::string& fact, const std::string& help) {
    app.add_option(
           "--" + fact + "-key",
           [&keywords, fact](const CLI::results_t& values) {
             keywords.push_back({fact, values.front()});
             return true;
           },
           help)
        ->type_name("NAME")
        ->group(group);
  };
  older("position", "Header keyword of the focuser position");
  older("temperature", "Header keyword of the tube's temperature");
  older("filter", "Header keyword of the filter");
}

}  // namespace

void add_input_options(CLI::App& app, InputOptions& options) {
  const std::string group = "Frames";
  app.add_option(
         "INPUT", options.inputs,
         "A folder of frames, frame files, or one CSV table; a CSV with a column 'file' and no "
         "sizes says more of the frames")
      ->required()
      ->configurable(false);
  add_keyword_options(app, options.read.keywords, group);
  app.add_option(
         "--position-from-name",
         [&options](const CLI::results_t& values) {
           if (auto usable = check_name_pattern(values.front()); !usable) {
             throw CLI::ParseError(usable.error().message + ". " + usable.error().remedy,
                                   CLI::ExitCodes::ValidationError);
           }
           options.read.position_from_name = values.front();
           return true;
         },
         "Expression whose first group is the position in the file's name, as in 'pos([0-9]+)'")
      ->type_name("REGEX")
      ->group(group);
  app.add_option(
         "--region",
         [&options](const CLI::results_t& values) {
           options.region = parse_region("--region", values);
           return true;
         },
         "Only the stars in this rectangle of the frame, in pixels")
      ->type_name("X,Y,WIDTH,HEIGHT")
      ->expected(1, 4)
      ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll)
      ->group(group);
  app.add_option(
         "--channel",
         [&options](const CLI::results_t& values) {
           options.channel = parse_channel("--channel", values.front());
           return true;
         },
         "Colour of a one-shot-colour frame: red, green or blue [green]")
      ->type_name("COLOUR")
      ->group(group);
  app.add_option("--dark", options.darks,
                 "A dark of the same camera, for the map of its defects; may be repeated")
      ->type_name("FRAME")
      ->expected(1)
      ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll)
      ->group(group);
}

void add_column_option(CLI::App& app, TableOptions& table, std::vector<std::string> known,
                       const std::string& example) {
  app.add_option(
         "--column",
         [&table, known = std::move(known), example](const CLI::results_t& values) {
           for (const std::string& text : values) {
             const auto equals = text.find('=');
             const std::string column = lower_case(trimmed(text.substr(0, equals)));
             const std::string name(equals == std::string::npos
                                        ? std::string_view()
                                        : trimmed(std::string_view(text).substr(equals + 1)));
             if (column.empty() || name.empty()) {
               throw CLI::ValidationError("--column",
                                          "'" + text + "' is not COLUMN=NAME, as in " + example);
             }
             if (!known.empty() && std::find(known.begin(), known.end(), column) == known.end()) {
               throw CLI::ValidationError(
                   "--column", "'" + column + "' is no column that is read: " + joined(known));
             }
             table.columns.emplace_back(column, name);
           }
           return true;
         },
         "Name of a table's column, as in " + example + "; may be repeated")
      ->type_name("COLUMN=NAME")
      ->expected(1)
      ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll);
}

void add_table_options(CLI::App& app, TableOptions& table) {
  add_column_option(
      app, table,
      {"position", "hfr", "hfd", "fwhm", "sigma", "stars", "flux", "temperature", "filter", "time",
       "background", "eccentricity", "run", "telescope", "file", "exposure"},
      "hfr=HalfFlux");
}

Result<RunOptions> run_options_of(const Settings& settings, const Rig& rig, ProgressLine& progress,
                                  const ToolStreams& streams) {
  RunOptions options;
  options.read = settings.input.read;
  options.measure.region = settings.input.region;
  options.measure.channel = settings.input.channel;
  options.measure.gain_e_per_adu = rig.gain_e_per_adu;
  options.measure.read_noise_e = rig.read_noise_e;
  options.measure.saturation_adu = rig.saturation_adu;
  if (!settings.input.darks.empty()) {
    auto defects = defects_of_darks(settings.input.darks, settings.input.read);
    if (!defects) return tl::unexpected<Error>(defects.error());
    options.measure.defects = std::make_shared<const DefectMap>(std::move(*defects));
  }
  options.table = settings.table;
  options.rig = rig;
  options.threads = settings.common.threads;
  options.progress = [&progress](int done, int total) { progress.show(done, total); };
  options.stop = streams.interrupted;
  return options;
}

}  // namespace starwaist::tool
