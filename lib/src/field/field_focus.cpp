#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <limits>
#include <numeric>
#include <set>

#include "starwaist/field.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr std::size_t kFewestFrames = 4;
constexpr std::size_t kFewestStars = 8;
constexpr std::size_t kMostStars = 400;  // the brightest; more cost time and add little
constexpr int kShapes = 3;               // tilt x, tilt y, curvature
constexpr double kHuber = 1.345;

// What the three shapes of the field are at a place.
using ShapesAt = std::array<double, kShapes>;

ShapesAt shapes_at(const FrameMeasurement& frame, double x_px, double y_px) {
  const double half_width = 0.5 * (frame.width_px - 1);
  const double half_height = 0.5 * (frame.height_px - 1);
  const double x = x_px - half_width;
  const double y = y_px - half_height;
  return {x / (2 * half_width), y / (2 * half_height),
          (x * x + y * y) / (half_width * half_width + half_height * half_height)};
}

// The size of one star of the field against its distance from its own best focus.
class StarCurve {
 public:
  StarCurve(const ModelFit& model, double centre_steps, double core_steps)
      : model_(model), centre_steps_(centre_steps), core_steps_(core_steps) {
    table_.reserve(2 * kReach * kPerCore + 1);
    for (int i = -kReach * kPerCore; i <= kReach * kPerCore; ++i) {
      table_.push_back(exact(centre_steps + core_steps * i / kPerCore));
    }
  }

  // From a table, to 1e-5: a cubic between four neighbours.
  [[nodiscard]] double log_size(double position_steps) const {
    const double place = at(position_steps);
    if (!inside(place)) return exact(position_steps);
    const auto i = static_cast<std::size_t>(place);
    const double t = place - static_cast<double>(i);
    const double* v = &table_[i - 1];
    return v[1] + 0.5 * t *
                      (v[2] - v[0] +
                       t * (2 * v[0] - 5 * v[1] + 4 * v[2] - v[3] +
                            t * (3 * (v[1] - v[2]) + v[3] - v[0])));
  }
  // d ln size / d position.
  [[nodiscard]] double slope(double position_steps) const {
    const double h = core_steps_ / kPerCore;
    return (log_size(position_steps + h) - log_size(position_steps - h)) / (2 * h);
  }
  // How strongly a size follows the star's in-focus size there: that of variances that add.
  [[nodiscard]] double sharpness_share(double position_steps) const {
    const double u = (position_steps - centre_steps_) / core_steps_;
    return 1 / (1 + u * u);
  }
  [[nodiscard]] double centre_steps() const { return centre_steps_; }
  [[nodiscard]] double core_steps() const { return core_steps_; }

 private:
  static constexpr int kReach = 12;  // cores to either side
  static constexpr int kPerCore = 25;
  [[nodiscard]] double exact(double position_steps) const {
    return std::log(*curve_size_px(model_, position_steps));
  }
  [[nodiscard]] double at(double position_steps) const {
    return (position_steps - centre_steps_) / core_steps_ * kPerCore + kReach * kPerCore;
  }
  [[nodiscard]] bool inside(double place) const {
    return place >= 1 && place < static_cast<double>(table_.size()) - 3;
  }

  ModelFit model_;
  double centre_steps_;
  double core_steps_;
  std::vector<double> table_;
};

// The heaviest model that has arms and a core.
std::optional<StarCurve> star_curve(const FitResult& fit) {
  const ModelFit* best = nullptr;
  for (const ModelFit& model : fit.models) {
    if (model.model == CurveModel::parabola) continue;
    if (!model.slope_px_per_step || !model.min_size_px || !(*model.slope_px_per_step > 0)) continue;
    if (best == nullptr || model.weight.value_or(0) > best->weight.value_or(0)) best = &model;
  }
  if (best == nullptr) return std::nullopt;
  const auto* curve = std::get_if<FocusCurve>(&best->parameters);
  const double core = *best->min_size_px / *best->slope_px_per_step;
  if (curve == nullptr || !(core > 0) || !std::isfinite(core)) return std::nullopt;
  if (!curve_size_px(*best, curve->centre_steps)) return std::nullopt;
  return StarCurve(*best, curve->centre_steps, core);
}

// One star in one frame.
struct Row {
  std::size_t star = 0;
  std::size_t frame = 0;
  double log_size = 0;
  double variance = 0;
  ShapesAt shapes{};
};

struct Data {
  std::vector<double> position_steps;  // by frame
  std::vector<Row> rows;               // star by star
  std::size_t stars = 0;
  std::vector<std::array<double, 2>> place;  // by star: fraction of width and height
};

Data data_of(std::span<const FrameMeasurement> frames, std::span<const StarTrack> tracks,
             const FitResult& fit, double centre_steps) {
  Data data;
  // Frames that the curve rejected may have been at another focus than they say.
  std::set<std::string> rejected;
  for (const CurvePoint& p : fit.points) {
    if (!p.used) rejected.insert(p.file);
  }
  std::vector<std::optional<std::size_t>> column(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!frames[i].position_steps || rejected.count(frames[i].file) != 0) continue;
    column[i] = data.position_steps.size();
    data.position_steps.push_back(*frames[i].position_steps);
  }
  for (const StarTrack& track : tracks) {
    if (data.stars == kMostStars) break;
    std::vector<Row> rows;
    bool below = false;
    bool above = false;
    std::array<double, 2> place{};
    for (std::size_t i = 0; i < frames.size() && i < track.size(); ++i) {
      if (!column[i] || !track[i]) continue;
      const Star& star = frames[i].stars[*track[i]];
      if (!has_dependable_size(star)) continue;
      const double relative = *star.hfr_sigma_px / *star.hfr_px;
      rows.push_back({data.stars, *column[i], std::log(*star.hfr_px),
                      std::max(relative * relative, 1e-8),
                      shapes_at(frames[i], star.x_px, star.y_px)});
      (*frames[i].position_steps < centre_steps ? below : above) = true;
      place = {star.x_px / frames[i].width_px, star.y_px / frames[i].height_px};
    }
    if (2 * rows.size() < data.position_steps.size() || rows.size() < 3 || !below || !above) {
      continue;
    }
    data.rows.insert(data.rows.end(), rows.begin(), rows.end());
    data.place.push_back(place);
    ++data.stars;
  }
  return data;
}

// Linear fit of values by columns, by a constant of each star and by one of each frame.
struct Solution {
  Eigen::VectorXd values;      // of the columns, then of the frames
  Eigen::MatrixXd covariance;  // of the columns, from the scatter of whole stars
  Eigen::VectorXd residuals;
  Eigen::VectorXd weights;
};

class Solver {
 public:
  explicit Solver(const Data& data) : data_(data) {}

  // `prior`: 1 / variance of a column about nought, 0 for none.
  Solution solve(const Eigen::MatrixXd& columns, const Eigen::VectorXd& target,
                 const Eigen::VectorXd& prior) {
    const auto n = static_cast<Eigen::Index>(data_.rows.size());
    const Eigen::Index p = columns.cols();
    const auto frames = static_cast<Eigen::Index>(data_.position_steps.size());
    Eigen::MatrixXd design(n, p + frames);
    design.leftCols(p) = columns;
    design.rightCols(frames).setZero();
    for (Eigen::Index k = 0; k < n; ++k) {
      design(k, p + static_cast<Eigen::Index>(row(k).frame)) = 1;
    }
    Solution s;
    s.residuals = Eigen::VectorXd::Zero(n);
    s.weights.resize(n);
    Eigen::MatrixXd inverse;
    Eigen::MatrixXd centred;
    constexpr int kRounds = 8;
    for (int round = 0; round < kRounds; ++round) {
      for (Eigen::Index k = 0; k < n; ++k) {
        const double variance = row(k).variance + tau2_;
        const double z = std::abs(s.residuals(k)) / std::sqrt(variance);
        s.weights(k) = (round > 0 && z > kHuber ? kHuber / z : 1.0) / variance;
      }
      centred = design;
      Eigen::VectorXd value = target;
      take_out_star_means(s.weights, centred, value);
      Eigen::MatrixXd normal = centred.transpose() * s.weights.asDiagonal() * centred;
      const Eigen::VectorXd right = centred.transpose() * (s.weights.cwiseProduct(value));
      // A constant of all frames is one of all stars: held by a hair.
      const double hair = 1e-8 * normal.diagonal().tail(frames).mean();
      normal.diagonal().tail(frames).array() += hair;
      normal.diagonal().head(p) += prior;
      const Eigen::LDLT<Eigen::MatrixXd> factor(normal);
      s.values = factor.solve(right);
      s.residuals = value - centred * s.values;
      inverse = factor.solve(Eigen::MatrixXd::Identity(p + frames, p + frames));
      if (round == 2 || round == 4) update_scatter(s.residuals);
    }
    s.covariance = star_covariance(s, centred, inverse).topLeftCorner(p, p);
    return s;
  }

 private:
  [[nodiscard]] const Row& row(Eigen::Index k) const {
    return data_.rows[static_cast<std::size_t>(k)];
  }

  template <class Visitor>
  void for_each_star(Visitor&& visit) const {
    const auto n = static_cast<Eigen::Index>(data_.rows.size());
    for (Eigen::Index begin = 0; begin < n;) {
      Eigen::Index end = begin + 1;
      while (end < n && row(end).star == row(begin).star) ++end;
      visit(begin, end - begin);
      begin = end;
    }
  }

  void take_out_star_means(const Eigen::VectorXd& weights, Eigen::MatrixXd& design,
                           Eigen::VectorXd& value) const {
    for_each_star([&](Eigen::Index begin, Eigen::Index count) {
      const auto w = weights.segment(begin, count);
      const double sum = w.sum();
      const Eigen::RowVectorXd mean = w.transpose() * design.middleRows(begin, count) / sum;
      design.middleRows(begin, count).rowwise() -= mean;
      value.segment(begin, count).array() -= w.dot(value.segment(begin, count)) / sum;
    });
  }

  // The scatter that sizes show beyond their own errors.
  void update_scatter(const Eigen::VectorXd& residuals) {
    std::vector<double> all(residuals.data(), residuals.data() + residuals.size());
    std::vector<double> variances;
    for (const Row& r : data_.rows) variances.push_back(r.variance);
    const double spread = robust_sigma(all);
    tau2_ = std::max(0.0, spread * spread - median(variances));
  }

  [[nodiscard]] Eigen::MatrixXd star_covariance(const Solution& s, const Eigen::MatrixXd& centred,
                                                const Eigen::MatrixXd& inverse) const {
    Eigen::MatrixXd meat = Eigen::MatrixXd::Zero(inverse.rows(), inverse.cols());
    for_each_star([&](Eigen::Index begin, Eigen::Index count) {
      const Eigen::VectorXd score =
          centred.middleRows(begin, count).transpose() *
          s.weights.segment(begin, count).cwiseProduct(s.residuals.segment(begin, count));
      meat += score * score.transpose();
    });
    const auto n = static_cast<double>(data_.stars);
    const double few = n / std::max(1.0, n - 2 * kShapes);
    Eigen::MatrixXd covariance = few * inverse * meat * inverse;
    // Never below what the sizes' own errors promise.
    Eigen::VectorXd factor(inverse.rows());
    for (Eigen::Index k = 0; k < inverse.rows(); ++k) {
      const double own = covariance(k, k);
      factor(k) = own > 0 ? std::sqrt(std::max(1.0, inverse(k, k) / own)) : 1.0;
    }
    return factor.asDiagonal() * covariance * factor.asDiagonal();
  }

  const Data& data_;
  double tau2_ = 0;
};

// Where the joint fit stands.
struct State {
  Eigen::Vector3d shape = Eigen::Vector3d::Zero();  // tilt x, tilt y, curvature, steps
  Solution solution;
};

// Sizes within a frame as they are and not as they were measured: see kSizeResponse.
void take_out_response(Data& data) {
  std::vector<std::vector<double>> of_frame(data.position_steps.size());
  for (const Row& row : data.rows) of_frame[row.frame].push_back(row.log_size);
  std::vector<double> typical;
  for (const auto& sizes : of_frame) typical.push_back(sizes.empty() ? 0.0 : median(sizes));
  for (Row& row : data.rows) {
    row.log_size = typical[row.frame] + (row.log_size - typical[row.frame]) / kSizeResponse;
  }
}

double offset_of(const Row& row, const Eigen::Vector3d& shape) {
  return shape(0) * row.shapes[0] + shape(1) * row.shapes[1] + shape(2) * row.shapes[2];
}

// Gauss-Newton rounds on the field's shape.
State fit_shape(const Data& data, const StarCurve& curve, const Eigen::Vector3d& start) {
  const auto n = static_cast<Eigen::Index>(data.rows.size());
  State state;
  state.shape = start;
  Solver solver(data);
  constexpr int kRounds = 12;
  constexpr double kSharpness = 0.2;  // relative, over the field: of a fast reflector's corners
  Eigen::VectorXd prior = Eigen::VectorXd::Zero(2 * kShapes);
  prior.tail(kShapes).setConstant(1 / (kSharpness * kSharpness));
  for (int round = 0; round < kRounds; ++round) {
    Eigen::MatrixXd columns(n, 2 * kShapes);
    Eigen::VectorXd target(n);
    for (Eigen::Index k = 0; k < n; ++k) {
      const Row& row = data.rows[static_cast<std::size_t>(k)];
      const double offset = offset_of(row, state.shape);
      const double place = data.position_steps[row.frame] - offset;
      const double by_offset = -curve.slope(place);
      const double share = curve.sharpness_share(place);
      for (int c = 0; c < kShapes; ++c) {
        columns(k, c) = by_offset * row.shapes[static_cast<std::size_t>(c)];
        columns(k, kShapes + c) = share * row.shapes[static_cast<std::size_t>(c)];
      }
      target(k) = row.log_size - curve.log_size(place) + by_offset * offset;
    }
    state.solution = solver.solve(columns, target, prior);
    Eigen::Vector3d step = state.solution.values.head<3>() - state.shape;
    const double longest = step.cwiseAbs().maxCoeff();
    const double leash = 1.5 * curve.core_steps();
    if (longest > leash) step *= leash / longest;
    state.shape += step;
    if (longest < 1e-3 * curve.core_steps()) break;
  }
  return state;
}

// chi^2 a degree of freedom of the frames' residual gradients over the field, against the stars'
// scatter: above 1 where seeing differs over the field.
double gradient_excess(const Data& data, const State& state, double degrees) {
  const std::size_t frames = data.position_steps.size();
  constexpr int kTerms = kShapes + 1;
  using Matrix = Eigen::Matrix<double, kTerms, kTerms>;
  using Vector = Eigen::Matrix<double, kTerms, 1>;
  std::vector<Matrix> normal(frames, Matrix::Zero());
  std::vector<Vector> right(frames, Vector::Zero());
  for (std::size_t k = 0; k < data.rows.size(); ++k) {
    const Row& row = data.rows[k];
    const double w = state.solution.weights(static_cast<Eigen::Index>(k));
    const Vector z(1, row.shapes[0], row.shapes[1], row.shapes[2]);
    normal[row.frame] += w * z * z.transpose();
    right[row.frame] += w * state.solution.residuals(static_cast<Eigen::Index>(k)) * z;
  }
  double chi2 = 0;
  for (std::size_t i = 0; i < frames; ++i) {
    const Matrix inverse = (normal[i] + 1e-9 * Matrix::Identity()).inverse();
    const Vector slope = inverse * right[i];
    const Eigen::Matrix3d of_slopes = inverse.bottomRightCorner<3, 3>();
    const Eigen::Vector3d s = slope.tail<3>();
    chi2 += s.dot(of_slopes.inverse() * s);
  }
  return std::max(1.0, chi2 / degrees);
}

// The run's curve with tilt and curvature taken out: what a star in the field's centre shows.
std::optional<StarCurve> curve_of_centre(const Data& data, const State& state,
                                         const StarCurve& curve, const Rig& rig) {
  std::vector<CurvePoint> points;
  // The frames' constants are known but for one, which the mean over frames of the sizes gives.
  double mean_log = 0;
  for (const Row& row : data.rows) mean_log += row.log_size;
  mean_log /= static_cast<double>(data.rows.size());
  std::vector<double> logs;
  for (std::size_t i = 0; i < data.position_steps.size(); ++i) {
    logs.push_back(state.solution.values(2 * kShapes + static_cast<Eigen::Index>(i)) +
                   curve.log_size(data.position_steps[i]));
  }
  const double shift =
      mean_log - std::accumulate(logs.begin(), logs.end(), 0.0) / static_cast<double>(logs.size());
  for (std::size_t i = 0; i < logs.size(); ++i) {
    CurvePoint point;
    point.position_steps = data.position_steps[i];
    point.size_px = std::exp(logs[i] + shift);
    point.sigma_px = 0.01 * *point.size_px;
    points.push_back(point);
  }
  const auto fit = fit_curve(points, rig);
  if (!fit) return std::nullopt;
  return star_curve(*fit);
}

// Where the median over the frame of a star's size is smallest.
double compromise_of(const StarCurve& curve, const Eigen::Vector3d& shape,
                     const FrameMeasurement& frame) {
  constexpr int kSide = 15;
  std::vector<double> offsets;
  for (int i = 0; i < kSide; ++i) {
    for (int j = 0; j < kSide; ++j) {
      const ShapesAt at = shapes_at(frame, (i + 0.5) / kSide * (frame.width_px - 1),
                                    (j + 0.5) / kSide * (frame.height_px - 1));
      offsets.push_back(shape(0) * at[0] + shape(1) * at[1] + shape(2) * at[2]);
    }
  }
  const auto [lowest, highest] = std::minmax_element(offsets.begin(), offsets.end());
  const auto median_size = [&](double from_centre) {
    std::vector<double> sizes;
    for (const double offset : offsets) {
      sizes.push_back(curve.log_size(curve.centre_steps() + from_centre - offset));
    }
    return median(sizes);
  };
  double best = 0.5 * (*lowest + *highest);
  double reach = 0.5 * (*highest - *lowest) + 1e-9;
  for (int zoom = 0; zoom < 4; ++zoom) {
    constexpr int kSteps = 20;
    double least = std::numeric_limits<double>::infinity();
    const double middle = best;
    for (int k = -kSteps; k <= kSteps; ++k) {
      const double at = middle + reach * k / kSteps;
      const double size = median_size(at);
      if (size < least) {
        least = size;
        best = at;
      }
    }
    reach *= 2.0 / kSteps;
  }
  return curve.centre_steps() + best;
}

constexpr int kSide = 3;

std::size_t zone_of(const std::array<double, 2>& place) {
  const auto cell = [](double fraction) {
    return static_cast<std::size_t>(std::clamp(static_cast<int>(fraction * kSide), 0, kSide - 1));
  };
  return cell(place[1]) * kSide + cell(place[0]);
}

// What each zone's focus is beside the smooth shape's, then both together.
std::vector<FieldZone> zones_of(const Data& data, const StarCurve& curve, const State& state,
                                double widening) {
  constexpr int kZones = kSide * kSide;
  const auto n = static_cast<Eigen::Index>(data.rows.size());
  Eigen::MatrixXd columns = Eigen::MatrixXd::Zero(n, kZones + kShapes);
  Eigen::VectorXd target(n);
  std::array<double, kZones> smooth{};
  std::array<int, kZones> rows{};
  std::array<std::set<std::size_t>, kZones> stars;
  for (Eigen::Index k = 0; k < n; ++k) {
    const Row& row = data.rows[static_cast<std::size_t>(k)];
    const std::size_t zone = zone_of(data.place[row.star]);
    const double offset = offset_of(row, state.shape);
    const double place = data.position_steps[row.frame] - offset;
    columns(k, static_cast<Eigen::Index>(zone)) = -curve.slope(place);
    for (int c = 0; c < kShapes; ++c) {
      columns(k, kZones + c) =
          curve.sharpness_share(place) * row.shapes[static_cast<std::size_t>(c)];
    }
    target(k) = row.log_size - curve.log_size(place);
    smooth[zone] += offset;
    ++rows[zone];
    stars[zone].insert(row.star);
  }
  Eigen::VectorXd prior = Eigen::VectorXd::Zero(kZones + kShapes);
  // All zones together may move without the sizes telling: held near the smooth shape.
  prior.head(kZones).setConstant(1 / (curve.core_steps() * curve.core_steps()));
  prior.tail(kShapes).setConstant(25.0);
  Solver solver(data);
  const Solution s = solver.solve(columns, target, prior);
  // Errors against the mean of the zones.
  const Eigen::MatrixXd centring = Eigen::MatrixXd::Identity(kZones, kZones) -
                                   Eigen::MatrixXd::Constant(kZones, kZones, 1.0 / kZones);
  const Eigen::MatrixXd covariance =
      centring * s.covariance.topLeftCorner(kZones, kZones) * centring;
  // What all zones have in common is the smooth shape's.
  double common = 0;
  for (int z = 0; z < kZones; ++z) {
    common += rows[static_cast<std::size_t>(z)] * s.values(z) / static_cast<double>(n);
  }
  std::vector<FieldZone> zones;
  constexpr std::size_t kFewestInZone = 3;
  for (int z = 0; z < kZones; ++z) {
    const auto at = static_cast<std::size_t>(z);
    if (stars[at].size() < kFewestInZone) continue;
    FieldZone zone;
    zone.row = z / kSide;
    zone.column = z % kSide;
    zone.best_focus_steps = curve.centre_steps() + smooth[at] / rows[at] + s.values(z) - common;
    zone.sigma_steps = widening * std::sqrt(covariance(z, z));
    zone.stars = static_cast<int>(stars[at].size());
    zones.push_back(zone);
  }
  return zones;
}

}  // namespace

Result<FieldFocus> focus_over_field(std::span<const FrameMeasurement> frames,
                                    std::span<const StarTrack> tracks, const FitResult& fit,
                                    const Rig& rig) {
  auto curve = star_curve(fit);
  if (!curve || !fit.best_focus_steps) {
    return fail(ErrorCode::no_data, "focus over the field: the run's curve has no minimum",
                "Sweep across best focus first");
  }
  Data data = data_of(frames, tracks, fit, curve->centre_steps());
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
  State state = fit_shape(data, *curve, Eigen::Vector3d::Zero());
  // A tilted or curved field blurs the run's own curve: the star's is sharper.
  constexpr int kRefits = 3;
  for (int round = 0; round < kRefits; ++round) {
    if (state.shape.cwiseAbs().maxCoeff() < 0.05 * curve->core_steps()) break;
    const auto sharper = curve_of_centre(data, state, *curve, rig);
    if (!sharper) break;
    const double moved = std::abs(sharper->centre_steps() - curve->centre_steps()) +
                         std::abs(sharper->core_steps() - curve->core_steps());
    curve = sharper;
    state = fit_shape(data, *curve, state.shape);
    if (moved < 0.01 * curve->core_steps()) break;
  }
  FieldFocus out;
  const auto frame_count = static_cast<double>(data.position_steps.size());
  // Gradients of the frames, less those that the shape, the sharpness and the stars' own constants
  // take up.
  const double degrees = kShapes * (frame_count - kShapes);
  const double widening = std::sqrt(gradient_excess(data, state, degrees));
  const Eigen::MatrixXd& covariance = state.solution.covariance;
  out.tilt_x_steps = state.shape(0);
  out.tilt_y_steps = state.shape(1);
  out.curvature_steps = state.shape(2);
  const auto sigma_of = [&](Eigen::Index k) {
    return std::hypot(widening * std::sqrt(covariance(k, k)), kSizeResponseSigma * state.shape(k));
  };
  out.tilt_x_sigma_steps = sigma_of(0);
  out.tilt_y_sigma_steps = sigma_of(1);
  out.curvature_sigma_steps = sigma_of(2);
  out.tilt_correlation = covariance(0, 1) / std::sqrt(covariance(0, 0) * covariance(1, 1));
  out.degrees_of_freedom = std::min(degrees, static_cast<double>(data.stars) - 2 * kShapes);
  out.centre_focus_steps = curve->centre_steps();
  out.compromise_focus_steps = compromise_of(*curve, state.shape, frames.front());
  out.core_steps = curve->core_steps();
  out.stars = static_cast<int>(data.stars);
  out.frames = static_cast<int>(frame_count);
  out.zones = zones_of(data, *curve, state, widening);
  if (!std::isfinite(out.tilt_x_sigma_steps + out.tilt_y_sigma_steps + out.curvature_sigma_steps +
                     out.tilt_x_steps + out.tilt_y_steps + out.curvature_steps)) {
    return fail(ErrorCode::numerical, "focus over the field: the stars determine no shape",
                "Take more frames on both sides of best focus");
  }
  return out;
}

}  // namespace starwaist
