// The page's words and tables: the answer, causes, settings, numbers.
#include <algorithm>
#include <limits>
#include <sstream>
#include <string>
#include <vector>

#include "report/fit_parts.h"
#include "report/focus_view.h"
#include "report/markup.h"
#include "report/opening.h"
#include "report/page_parts.h"
#include "report/words.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist::report {

namespace {

constexpr std::size_t kUnbroken = std::numeric_limits<std::size_t>::max();

std::string under_heading(const std::string& heading, const std::string& inside) {
  return inside.empty() ? std::string() : "<h3>" + escaped(heading) + "</h3>\n" + inside;
}

bool is_being_taken(const RunPage& page) { return page.watched && page.reload_s; }

bool can_be_used(const FitResult& fit) {
  return fit.best_focus_steps && fit.verdict != Verdict::unusable;
}

// The answer in one line, as --short has it, without its figures of error.
std::string title_element(const RunPage& page) {
  const FitResult& fit = page.answer.fit;
  const bool going = is_being_taken(page);
  std::string html = "<h1 id=\"answer-heading\">";
  if (can_be_used(fit)) {
    const std::string mark = fit.verdict == Verdict::trusted ? "✓" : "?";
    const std::string next = going ? short_next_words(*page.watched) : std::string();
    html += "<span class=\"position\">" + shown(short_position_words(fit)) + "</span>" +
            shown(short_side_words(fit.approach)) + ": <span class=\"verdict\">" +
            shown(short_use_words(fit.verdict)) + " <span aria-hidden=\"true\">" + mark +
            "</span></span>" + shown(next.empty() ? next : "; " + next);
  } else {
    std::string line =
        going ? watch_short_line(*page.watched, page.answer) : short_line(page.answer);
    line.pop_back();
    html += "<span class=\"verdict words\">" +
            std::string(going ? "" : "<span aria-hidden=\"true\">✕</span> ") +
            shown(capital(line)) + "</span>";
  }
  return html + "</h1>\n";
}

// The words of the last frame, a paragraph a line; the first begins with the frame's name.
std::string watched_element(const WatchAnswer& watched) {
  std::istringstream lines(watch_text(watched, {.width = kUnbroken}));
  std::string html;
  for (std::string line; std::getline(lines, line);) {
    line.erase(0, line.find_first_not_of(' '));
    html += paragraph_element(html.empty() ? line : capital(line));
  }
  return html;
}

std::string opening_element(const RunAnswer& answer) {
  const OpeningWords words = opening_words(answer);
  std::string html = paragraph_element(words.use) + paragraph_element(words.problem);
  if (!words.action.empty()) html += paragraph_element("What to do: " + words.action, "action");
  if (!words.next_run.empty()) html += paragraph_element("For the next run: " + words.next_run);
  return html;
}

// What one finding says, with the page of its cause to unfold.
std::string finding_element(const Finding& finding) {
  std::string html = "<h3>" + shown(capital(finding_title(finding))) + " (" +
                     format_fixed(100 * finding.confidence, 0) + " %)</h3>\n";
  html += paragraph_element(finding.summary);
  std::vector<std::string> evidence;
  for (const EvidenceItem& item : finding.evidence) evidence.push_back(item_words(item));
  html += list_element(evidence) + paragraph_element("What to do: " + finding.remedy.text);
  const std::string settings = settings_words(finding);
  if (!settings.empty()) html += paragraph_element("For the next run: " + settings);
  if (const auto page = cause_page(finding.cause)) {
    html += "<details><summary>About this cause: " + shown(page->title) + "</summary>\n" +
            lines_element(explain_lines(*page)) + "</details>\n";
  }
  return html;
}

// A sample of how a mark or line looks in the chart, before its words.
std::string legend_entry(const std::string& sample, const std::string& words) {
  return "<li><svg viewBox=\"0 0 26 16\" aria-hidden=\"true\">" + sample + "</svg>" + shown(words) +
         "</li>\n";
}

std::string line_sample(const std::string& of_class) {
  return "<line class=\"" + of_class + "\" x1=\"1\" y1=\"8\" x2=\"25\" y2=\"8\"/>";
}

std::string band_sample(const std::string& of_class) {
  return "<rect class=\"" + of_class + "\" x=\"1\" y=\"1\" width=\"24\" height=\"14\"/>";
}

std::string legend_element(const FitResult& fit) {
  const View view = view_of(fit);
  bool rejects = false;
  bool far_off = false;
  for (const CurvePoint& point : fit.points) {
    if (point.used || !point.size_px) continue;
    (off_scale(view, point) ? far_off : rejects) = true;
  }
  std::string html = "<ul class=\"legend\">\n" +
                     legend_entry("<circle class=\"fill-point\" cx=\"13\" cy=\"8\" r=\"5\"/>",
                                  "used, with its standard error");
  if (rejects) {
    html += legend_entry("<path class=\"line-rejected\" d=\"M8 3 18 13M18 3 8 13\"/>", "not used");
  }
  if (far_off) {
    html += legend_entry("<path class=\"line-rejected\" d=\"M13 2 20 14 6 14Z\"/>",
                         "not used, beyond the chart");
  }
  bool has_other = false;
  for (const ModelFit& model : fit.models) {
    if (!curve_size_px(model, view.x.low)) continue;
    const bool chosen = &model == view.chosen;
    const char* const line = chosen ? "line-curve" : has_other ? "line-another" : "line-other";
    has_other = has_other || !chosen;
    html += legend_entry(line_sample(line), curve_words(fit, model));
  }
  if (shown_best(view)) html += legend_entry(line_sample("line-best"), "best focus");
  if (shown_band(view, fit.interval_95_steps)) {
    html += legend_entry(band_sample("fill-interval"), "95 % interval");
  }
  if (shown_band(view, focus_zone(fit))) {
    html += legend_entry(band_sample("fill-zone"), "critical focus zone");
  }
  return html + "</ul>\n";
}

std::string canvas_element(const std::string& id, const std::string& label,
                           const std::string& of_class) {
  return "<div class=\"" + of_class + "\"><canvas id=\"" + id +
         "\" role=\"img\" tabindex=\"0\" aria-label=\"" + shown(label) +
         " The arrow keys go from point to point; the table has all numbers.\"></canvas></div>\n" +
         "<p class=\"detail\" id=\"" + id +
         "-detail\" role=\"status\">Point at a point or touch it to see its frame.</p>\n";
}

}  // namespace

std::string answer_section(const RunPage& page) {
  const RunAnswer& answer = page.answer;
  // A run that is being taken has not failed yet.
  const bool going = is_being_taken(page);
  const std::string state = going && !can_be_used(answer.fit) ? "" : enum_name(answer.fit.verdict);
  std::string html = "<section class=\"answer " + state +
                     "\" aria-labelledby=\"answer-heading\">\n" + title_element(page);
  html += going ? watched_element(*page.watched) : opening_element(answer);
  std::vector<NamedLine> lines = {{"Verdict", enum_name(answer.fit.verdict)}};
  for (NamedLine& line : fit_lines(answer)) lines.push_back(std::move(line));
  html += lines_element(lines);
  html += under_heading("Why it is not trusted", list_element(further_reasons(answer)));
  return html + "</section>\n";
}

std::string curve_section(const FitResult& fit) {
  const bool drawn = std::any_of(fit.points.begin(), fit.points.end(),
                                 [](const CurvePoint& p) { return p.size_px.has_value(); });
  if (!drawn) return {};
  std::string html = canvas_element("curve",
                                    "Star size against focuser position. " + figure_title(fit) +
                                        ". " + figure_subtitle(fit) + ".",
                                    "chart");
  html += legend_element(fit);
  if (chosen_model(fit) != nullptr) {
    html += under_heading(
        "How far each point lies off the curve",
        canvas_element("residuals", "Star size less that of the curve.", "chart low"));
  }
  html +=
      "<noscript><p>Without scripts the charts are not drawn; the tables below have their "
      "numbers.</p></noscript>\n";
  return section_element("curve", "Focus curve", html);
}

std::string causes_section(const RunAnswer& answer) {
  const ToldFindings told = told_findings(answer);
  std::string html;
  for (const Finding* finding : told.plain) html += finding_element(*finding);
  std::string suspected;
  for (const Finding* finding : told.suspected) suspected += finding_element(*finding);
  if (!suspected.empty()) html += "<p>Not ruled out:</p>\n" + suspected;
  return section_element("causes", "What is wrong, and how it shows", html);
}

std::string next_run_section(const RunPage& page) {
  std::string html;
  if (page.plan) {
    html = lines_element(plan_lines(*page.plan)) + list_element(texts_of(page.plan->notes));
  } else {
    std::vector<NamedLine> asked;
    for (const Finding& finding : page.answer.findings) {
      const std::string settings = settings_words(finding);
      if (!settings.empty()) asked.push_back({capital(finding_title(finding)), settings});
    }
    html = lines_element(asked);
  }
  return section_element("next-run", "Settings for the next run", html);
}

std::string tables_section(const RunPage& page) {
  const FitResult& fit = page.answer.fit;
  std::string html = table_element("Points of the curve", points_table(fit, kUnbroken));
  html += under_heading("Not used", list_element(rejection_lines(fit)));
  html += table_element("Curves", models_table(fit));
  std::vector<const FrameMeasurement*> frames;
  for (const FrameMeasurement& frame : page.frames) frames.push_back(&frame);
  html += table_element("Frames, each by itself", frames_table(frames, kUnbroken));
  html += under_heading("Notes", list_element(texts_of(fit.notes)));
  html += under_heading("Skipped", list_element(reason_lines(page.answer.skipped)));
  return section_element("numbers", "All numbers", html);
}

}  // namespace starwaist::report
