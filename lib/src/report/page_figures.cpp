// The page's pictures and its map of the field.
#include <algorithm>
#include <array>
#include <cmath>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "report/field_parts.h"
#include "report/markup.h"
#include "report/page_parts.h"
#include "starwaist/numbers.h"

namespace starwaist::report {

namespace {

std::string image_element(const std::string& png, int width, int height, const std::string& alt) {
  return "<img src=\"data:image/png;base64," + base64(png) + "\" width=\"" + std::to_string(width) +
         "\" height=\"" + std::to_string(height) + "\" alt=\"" + shown(alt) + "\">";
}

std::string steps_words(double position, const RunPage& page) {
  return format_fixed(position, position_decimals(page.answer.fit.points)) + " steps";
}

std::string mark_element(const MarkedFrame::Mark& mark) {
  using Kind = MarkedFrame::Mark::Kind;
  // The centre of the first pixel is (0, 0); that of the drawing is its corner.
  const double x = mark.x_px + 0.5;
  const double y = mark.y_px + 0.5;
  const double r = mark.radius_px;
  const auto number = [](double value) { return format_fixed(value, 1); };
  if (mark.kind == Kind::counts || mark.kind == Kind::at_edge) {
    return std::string("<circle class=\"") +
           (mark.kind == Kind::counts ? "mark-counts" : "mark-edge") + "\" cx=\"" + number(x) +
           "\" cy=\"" + number(y) + "\" r=\"" + number(r) + "\"/>";
  }
  return std::string("<rect class=\"") +
         (mark.kind == Kind::saturated ? "mark-saturated" : "mark-blended") + "\" x=\"" +
         number(x - r) + "\" y=\"" + number(y - r) + "\" width=\"" + number(2 * r) +
         "\" height=\"" + number(2 * r) + "\"/>";
}

// "57 can count (circles), 3 are saturated (squares)"
std::string marks_words(const std::vector<MarkedFrame::Mark>& marks) {
  using Kind = MarkedFrame::Mark::Kind;
  const std::array<std::pair<Kind, const char*>, 4> kinds = {
      {{Kind::counts, "can count (circles)"},
       {Kind::saturated, "are saturated (squares)"},
       {Kind::blended, "are blended (squares)"},
       {Kind::at_edge, "lie at the edge (pale circles)"}}};
  std::string words;
  for (const auto& [kind, name] : kinds) {
    const auto count = std::count_if(marks.begin(), marks.end(),
                                     [kind = kind](const auto& mark) { return mark.kind == kind; });
    if (count > 0) words += (words.empty() ? "" : ", ") + std::to_string(count) + " " + name;
  }
  return words;
}

// A zone's difference from the best focus of the field as a whole: one colour for smaller
// positions, another for larger ones, in three shades.
std::string heat_class(double difference, double scale) {
  const double share = std::abs(difference) / scale;
  const int level = std::clamp(static_cast<int>(std::lround(3 * share)), 0, 3);
  return std::string("heat ") + (difference < 0 ? "inside" : "outside") + " heat-" +
         std::to_string(level);
}

std::string zones_element(const FieldFocus& focus, const std::optional<double>& zone_steps) {
  if (focus.zones.empty()) return {};
  double scale = zone_steps ? *zone_steps / 2 : 0;
  for (const FieldZone& zone : focus.zones) {
    scale = std::max(scale, std::abs(zone.best_focus_steps - focus.compromise_focus_steps));
  }
  if (!(scale > 0)) scale = 1;
  std::array<std::array<const FieldZone*, 3>, 3> cells{};
  for (const FieldZone& zone : focus.zones) {
    cells.at(static_cast<std::size_t>(zone.row)).at(static_cast<std::size_t>(zone.column)) = &zone;
  }
  constexpr std::array<const char*, 3> kRows = {"first rows", "middle", "last rows"};
  std::string html =
      "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"Best focus over the "
      "field\">\n<table class=\"zones\"><caption>Best focus over the field "
      "[steps]</caption>\n<thead><tr><td></td><th scope=\"col\">left</th><th "
      "scope=\"col\">middle</th><th scope=\"col\">right</th></tr></thead>\n<tbody>\n";
  for (std::size_t row = 0; row < cells.size(); ++row) {
    html += std::string("<tr><th scope=\"row\">") + kRows.at(row) + "</th>";
    for (const FieldZone* zone : cells.at(row)) {
      html += zone == nullptr
                  ? "<td>–</td>"
                  : "<td class=\"" +
                        heat_class(zone->best_focus_steps - focus.compromise_focus_steps, scale) +
                        "\">" + shown(with_sigma(zone->best_focus_steps, zone->sigma_steps)) +
                        "<br><small>" +
                        count_words(static_cast<std::size_t>(zone->stars), "star", "stars") +
                        "</small></td>";
    }
    html += "</tr>\n";
  }
  return html + "</tbody></table></div>\n" +
         paragraph_element(
             "Shaded in one colour at smaller positions than those of the field as a whole, in the "
             "other at larger ones; the deeper the farther.");
}

}  // namespace

std::string cutouts_section(const RunPage& page) {
  const RunPictures& pictures = page.pictures;
  if (pictures.cutouts.empty()) return {};
  const std::string nearest = pictures.nearest ? pictures.nearest->file : std::string();
  std::string html =
      "<ul class=\"strip\" tabindex=\"0\" aria-label=\"One star in the frames of the run\">\n";
  for (const StarCutout& cut : pictures.cutouts) {
    const bool is_nearest = pictures.nearest && cut.file == pictures.nearest->file &&
                            cut.position_steps == pictures.nearest->position_steps;
    const std::string position = steps_words(cut.position_steps, page);
    const std::string size = cut.hfr_px ? "HFR " + format_fixed(*cut.hfr_px, 2) + " px" : "";
    html += std::string("<li><span class=\"sky") + (is_nearest ? " nearest" : "") + "\">" +
            image_element(cut.png, pictures.cutout_side_px, pictures.cutout_side_px,
                          "The star at " + position + (size.empty() ? "" : ", " + size)) +
            "</span>" + shown(position) + "<br>" + shown(size) + "</li>\n";
  }
  html += "</ul>\n";
  html += paragraph_element(
      std::string("The same star by focuser position, with one stretch for all; cut-outs of ") +
      std::to_string(pictures.cutout_side_px) + " px." +
      (nearest.empty() ? "" : " The framed one is nearest to best focus."));
  return section_element("strip", "One star through focus", html);
}

std::string nearest_frame_section(const RunPage& page) {
  if (!page.pictures.nearest) return {};
  const MarkedFrame& frame = *page.pictures.nearest;
  const std::string size = std::to_string(frame.width_px) + " " + std::to_string(frame.height_px);
  std::string html = "<figure class=\"frame\"><div class=\"sky\">" +
                     image_element(frame.png, frame.width_px, frame.height_px,
                                   frame.file + " with its stars marked") +
                     "<svg viewBox=\"0 0 " + size + "\" aria-hidden=\"true\">\n";
  for (const MarkedFrame::Mark& mark : frame.marks) html += mark_element(mark) + "\n";
  const std::string words = marks_words(frame.marks);
  html += "</svg></div>\n<figcaption>" +
          shown(frame.file + " at " + steps_words(frame.position_steps, page) +
                (words.empty() ? "" : ": of its stars " + words) + ".") +
          "</figcaption></figure>\n";
  return section_element("frame", "The frame nearest to best focus", html);
}

std::string field_section(const RunAnswer& answer) {
  std::string html;
  if (answer.field_focus) {
    const auto& zone_steps = answer.fit.critical_focus_zone_steps;
    html += zones_element(*answer.field_focus, zone_steps) +
            lines_element(shape_lines(*answer.field_focus, zone_steps));
  }
  if (answer.collimation) html += lines_element(collimation_lines(*answer.collimation));
  html += list_element(texts_of(answer.field_remarks));
  return html.empty() ? html : section_element("field", "Focus over the field", html);
}

}  // namespace starwaist::report
