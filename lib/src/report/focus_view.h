// What a picture of the focus curve shows, however it is drawn: the ranges of its axes, the curves,
// the bands, the words.
//
// Private header of module report.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "report/figure.h"
#include "starwaist/curve.h"

namespace starwaist::report {

using NumberRows = std::vector<std::vector<double>>;

// What the panels show.
struct View {
  const FitResult& fit;
  const ModelFit* chosen;
  Range x;
  Range y;
};

// The ranges follow the points that count; a rejected point far outside is drawn at the rim instead
// of squeezing the curve. `fit` must outlive the view.
View view_of(const FitResult& fit);

// Precondition: the point has a size.
bool off_scale(const View& view, const CurvePoint& point);

// Of the chosen curve.
std::optional<double> expected_size(const View& view, const CurvePoint& point);

// Position and size; an empty row where the curve leaves the panel.
NumberRows curve_rows(const View& view, const ModelFit& model);

// Best focus, where the panel shows it.
std::optional<double> shown_best(const View& view);

// The critical focus zone about best focus; open where one of the two is not known.
Interval focus_zone(const FitResult& fit);

// A band over the whole height; open ends reach the rim. Absent where nothing of it is in sight.
std::optional<Range> shown_band(const View& view, const Interval& band);

std::string figure_title(const FitResult& fit);
std::string figure_subtitle(const FitResult& fit);
std::string size_words(const FitResult& fit);                          // of the axis of sizes
std::string curve_words(const FitResult& fit, const ModelFit& model);  // its name and weight

}  // namespace starwaist::report
