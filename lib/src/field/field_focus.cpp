#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include "field/field_shape.h"
#include "field/median_focus.h"
#include "starwaist/field.h"
#include "starwaist/statistics.h"

namespace starwaist {

using namespace over_field;

namespace {

constexpr std::size_t kFewestFrames = 4;
constexpr std::size_t kFewestStars = 8;

// A curve and stars that can show a shape of the field.
struct Given {
  StarCurve curve;
  StarsOfField stars;
};

Result<Given> given_of(const FrameGroup& frames, std::span<const StarTrack> tracks,
                       const FitResult& fit) {
  const auto curve = star_curve(fit);
  if (!curve || !fit.best_focus_steps) {
    return fail(ErrorCode::no_data, "focus over the field: the run's curve has no minimum",
                "Sweep across best focus first");
  }
  StarsOfField data = stars_of_field(frames, tracks, fit, curve->centre_steps());
  const std::set<double> places(data.position_steps.begin(), data.position_steps.end());
  if (places.size() < kFewestFrames) {
    return fail(ErrorCode::no_data, "focus over the field: fewer than four different positions",
                "Take at least five frames across best focus");
  }
  if (data.stars < kFewestStars) {
    return fail(ErrorCode::no_data,
                "focus over the field: only " + std::to_string(data.stars) +
                    " stars are seen on both sides of best focus",
                "Expose longer or point at a richer field");
  }
  take_out_response(data);
  return Given{*curve, std::move(data)};
}

// A shape and the curve of one star that go together.
struct Fitted {
  StarCurve curve;
  FieldShape state;
};

// A tilted or curved field blurs the run's own curve: the star's is sharper.
Fitted fit_sharper(const Given& given, const Rig& rig) {
  Fitted fitted{given.curve, fit_shape(given.stars, given.curve, Eigen::Vector3d::Zero())};
  constexpr int kRefits = 3;
  for (int round = 0; round < kRefits; ++round) {
    const StarCurve& curve = fitted.curve;
    if (fitted.state.shape.cwiseAbs().maxCoeff() < 0.05 * curve.core_steps()) break;
    const auto sharper = curve_of_centre(given.stars, fitted.state, curve, rig);
    if (!sharper) break;
    const double moved = std::abs(sharper->centre_steps() - curve.centre_steps()) +
                         std::abs(sharper->core_steps() - curve.core_steps());
    fitted = {*sharper, fit_shape(given.stars, *sharper, fitted.state.shape)};
    if (moved < 0.01 * fitted.curve.core_steps()) break;
  }
  return fitted;
}

FieldFocus focus_of(const StarsOfField& data, const Fitted& fitted) {
  const auto& [curve, state] = fitted;
  FieldFocus out;
  const auto frame_count = static_cast<double>(data.position_steps.size());
  // Gradients of the frames, less those that the shape, the sharpness and the stars' own constants
  // take up.
  const double degrees = kShapes * (frame_count - kShapes);
  const double widening = std::sqrt(gradient_excess(data, state, degrees));
  const Eigen::MatrixXd& covariance = state.solution.covariance;
  const auto sigma_of = [&, &shape = state.shape](Eigen::Index k) {
    return std::hypot(widening * std::sqrt(covariance(k, k)), kSizeResponseSigma * shape(k));
  };
  out.tilt_x_steps = state.shape(0);
  out.tilt_y_steps = state.shape(1);
  out.curvature_steps = state.shape(2);
  out.tilt_x_sigma_steps = sigma_of(0);
  out.tilt_y_sigma_steps = sigma_of(1);
  out.curvature_sigma_steps = sigma_of(2);
  out.tilt_correlation = covariance(0, 1) / std::sqrt(covariance(0, 0) * covariance(1, 1));
  out.degrees_of_freedom = std::min(degrees, static_cast<double>(data.stars) - 2 * kShapes);
  out.centre_focus_steps = curve.centre_steps();
  const MedianFocus median = median_focus(data, curve, state.shape);
  out.compromise_focus_steps = median.best_focus_steps;
  out.flat_steps = median.flat_steps;
  out.edge_growth = median.edge_growth;
  const Eigen::Vector3d errors(out.tilt_x_sigma_steps, out.tilt_y_sigma_steps,
                               out.curvature_sigma_steps);
  const MedianShift shift = median_shift(data, curve, state.shape, errors);
  out.median_shift_steps = shift.steps;
  out.median_shift_sigma_steps = shift.sigma_steps;
  out.core_steps = curve.core_steps();
  out.stars = static_cast<int>(data.stars);
  out.frames = static_cast<int>(frame_count);
  out.zones = zones_of(data, curve, state, widening);
  return out;
}

}  // namespace

Result<FieldFocus> focus_over_field(const FrameGroup& frames, std::span<const StarTrack> tracks,
                                    const FitResult& fit, const Rig& rig) {
  const auto given = given_of(frames, tracks, fit);
  if (!given) return tl::unexpected(given.error());
  FieldFocus out = focus_of(given->stars, fit_sharper(*given, rig));
  if (!std::isfinite(out.tilt_x_sigma_steps + out.tilt_y_sigma_steps + out.curvature_sigma_steps +
                     out.tilt_x_steps + out.tilt_y_steps + out.curvature_steps)) {
    return fail(ErrorCode::numerical, "focus over the field: the stars determine no shape",
                "Take more frames on both sides of best focus");
  }
  return out;
}

}  // namespace starwaist
