// The page of a run, put together.
#include "starwaist/page.h"

#include <cstddef>
#include <string>

#include "core/encode.h"
#include "report/answer_text.h"
#include "report/markup.h"
#include "report/page_parts.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

using report::escaped;
using report::shown;

// 'sha256-...' of a hash in hexadecimal digits.
std::string hash_source(const std::string& digits) {
  std::string bytes;
  for (std::size_t i = 0; i + 1 < digits.size(); i += 2) {
    bytes += static_cast<char>(std::stoi(digits.substr(i, 2), nullptr, 16));
  }
  return "'sha256-" + report::base64(bytes) + "'";
}

// Nothing is fetched, nothing is sent, and no script or style but the page's own is heeded.
std::string security_policy() {
  return "default-src 'none'; img-src data:; base-uri 'none'; form-action 'none'; style-src " +
         hash_source(report::kPageStyleHash) + "; script-src " +
         hash_source(report::kStartScriptHash) + " " + hash_source(report::kChartScriptHash) + " " +
         hash_source(report::kPageScriptHash);
}

std::string page_title(const RunPage& page) {
  std::string words = page.watched && page.reload_s ? watch_short_line(*page.watched, page.answer)
                                                    : short_line(page.answer);
  words.pop_back();
  return page.name.empty() ? words : words + " – " + page.name;
}

std::string head_element(const RunPage& page) {
  std::string html =
      "<head>\n<meta charset=\"utf-8\">\n<meta http-equiv=\"Content-Security-Policy\" content=\"" +
      security_policy() +
      "\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
      "<meta name=\"theme-color\" content=\"#ffffff\">\n"
      "<meta name=\"referrer\" content=\"no-referrer\">\n<link rel=\"icon\" href=\"data:,\">\n";
  html += "<title>" + shown(page_title(page)) + "</title>\n";
  if (page.reload_s) {
    html += "<noscript><meta http-equiv=\"refresh\" content=\"" +
            std::to_string(static_cast<int>(*page.reload_s)) + "\"></noscript>\n";
  }
  return html + "<script>" + report::kStartScript + "</script>\n<style>" + report::kPageStyle +
         "</style>\n</head>\n";
}

std::string header_element(const RunPage& page) {
  const std::size_t frames = page.answer.fit.points.size();
  const std::string count = page.frames.empty() && !page.watched
                                ? report::count_words(frames, "point", "points")
                                : report::count_words(frames, "frame", "frames");
  return "<a class=\"skip\" href=\"#answer-heading\">To the answer</a>\n<header>\n<p "
         "class=\"run\">" +
         shown(page.name) + (page.name.empty() ? "" : ", ") + count +
         "</p>\n<button type=\"button\" id=\"night\" aria-pressed=\"false\" hidden>Night "
         "view</button>\n</header>\n";
}

std::string footer_element() {
  return std::string("<footer>\n<p>Made by starwaist. Whole in itself: it fetches nothing.</p>\n") +
         "<details><summary>Licence of the charts</summary>\n<pre>" +
         escaped(report::kChartLicence) + "</pre></details>\n</footer>\n";
}

std::string data_element(const std::string& id, const encoding::Json& json) {
  return "<script type=\"application/json\" id=\"" + id + "\">" + report::script_json(json) +
         "</script>\n";
}

}  // namespace

Result<std::string> page_html(const RunPage& page) {
  const auto answer = diagnose_json(page.answer);
  if (!answer) return tl::unexpected<Error>(answer.error());
  encoding::Json charts = report::chart_data(page.answer.fit);
  charts["reload_s"] = page.reload_s ? encoding::Json(*page.reload_s) : encoding::Json(nullptr);
  return "<!DOCTYPE html>\n<html lang=\"en\">\n" + head_element(page) + "<body>\n" +
         header_element(page) + "<main>\n" + report::answer_section(page) +
         report::curve_section(page.answer.fit) + report::causes_section(page.answer) +
         report::cutouts_section(page) + report::next_run_section(page) +
         report::nearest_frame_section(page) + report::field_section(page.answer) +
         report::tables_section(page) + "</main>\n" + footer_element() +
         data_element("answer", encoding::Json::parse(*answer)) +
         data_element("chart-data", charts) + "<script>" + report::kChartScript + "</script>\n" +
         "<script>" + report::kPageScript + "</script>\n</body>\n</html>\n";
}

}  // namespace starwaist
