#include "report/figure.h"

#include <chrono>
#include <string_view>

#include "report/child_process.h"
#include "report/markup.h"
#include "report/text_table.h"
#include "starwaist/numbers.h"

namespace starwaist {

namespace {

constexpr std::chrono::seconds kGnuplotLimit{60};

// Replaces the words between <name> and </name> by `text`, for screen readers and file managers.
void replace_element(std::string& svg, const std::string& name, const std::string& text) {
  const auto begin = svg.find("<" + name + ">");
  const auto end = svg.find("</" + name + ">");
  if (begin == std::string::npos || end == std::string::npos || end < begin) return;
  const auto first = begin + name.size() + 2;
  svg.replace(first, end - first, report::escaped(text));
}

tl::unexpected<Error> no_gnuplot(const Error& error) {
  return fail(ErrorCode::cannot_write, "the figure could not be drawn: " + error.message,
              error.code == ErrorCode::not_found
                  ? "Install gnuplot (Debian: gnuplot-nox) or leave out the figure"
                  : "Leave out the figure");
}

}  // namespace

Result<void> check_gnuplot() {
  const auto asked = report::run_child({"gnuplot", "--version"}, "", kGnuplotLimit);
  if (!asked) return no_gnuplot(asked.error());
  return {};
}

std::optional<FigureFormat> figure_format(const std::string& path) {
  const std::string name = lower_case(path);
  const auto ends_with = [&](std::string_view ending) {
    return name.size() > ending.size() &&
           name.compare(name.size() - ending.size(), ending.size(), ending) == 0;
  };
  if (ends_with(".png")) return FigureFormat::png;
  if (ends_with(".svg")) return FigureFormat::svg;
  return std::nullopt;
}

namespace report {

std::string quoted(const std::string& text) {
  constexpr std::string_view kPlain = " .,:;()+-=/_";
  std::string result = "\"";
  for (const char c : report::printable(text)) {
    const auto byte = static_cast<unsigned char>(c);
    const bool letter = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
    if (letter || kPlain.find(c) != std::string_view::npos) {
      result += c;
    } else {
      result += {'\\', static_cast<char>('0' + (byte >> 6)),
                 static_cast<char>('0' + ((byte >> 3) & 7)), static_cast<char>('0' + (byte & 7))};
    }
  }
  return result + "\"";
}

std::string number(double value) {
  // Counts and flags as whole numbers: gnuplot takes no others for true and false.
  constexpr double kMostCounted = 1e9;
  if (value == std::round(value) && std::abs(value) < kMostCounted) return format_fixed(value, 0);
  const int leading = static_cast<int>(std::floor(std::log10(std::abs(value))));
  return format_fixed(value, std::clamp(11 - leading, 0, 300));
}

void FigureData::put(const std::string& name, double value) {
  script_ += name + " = " + number(value) + "\n";
}

void FigureData::put(const std::string& name, const std::string& text) {
  script_ += name + " = " + quoted(text) + "\n";
}

void FigureData::put(const std::string& name, const std::vector<double>& values) {
  std::string list;
  for (const double value : values) list += (list.empty() ? "" : ", ") + number(value);
  put_list(name, list, values.size());
}

void FigureData::put(const std::string& name, const std::vector<std::string>& texts) {
  std::string list;
  for (const std::string& text : texts) list += (list.empty() ? "" : ", ") + quoted(text);
  put_list(name, list, texts.size());
}

// gnuplot knows no list without elements.
void FigureData::put_list(const std::string& name, const std::string& list, std::size_t size) {
  script_ += "array " + name + "[" + std::to_string(std::max<std::size_t>(size, 1)) + "]" +
             (size == 0 ? "" : " = [" + list + "]") + "\n";
}

void FigureData::put_block(const std::string& name, const std::vector<std::vector<double>>& rows) {
  script_ += "$" + name + " << EOD\n";
  for (const auto& row : rows) {
    std::string line;
    for (const double value : row) line += (line.empty() ? "" : " ") + number(value);
    script_ += line + "\n";
  }
  script_ += "EOD\n";
}

double nice_step(double largest) {
  const double power = std::pow(10.0, std::floor(std::log10(largest)));
  const double digits = largest / power;
  return power * (digits >= 5 ? 5 : digits >= 2 ? 2 : 1);
}

Result<std::string> drawn_figure(const Figure& figure, FigureFormat format) {
  const std::string script = "png = " + std::string(format == FigureFormat::png ? "1" : "0") +
                             "\n" + figure.data.script() + kFigureScript + figure.script;
  // -d: no start-up files of the user. The picture comes on standard output, so that no file name
  // takes part in the script.
  auto drawn = run_child({"gnuplot", "-d"}, script, kGnuplotLimit);
  if (!drawn) return no_gnuplot(drawn.error());
  const bool whole = format == FigureFormat::png ? drawn->out.compare(0, 4, "\x89PNG") == 0
                                                 : drawn->out.find("</svg>") != std::string::npos;
  if (drawn->exit_status != 0 || !whole) {
    std::string words = printable(drawn->err);
    words = shortened(trimmed(words), 160);
    return fail(ErrorCode::cannot_write,
                "the figure could not be drawn: gnuplot ended with status " +
                    std::to_string(drawn->exit_status) + (words.empty() ? "" : ": " + words),
                "Check that gnuplot has its pngcairo and svg terminals (Debian: gnuplot-nox), or "
                "leave out the figure");
  }
  std::string picture = std::move(drawn->out);
  if (format == FigureFormat::svg) {
    replace_element(picture, "title", printable(figure.title));
    replace_element(picture, "desc", printable(figure.description));
  }
  return picture;
}

Result<void> write_figure(const std::string& path, const std::vector<std::string>& protected_paths,
                          const std::function<Result<std::string>(FigureFormat)>& draw) {
  const auto format = figure_format(path);
  if (!format) {
    return fail(ErrorCode::invalid_argument, path + ": a figure's name ends in .png or .svg",
                "Name it so");
  }
  if (auto allowed = check_output_file(path, protected_paths); !allowed) return allowed;
  const auto picture = draw(*format);
  if (!picture) return tl::unexpected<Error>(picture.error());
  return write_whole_file(path, *picture, protected_paths);
}

}  // namespace report

}  // namespace starwaist
