// The parts of the page that are the same for every run, embedded by CMake, and those that are made
// for it.
//
// Private header of module report.
#pragma once

#include <string>

#include "core/encode.h"
#include "starwaist/page.h"

namespace starwaist::report {

extern const char* const kPageStyle;
extern const char* const kStartScript;  // before anything is painted
extern const char* const kPageScript;
extern const char* const kChartScript;   // Chart.js
extern const char* const kChartLicence;  // its licence, as text
// SHA-256 of each in hexadecimal digits, for the Content-Security-Policy.
extern const char* const kPageStyleHash;
extern const char* const kStartScriptHash;
extern const char* const kPageScriptHash;
extern const char* const kChartScriptHash;

// What page.js draws: ranges, points, curves, bands, residuals, and the words of each point.
encoding::Json chart_data(const FitResult& fit);

// Sections of the page; empty where there is nothing to show.
std::string answer_section(const RunPage& page);
std::string curve_section(const FitResult& fit);
std::string causes_section(const RunAnswer& answer);
std::string next_run_section(const RunPage& page);
std::string tables_section(const RunPage& page);
std::string cutouts_section(const RunPage& page);
std::string nearest_frame_section(const RunPage& page);
std::string field_section(const RunAnswer& answer);

}  // namespace starwaist::report
