#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>

#include "drift/linear_fit.h"
#include "drift/posterior.h"
#include "drift/rejection.h"
#include "drift/samples.h"
#include "starwaist/drift.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist {

namespace {

using drift::Contrast;
using drift::Design;
using drift::DesignOptions;
using drift::Posterior;
using drift::Samples;
using drift::TubeTemperature;
using Eigen::Index;
using Eigen::VectorXd;

constexpr double kWholeInterval = 0.95;
constexpr double kSecondsPerMinute = 60;

Result<void> check_runs(std::span<const DriftRun> runs) {
  for (const DriftRun& run : runs) {
    const auto finite = [](const std::optional<double>& value) {
      return !value || std::isfinite(*value);
    };
    const std::string where = "row " + std::to_string(run.row);
    if (!std::isfinite(run.position_steps) || !finite(run.temperature_c) ||
        !finite(run.altitude_deg)) {
      return fail(ErrorCode::invalid_argument, where + ": a number is not finite",
                  "Correct or leave out the row");
    }
    if (run.sigma_steps && !(*run.sigma_steps > 0 && std::isfinite(*run.sigma_steps))) {
      return fail(ErrorCode::invalid_argument, where + ": a sigma is not a positive number",
                  "Leave it out where it is unknown");
    }
  }
  return {};
}

std::string steps_words(double steps) { return format_like_sigma(steps, std::nullopt) + " steps"; }

std::string above_or_below(double steps) { return steps > 0 ? "above" : "below"; }

// One fit of one set of runs, from samples to posterior.
class Fitter {
 public:
  Fitter(std::span<const DriftRun> runs, const DriftOptions& options)
      : runs_(runs), options_(options) {}

  DriftFit fit() {
    choose_runs();
    if (s_.count() > 0) {
      choose_terms();
      reject();
      find_lag();
      find_posterior();
    }
    answer();
    return std::move(answer_);
  }

 private:
  DriftResult& result() { return answer_.result; }

  void choose_runs() {
    result().runs = static_cast<int>(runs_.size());
    std::vector<bool> usable(runs_.size(), true);
    for (std::size_t i = 0; i < runs_.size(); ++i) {
      if (runs_[i].unusable) {
        usable[i] = false;
        rejected_[i] = *runs_[i].unusable;
      } else if (!runs_[i].temperature_c) {
        usable[i] = false;
        rejected_[i] = "it has no temperature";
      }
    }
    s_ = drift::sort_samples(runs_, usable);
    tube_.temperature = s_.temperature;
    sigma_squared_ = s_.sigma_squared;
  }

  // Which columns the model has, before any run is rejected.
  void choose_terms() {
    for (std::size_t f = 0; f < s_.filters.size(); ++f)
      terms_.filters.push_back(static_cast<int>(f));
    const auto base = static_cast<Index>(1 + terms_.filters.size());
    constexpr Index kSpareForAltitude = 6;
    constexpr double kAltitudeRange = 10;  // degrees; over less nothing can be told
    if (options_.altitude && s_.altitude.size() > 0 &&
        s_.altitude.maxCoeff() - s_.altitude.minCoeff() >= kAltitudeRange &&
        s_.count() >= base + 1 + kSpareForAltitude) {
      terms_.reference_altitude_deg = std::round(s_.altitude.mean());
    }
  }

  [[nodiscard]] Design design() const { return drift::make_design(s_, tube_.temperature, terms_); }

  void set_references() {
    double sum = 0;
    for (const std::size_t i : used_) sum += tube_.temperature[static_cast<Index>(i)];
    terms_.reference_temperature_c =
        used_.empty() ? 0 : std::round(10 * sum / static_cast<double>(used_.size())) / 10;
    // Filters in use, the one with the most runs first.
    std::vector<int> counts(s_.filters.size(), 0);
    for (const std::size_t i : used_) ++counts[static_cast<std::size_t>(s_.filter[i])];
    terms_.filters.clear();
    for (std::size_t f = 0; f < counts.size(); ++f) {
      if (counts[f] > 0) terms_.filters.push_back(static_cast<int>(f));
    }
    std::stable_sort(terms_.filters.begin(), terms_.filters.end(), [&](int a, int b) {
      return counts[static_cast<std::size_t>(a)] > counts[static_cast<std::size_t>(b)];
    });
    filter_counts_ = counts;
  }

  void reject() {
    terms_.reference_temperature_c = s_.temperature.mean();
    const Design d = design();
    rejection_ = drift::reject({d.x, s_.position, sigma_squared_, s_.filter, s_.night_starts});
    used_ = drift::rows_that(rejection_.keep);
    set_references();
  }

  // What a lag says of the tube: the mean delay of the used runs is taken out, so that levels and
  // predictions mean the same whatever the lag. 0: no lag.
  struct Lagged {
    VectorXd temperature;
    VectorXd sigma_squared;  // with that of the unknown start
    double usual_delay = 0;
    double delay_variance = 0;
  };
  [[nodiscard]] Lagged lagged(double minutes) const {
    if (!(minutes > 0)) return {s_.temperature, s_.sigma_squared};
    const TubeTemperature tube = drift::tube_temperature(s_, kSecondsPerMinute * minutes);
    Lagged made;
    const auto n = static_cast<double>(used_.size());
    for (const std::size_t i : used_) {
      const auto row = static_cast<Index>(i);
      made.usual_delay += (tube.temperature[row] - s_.temperature[row]) / n;
    }
    for (const std::size_t i : used_) {
      const auto row = static_cast<Index>(i);
      made.delay_variance +=
          std::pow(tube.temperature[row] - s_.temperature[row] - made.usual_delay, 2) / (n - 1);
    }
    made.temperature = tube.temperature.array() - made.usual_delay;
    made.sigma_squared =
        s_.sigma_squared + (plain_slope_ * tube.start_deviation).array().square().matrix();
    return made;
  }

  // Log-likelihood of the used runs, the scatter fitted; with it, the slope.
  struct Likelihood {
    double value = -1e300;
    double slope = 0;
  };
  [[nodiscard]] Likelihood likelihood(const Lagged& tube) const {
    const Design d = drift::make_design(s_, tube.temperature, terms_);
    // The last runs tell a lag as well as all of many thousands.
    const std::size_t first = used_.size() > kManyRuns ? used_.size() - kManyRuns : 0;
    const std::vector<std::size_t> rows(used_.begin() + static_cast<std::ptrdiff_t>(first),
                                        used_.end());
    const Eigen::MatrixXd x = drift::rows_of(d.x, rows);
    const VectorXd y = drift::rows_of(s_.position, rows);
    const VectorXd s2 = drift::rows_of(tube.sigma_squared, rows);
    Likelihood likelihood;
    if (x.rows() <= x.cols()) return likelihood;
    const VectorXd v = drift::variances(s2, drift::run_scatter_squared(x, y, s2));
    const auto fit = drift::fit_linear(x, y, v);
    if (!fit.usable) return likelihood;
    likelihood.value = -0.5 * (v.array().log().sum() + fit.chi_squared);
    likelihood.slope = fit.coefficients[1];
    return likelihood;
  }

  // A lag needs nights of several runs with times, close enough to each other to see it.
  [[nodiscard]] bool can_show_lag() const {
    constexpr std::size_t kRunsOfNight = 4;
    constexpr std::size_t kRunsInAll = 16;
    constexpr double kLongestPause = 5400;
    if (!options_.lag || !s_.timed()) return false;
    std::size_t close = 0;
    for (std::size_t night = 0; night < s_.night_starts.size(); ++night) {
      const std::size_t begin = s_.night_starts[night];
      const std::size_t end = s_.night_end(night);
      if (end - begin < kRunsOfNight) continue;
      std::vector<double> pauses;
      for (std::size_t i = begin + 1; i < end; ++i) {
        pauses.push_back(s_.seconds[static_cast<Index>(i)] - s_.seconds[static_cast<Index>(i - 1)]);
      }
      if (median(pauses) <= kLongestPause) close += end - begin;
    }
    return close >= kRunsInAll;
  }

  // The lags that are weighed: minutes, evenly on a logarithmic scale.
  static constexpr double kShortestLag = 2;
  static constexpr double kLongestLag = 150;
  static constexpr double kLagFactor = 1.25;

  static constexpr std::size_t kManyRuns = 3000;

  // Weighs every lag by its likelihood. Before the data are seen, some lag is likelier than none (a
  // tube has one, if small), and lags are even in their logarithm.
  static constexpr double kNoLagBefore = 0.3;
  void weigh_lags() {
    lags_ = {0};
    lag_weights_ = {1};
    const auto spare = static_cast<Index>(used_.size()) - static_cast<Index>(terms_.filters.size());
    constexpr Index kSpareForLag = 6;
    if (!can_show_lag() || spare < kSpareForLag) return;
    const Likelihood none = likelihood(lagged(0));
    plain_slope_ = none.slope;
    std::vector<double> values = {none.value};
    double best = none.value;
    for (double minutes = kShortestLag; minutes < kLongestLag; minutes *= kLagFactor) {
      const Likelihood here = likelihood(lagged(minutes));
      lags_.push_back(minutes);
      values.push_back(here.value);
      if (here.value > best) {
        best = here.value;
        plain_slope_ = here.slope;
      }
    }
    lag_weights_.assign(lags_.size(), 0);
    double sum = 0;
    for (std::size_t i = 0; i < lags_.size(); ++i) {
      const double before =
          i == 0 ? kNoLagBefore : (1 - kNoLagBefore) / static_cast<double>(lags_.size() - 1);
      lag_weights_[i] = before * std::exp(values[i] - best);
      sum += lag_weights_[i];
    }
    for (double& weight : lag_weights_) weight /= sum;
    if (used_.size() <= kManyRuns) return;
    // So many runs leave no doubt that matters: the likeliest alone, or none.
    const auto most = std::max_element(lag_weights_.begin(), lag_weights_.end());
    const auto place = static_cast<std::size_t>(most - lag_weights_.begin());
    lag_weights_.assign(lags_.size(), 0);
    lag_weights_[place] = 1;
  }

  // Whether the data speak for a lag: by themselves, nineteen to one.
  [[nodiscard]] bool lag_demanded() const {
    constexpr double kOdds = 19;
    return 1 - lag_weights_.front() >
           kOdds * (1 - kNoLagBefore) / kNoLagBefore * lag_weights_.front();
  }

  // The lag where the data demand one, between the lags that were weighed.
  [[nodiscard]] std::optional<double> lag_quantile(double probability) const {
    const double some = 1 - lag_weights_.front();
    double below = 0;
    for (std::size_t i = 1; i < lags_.size(); ++i) {
      const double share = lag_weights_[i] / some;
      if (below + share >= probability) {
        const double inside = share > 0 ? (probability - below) / share - 0.5 : 0;
        return lags_[i] * std::pow(kLagFactor, inside);
      }
      below += share;
    }
    return std::nullopt;
  }

  void find_lag() {
    weigh_lags();
    if (!lag_demanded()) return;
    // What looked off without the lag may belong.
    const Lagged likely = lagged(*lag_quantile(0.5));
    tube_.temperature = likely.temperature;
    sigma_squared_ = likely.sigma_squared;
    reject();
    weigh_lags();
    if (!lag_demanded()) return;
    result().lag_minutes = lag_quantile(0.5);
    result().lag_interval_95_minutes = {lag_quantile(0.025), lag_quantile(0.975)};
    const Lagged chosen = lagged(*result().lag_minutes);
    tube_.temperature = chosen.temperature;
  }

  void find_posterior() {
    final_ = design();
    if (static_cast<Index>(used_.size()) < final_.x.cols() + DriftRules::kFewestSpare ||
        !(temperature_range() > 0)) {
      return;
    }
    // What weighs less changes no answer.
    constexpr double kWeightThatCounts = 0.01;
    constexpr double kProductThatCounts = 0.003;
    std::vector<Posterior> parts;
    std::vector<double> weights;
    for (std::size_t i = 0; i < lags_.size(); ++i) {
      if (lag_weights_[i] < kWeightThatCounts) continue;
      const Lagged tube = lagged(lags_[i]);
      const Design d = drift::make_design(s_, tube.temperature, terms_);
      for (const drift::Account& account : rejection_.accounts) {
        const double weight = lag_weights_[i] * account.weight;
        const bool likeliest = &account == &rejection_.accounts.front();
        if (!likeliest && weight < kProductThatCounts) break;
        const auto rows = drift::rows_that(account.good);
        if (!has_all_filters(rows)) continue;
        Posterior part(drift::rows_of(d.x, rows), drift::rows_of(s_.position, rows),
                       drift::rows_of(tube.sigma_squared, rows), tube.delay_variance,
                       likeliest ? Posterior::Fineness::fine : Posterior::Fineness::coarse);
        if (!part.usable()) continue;
        parts.push_back(std::move(part));
        weights.push_back(weight);
      }
    }
    if (!parts.empty()) posterior_.emplace(std::move(parts), weights);
  }

  // Whether these rows have runs of just the filters that the fit has.
  [[nodiscard]] bool has_all_filters(const std::vector<std::size_t>& rows) const {
    std::vector<bool> seen(s_.filters.size(), false);
    for (const std::size_t i : rows) seen[static_cast<std::size_t>(s_.filter[i])] = true;
    for (std::size_t f = 0; f < seen.size(); ++f) {
      if (seen[f] != (filter_counts_[f] > 0)) return false;
    }
    return true;
  }

  [[nodiscard]] double temperature_range() const {
    if (used_.empty()) return 0;
    double low = tube_.temperature[static_cast<Index>(used_.front())];
    double high = low;
    for (const std::size_t i : used_) {
      low = std::min(low, tube_.temperature[static_cast<Index>(i)]);
      high = std::max(high, tube_.temperature[static_cast<Index>(i)]);
    }
    return high - low;
  }

  [[nodiscard]] Contrast unit(Index column) const {
    Contrast contrast{VectorXd::Zero(final_.x.cols()), false};
    contrast.weights[column] = 1;
    return contrast;
  }

  // Position at an air temperature as the next run will have it. With a lag the tube is off the air
  // by what it usually was, and as unsure of that.
  [[nodiscard]] std::optional<Contrast> at(const DriftQuery& query, bool reference_filter) const {
    Contrast contrast{VectorXd::Zero(final_.x.cols()), true};
    contrast.weights[0] = 1;
    contrast.weights[1] = query.temperature_c - terms_.reference_temperature_c;
    if (final_.altitude && query.altitude_deg) {
      contrast.weights[*final_.altitude] = *query.altitude_deg - *terms_.reference_altitude_deg;
    }
    if (reference_filter) return contrast;
    for (const int f : terms_.filters) {
      const auto& name = s_.filters[static_cast<std::size_t>(f)];
      const bool same = name == query.filter ||
                        (name && query.filter && lower_case(*name) == lower_case(*query.filter));
      if (!same) continue;
      const Index column = final_.filter_columns[static_cast<std::size_t>(f)];
      if (column >= 0) contrast.weights[column] = 1;
      return contrast;
    }
    return std::nullopt;
  }

  [[nodiscard]] DriftPrediction predicted(const DriftQuery& query, bool reference_filter) const {
    DriftPrediction prediction;
    prediction.temperature_c = query.temperature_c;
    prediction.filter = query.filter;
    if (!posterior_) return prediction;
    const auto contrast = at(query, reference_filter);
    if (!contrast) return prediction;
    prediction.position_steps = posterior_->mean(*contrast);
    prediction.interval_95_steps = posterior_->interval(*contrast, kWholeInterval);
    if (options_.half_zone_steps) {
      prediction.probability_in_zone =
          posterior_->probability_within(*contrast, *options_.half_zone_steps);
    }
    return prediction;
  }

  void answer() {
    DriftResult& r = result();
    r.used = static_cast<int>(used_.size());
    if (posterior_) {
      r.slope_steps_per_c = posterior_->mean(unit(1));
      r.slope_sigma = posterior_->sigma(unit(1));
      r.slope_interval_95 = posterior_->interval(unit(1), kWholeInterval);
      r.reference_temperature_c = terms_.reference_temperature_c;
      r.position_at_reference_steps = posterior_->mean(unit(0));
      r.run_scatter_steps = posterior_->tau();
      if (final_.altitude) {
        r.altitude_steps_per_deg = posterior_->mean(unit(*final_.altitude));
        r.altitude_sigma = posterior_->sigma(unit(*final_.altitude));
        r.reference_altitude_deg = terms_.reference_altitude_deg;
      }
      add_residuals();
      add_filters();
      add_rates();
      add_predictions();
    } else {
      r.lag_minutes.reset();
      r.lag_interval_95_minutes = {};
    }
    add_rejected();
    add_points();
    judge();
    add_notes();
  }

  [[nodiscard]] double expected(Index row) const {
    return final_.x.row(row).dot(posterior_->coefficients());
  }

  void add_residuals() {
    double sum = 0;
    for (const std::size_t i : used_) {
      const auto row = static_cast<Index>(i);
      sum += std::pow(s_.position[row] - expected(row), 2);
    }
    result().residual_rms_steps = std::sqrt(sum / static_cast<double>(used_.size()));
  }

  void add_filters() {
    // A table that names no filter at all has no offsets to tell.
    if (terms_.filters.size() == 1 &&
        !s_.filters[static_cast<std::size_t>(terms_.filters.front())]) {
      return;
    }
    for (const int f : terms_.filters) {
      const auto place = static_cast<std::size_t>(f);
      DriftFilter filter;
      filter.filter = s_.filters[place];
      filter.runs = filter_counts_[place];
      const Index column = final_.filter_columns[place];
      if (column >= 0) {
        filter.offset_steps = posterior_->mean(unit(column));
        filter.sigma_steps = posterior_->sigma(unit(column));
        filter.interval_95_steps = posterior_->interval(unit(column), kWholeInterval);
      }
      result().filters.push_back(filter);
    }
  }

  void add_rates() {
    DriftResult& r = result();
    if (options_.half_zone_steps && *r.slope_steps_per_c != 0) {
      r.refocus_every_c = *options_.half_zone_steps / std::abs(*r.slope_steps_per_c);
    }
    if (!s_.timed()) return;
    const std::size_t begin = s_.night_starts.back();
    const std::size_t count = s_.run.size() - begin;
    constexpr std::size_t kFewest = 3;
    constexpr double kShortest = 1200;  // seconds
    const double* seconds = s_.seconds.data() + begin;
    if (count < kFewest || !(seconds[count - 1] - seconds[0] >= kShortest)) return;
    const auto rate = drift::slope_of({seconds, count}, {s_.temperature.data() + begin, count});
    if (!rate) return;
    r.night_rate_c_per_hour = 3600 * *rate;
    if (r.refocus_every_c && *rate != 0) {
      r.refocus_every_minutes = *r.refocus_every_c / std::abs(*rate) / kSecondsPerMinute;
    }
  }

  void add_predictions() {
    DriftResult& r = result();
    for (const DriftQuery& query : options_.predictions) {
      DriftPrediction prediction = predicted(query, !query.filter.has_value());
      if (!query.filter) {
        prediction.filter = s_.filters[static_cast<std::size_t>(terms_.filters.front())];
      }
      r.predictions.push_back(prediction);
    }
    const std::size_t last = used_.back();
    DriftQuery here{s_.temperature[static_cast<Index>(last)],
                    s_.filters[static_cast<std::size_t>(s_.filter[last])], std::nullopt};
    if (terms_.reference_altitude_deg) here.altitude_deg = s_.altitude[static_cast<Index>(last)];
    const auto next = predicted(here, false);
    r.next_in_zone_probability = next.probability_in_zone;
    const double low = s_.temperature.minCoeff();
    const double high = s_.temperature.maxCoeff();
    constexpr int kBandPoints = 17;
    const double room = 0.04 * (high - low);
    for (int i = 0; i < kBandPoints; ++i) {
      const double temperature =
          low - room + (high - low + 2 * room) * i / static_cast<double>(kBandPoints - 1);
      answer_.band.push_back(predicted({temperature, std::nullopt, std::nullopt}, true));
    }
  }

  void add_rejected() {
    for (const auto& shift : rejection_.shifts) {
      std::string words = "best focus shifted as a whole by " + steps_words(std::abs(shift.steps)) +
                          ": the " + std::to_string(shift.rows.size()) + " runs of rows " +
                          std::to_string(row_of(shift.rows.front())) + " to " +
                          std::to_string(row_of(shift.rows.back())) + " lie " +
                          above_or_below(shift.steps) +
                          " the others. A mirror or a tube that moved, or a changed set-up";
      for (const std::size_t i : shift.rows) rejected_[s_.run[i]] = words;
    }
    for (const auto& off : rejection_.off_line) {
      rejected_[s_.run[off.row]] = steps_words(std::abs(off.steps)) + " " +
                                   above_or_below(off.steps) + " what the other runs say, where " +
                                   steps_words(off.usual) + " are usual";
    }
    for (const auto& [index, reason] : rejected_) {
      result().rejected.push_back({runs_[index].row, reason});
    }
  }

  [[nodiscard]] int row_of(std::size_t sample) const { return runs_[s_.run[sample]].row; }

  void add_points() {
    for (std::size_t i = 0; i < s_.run.size(); ++i) {
      const auto row = static_cast<Index>(i);
      DriftPoint point;
      point.row = row_of(i);
      point.temperature_c = tube_.temperature[row];
      point.position_steps = s_.position[row];
      point.level_steps = point.position_steps;
      point.sigma_steps = runs_[s_.run[i]].sigma_steps;
      point.filter = s_.filters[static_cast<std::size_t>(s_.filter[i])];
      point.used = i < rejection_.keep.size() && rejection_.keep[i];
      if (posterior_) {
        const auto& beta = posterior_->coefficients();
        for (Index c = 2; c < final_.x.cols(); ++c) {
          point.level_steps -= final_.x(row, c) * beta[c];
        }
      }
      answer_.points.push_back(point);
    }
  }

  void judge() {
    DriftResult& r = result();
    const auto add = [&](const std::string& reason) { r.reasons.push_back(reason); };
    const int columns = static_cast<int>(1 + std::max<std::size_t>(1, terms_.filters.size()) +
                                         (terms_.reference_altitude_deg ? 1U : 0U));
    if (!posterior_) {
      r.verdict = Verdict::unusable;
      const int needed = columns + DriftRules::kFewestSpare;
      if (r.used < needed) {
        add(std::to_string(r.used) + " usable runs" +
            (terms_.filters.size() > 1
                 ? " with " + std::to_string(terms_.filters.size()) + " filters"
                 : "") +
            ": a slope needs at least " + std::to_string(needed) + ", at different temperatures");
      } else {
        add("the runs are all at one temperature, or each filter at one of its own: no slope can "
            "be told. Add runs at other temperatures");
      }
      return;
    }
    const int spare = r.used - columns;
    if (spare < DriftRules::kTrustedSpare) {
      add("only " + std::to_string(r.used) +
          " runs count: " + std::to_string(columns + DriftRules::kTrustedSpare) +
          " are needed to judge their scatter");
    }
    const double range = temperature_range();
    if (range < DriftRules::kTemperatureRange) {
      add("the temperatures span only " + format_fixed(range, 1) + " degrees: at least " +
          format_fixed(DriftRules::kTemperatureRange, 1) + " are needed");
    }
    const double half_width = (*r.slope_interval_95.high - *r.slope_interval_95.low) / 2;
    const double reach = half_width * range / 2;
    if (options_.half_zone_steps) {
      if (reach > *options_.half_zone_steps) {
        add("the slope is known to " + format_like_sigma(half_width, half_width) +
            " steps per degree only: over half the range of temperatures that moves best focus "
            "by " +
            steps_words(reach) + ", more than half the focus zone (" +
            steps_words(*options_.half_zone_steps) + ")");
      }
    } else if (half_width > 0.5 * std::abs(*r.slope_steps_per_c) && reach > *r.residual_rms_steps) {
      add("the slope is known to " + format_like_sigma(half_width, half_width) +
          " steps per degree only. Add runs at other temperatures");
    }
    int off = 0;
    for (const bool keep : rejection_.keep) off += keep ? 0 : 1;
    if (off > DriftRules::kRejectedShare * static_cast<double>(s_.run.size())) {
      add(std::to_string(off) + " of " + std::to_string(s_.run.size()) +
          " runs do not lie on one line");
    }
    r.verdict = r.reasons.empty() ? Verdict::trusted : Verdict::doubtful;
  }

  void add_notes() {
    DriftResult& r = result();
    const auto add = [&](const std::string& note) { r.notes.push_back(note); };
    if (!posterior_) return;
    note_collinearity();
    for (const auto& shift : rejection_.shifts) {
      if (!shift.lasts) continue;
      add("the last " + std::to_string(shift.rows.size()) + " runs lie together " +
          steps_words(std::abs(shift.steps)) + " " + above_or_below(shift.steps) +
          " the others and do not count: if that is to last, predictions must be moved as much");
    }
    if (r.lag_minutes) {
      add("focus follows the thermometer " + format_fixed(*r.lag_minutes, 0) +
          " minutes late; predictions take the delay that these runs had on average");
    }
    bool any_sigma = false;
    for (const std::size_t i : used_) any_sigma = any_sigma || runs_[s_.run[i]].sigma_steps;
    if (!any_sigma) {
      add("no run says how sure its own best focus is: that error is part of the scatter, and "
          "predictions are given wider than need be");
    } else if (s_.unknown_sigmas > 0) {
      add(std::to_string(s_.unknown_sigmas) +
          " runs do not say how sure they are: they count as the middle one of the others");
    }
    if (options_.altitude && !terms_.reference_altitude_deg) {
      int with = 0;
      for (const std::size_t i : s_.run) with += runs_[i].altitude_deg ? 1 : 0;
      if (with > 0 && with < static_cast<int>(s_.run.size())) {
        add("altitude is left out: " + std::to_string(static_cast<int>(s_.run.size()) - with) +
            " runs do not have it");
      }
    }
    note_expansion();
  }

  void note_collinearity() {
    if (!s_.timed() || used_.size() < 4) return;
    // Hours since nightfall against temperature, over all nights.
    std::vector<double> hours;
    std::vector<double> temperature;
    std::size_t nights = 0;
    std::size_t last_night = s_.night_starts.size();
    for (const std::size_t i : used_) {
      const auto next = std::upper_bound(s_.night_starts.begin(), s_.night_starts.end(), i);
      const auto night = static_cast<std::size_t>(next - s_.night_starts.begin()) - 1;
      nights += night != last_night ? 1 : 0;
      last_night = night;
      const auto start = static_cast<Index>(s_.night_starts[night]);
      hours.push_back((s_.seconds[static_cast<Index>(i)] - s_.seconds[start]) / 3600);
      temperature.push_back(s_.temperature[static_cast<Index>(i)]);
    }
    const auto along = drift::slope_of(hours, temperature);
    const auto back = drift::slope_of(temperature, hours);
    if (!along || !back) return;
    const double correlation = std::copysign(std::sqrt(std::max(0.0, *along * *back)), *along);
    if (std::abs(correlation) < DriftRules::kCollinear) return;
    result().notes.push_back(
        (nights == 1 ? std::string("these runs are of one night, in which ")
                     : "in all of these nights ") +
        "temperature went with the clock (correlation " + format_fixed(correlation, 2) +
        "): a focus that creeps with time for another reason would look the same. Runs of a night "
        "with other temperatures at the same hours would tell");
  }

  void note_expansion() {
    DriftResult& r = result();
    if (!options_.um_per_step) return;
    const double um = std::abs(*r.slope_steps_per_c) * *options_.um_per_step;
    // Ordinary tubes: 5 to 60 um for refractors and Newtonians, 50 to 400 for compound telescopes
    // (engineering judgement, no source).
    constexpr double kMostOfAnyTube = 400;
    const std::string measured =
        "focus moves " + format_like_sigma(um, std::nullopt) + " um per degree";
    if (um > kMostOfAnyTube) {
      r.notes.push_back(measured + ", more than any usual tube: check um per step");
      return;
    }
    if (!options_.tube || !options_.tube_length_mm) return;
    const double plain = tube_expansion_um_per_c(*options_.tube, *options_.tube_length_mm);
    // A compound telescope multiplies the tube's change by m^2 + 1, at most some 26 with m = 5; a
    // refractor's glass may work against the tube, so that neither a small one nor a sign tells.
    constexpr double kMostMagnified = 30;
    const double low_end = std::abs(*r.slope_interval_95.low) < std::abs(*r.slope_interval_95.high)
                               ? std::abs(*r.slope_interval_95.low)
                               : std::abs(*r.slope_interval_95.high);
    const std::string tube = ", the tube itself by some " + format_like_sigma(plain, std::nullopt);
    if (low_end * *options_.um_per_step > kMostMagnified * plain) {
      r.notes.push_back(measured + tube +
                        ": too much for its material; check um per step and the "
                        "thermometer");
    } else {
      r.notes.push_back(measured + tube + ": possible for this tube");
    }
  }

  std::span<const DriftRun> runs_;
  const DriftOptions& options_;
  DriftFit answer_;
  std::map<std::size_t, std::string> rejected_;  // by run
  Samples s_;
  VectorXd sigma_squared_;
  TubeTemperature tube_;
  std::vector<double> lags_ = {0};  // minutes that are weighed
  std::vector<double> lag_weights_ = {1};
  double plain_slope_ = 0;
  DesignOptions terms_;
  std::vector<int> filter_counts_;
  drift::Rejection rejection_;
  std::vector<std::size_t> used_;
  Design final_;
  std::optional<Posterior> posterior_;
};

}  // namespace

Result<DriftFit> fit_drift(std::span<const DriftRun> runs, const DriftOptions& options) {
  if (auto good = check_runs(runs); !good) return tl::unexpected<Error>(good.error());
  return Fitter(runs, options).fit();
}

}  // namespace starwaist
