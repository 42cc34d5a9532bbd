#include "night/focus_model.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

namespace starwaist::night {

double growth(double x) { return 0.5 * std::log1p(x * x); }

namespace {

constexpr double kLeastStep = 0.06;   // of ln size
constexpr double kLeastDrift = 0.07;  // at its largest
constexpr double kOriginOdds = 3;     // ln odds against focus elsewhere than at the refocus
constexpr std::size_t kMostSteps = 8;
// Half-flux radius goes as air mass to the power 0.6 where seeing is all (Kolmogorov; Roddier 1981,
// from memory), less where optics and pixels have a share.
constexpr double kAirPower = 0.52;
constexpr double kAirPowerSigma = 0.2;
// Seeing seldom wanders by more than a fifth for hours (common practice, no source); ln odds of its
// scatter, so that a night of one steady growth is not seeing for want of a limit.
constexpr double kUsualScatter = 0.09;
// Focus that wanders off without the temperature, where that is known, is rarer.
constexpr double kTimeOdds = 4;

struct Account {
  std::optional<Drift> drift;
  std::vector<Step> steps;
  Seeing seeing;
  std::size_t place_in_grid = 0;
  Eigen::VectorXd coefficients;
  double log_likelihood = -std::numeric_limits<double>::infinity();
  double score = -std::numeric_limits<double>::infinity();
};

struct Solved {
  Eigen::VectorXd coefficients;
  double misfit = std::numeric_limits<double>::infinity();
};

class Explainer {
 public:
  Explainer(const Sizes& sizes, double drift_odds, double step_odds)
      : s_(sizes),
        n_(static_cast<Eigen::Index>(sizes.size())),
        drift_odds_(drift_odds),
        step_odds_(step_odds),
        grid_(seeing_grid()) {
    for (const Seeing& seeing : grid_) {
      whiteners_.emplace_back(s_.time_s, s_.variance, seeing);
      prior_.push_back(-0.5 * std::pow(seeing.scatter / kUsualScatter, 2));
    }
    y_ = Eigen::Map<const Eigen::VectorXd>(s_.log_size.data(), n_);
    find_stretches();
    hours_.resize(sizes.size());
    for (std::size_t i = 0; i < sizes.size(); ++i) {
      hours_[i] = (s_.time_s[i] - s_.time_s.front()) / 3600;
    }
  }

  FocusModel explain() {
    Account none = scored({});
    std::vector<Account> ends;
    ends.push_back(with_steps(none));
    for (const DriftBy by : {DriftBy::temperature, DriftBy::time}) {
      if (!can_drift(by)) continue;
      ends.push_back(with_steps(with_drift(none, by)));
      ends.push_back(with_drift(ends.front(), by));
    }
    Account best = *std::max_element(
        ends.begin(), ends.end(), [](const auto& a, const auto& b) { return a.score < b.score; });
    best = pruned(best);
    return model_of(best);
  }

 private:
  void find_stretches() {
    for (std::size_t i = 0; i < s_.size(); ++i) {
      if (i == 0 || s_.stretch[i] != s_.stretch[i - 1]) stretches_.push_back({i, i});
      stretches_.back().second = i;
      stretch_of_.push_back(stretches_.size() - 1);
    }
  }

  [[nodiscard]] const std::vector<double>& variable(DriftBy by) const {
    return by == DriftBy::temperature ? s_.temperature_c : hours_;
  }

  [[nodiscard]] bool can_drift(DriftBy by) const {
    if (by == DriftBy::temperature && s_.temperature_c.empty()) return false;
    return span_of(by) > (by == DriftBy::temperature ? 0.3 : 0.2);
  }

  // Largest change of the variable within a stretch.
  [[nodiscard]] double span_of(DriftBy by) const {
    double span = 0;
    const auto& u = variable(by);
    for (const auto& [first, last] : stretches_) {
      const auto begin = u.begin() + static_cast<std::ptrdiff_t>(first);
      const auto end = u.begin() + static_cast<std::ptrdiff_t>(last) + 1;
      span = std::max(span, *std::max_element(begin, end) - *std::min_element(begin, end));
    }
    return span;
  }

  [[nodiscard]] Eigen::VectorXd drift_column(const Drift& drift) const {
    Eigen::VectorXd column(n_);
    const auto& u = variable(drift.by);
    for (std::size_t i = 0; i < s_.size(); ++i) {
      column[static_cast<Eigen::Index>(i)] =
          growth(drift.rate * (u[i] - drift.origins[stretch_of_[i]]));
    }
    return column;
  }

  [[nodiscard]] Eigen::VectorXd step_column(std::size_t first, std::size_t last) const {
    Eigen::VectorXd column = Eigen::VectorXd::Zero(n_);
    column.segment(static_cast<Eigen::Index>(first), static_cast<Eigen::Index>(last - first + 1))
        .setOnes();
    return column;
  }

  // Levels, then air mass where it is known, then the steps.
  [[nodiscard]] Eigen::MatrixXd columns(const std::vector<Step>& steps) const {
    const bool air = !s_.log_air_mass.empty();
    Eigen::MatrixXd x = Eigen::MatrixXd::Zero(
        n_, s_.groups + (air ? 1 : 0) + static_cast<Eigen::Index>(steps.size()));
    for (std::size_t i = 0; i < s_.size(); ++i) x(static_cast<Eigen::Index>(i), s_.group[i]) = 1;
    Eigen::Index c = s_.groups;
    if (air) x.col(c++) = Eigen::Map<const Eigen::VectorXd>(s_.log_air_mass.data(), n_);
    for (const Step& step : steps) x.col(c++) = step_column(step.first, step.last);
    return x;
  }

  [[nodiscard]] Solved solve(const Eigen::MatrixXd& x, const Eigen::VectorXd& y) const {
    Eigen::MatrixXd normal = x.transpose() * x;
    Eigen::VectorXd right = x.transpose() * y;
    double prior = 0;
    if (!s_.log_air_mass.empty()) {
      const double weight = 1 / (kAirPowerSigma * kAirPowerSigma);
      normal(s_.groups, s_.groups) += weight;
      right[s_.groups] += weight * kAirPower;
      prior = weight * kAirPower * kAirPower;
    }
    normal.diagonal().array() += 1e-9 * normal.diagonal().maxCoeff();
    Solved solved;
    solved.coefficients = normal.ldlt().solve(right);
    solved.misfit = y.squaredNorm() + prior - solved.coefficients.dot(right);
    return solved;
  }

  // Likelihood over all seeings; `keep` gets the best one's.
  void fit(Account& account) const {
    const Eigen::MatrixXd x = columns(account.steps);
    Eigen::VectorXd y = y_;
    if (account.drift) y -= drift_column(*account.drift);
    account.log_likelihood = -std::numeric_limits<double>::infinity();
    for (std::size_t g = 0; g < grid_.size(); ++g) {
      const Solved solved = solve(whiteners_[g].apply(x), whiteners_[g].apply(y));
      const double value = prior_[g] - 0.5 * (solved.misfit + whiteners_[g].log_determinant());
      if (value <= account.log_likelihood) continue;
      account.log_likelihood = value;
      account.seeing = grid_[g];
      account.place_in_grid = g;
      account.coefficients = solved.coefficients;
    }
    const auto count = static_cast<Eigen::Index>(account.steps.size());
    for (Eigen::Index j = 0; j < count; ++j) {
      account.steps[static_cast<std::size_t>(j)].height =
          account.coefficients[account.coefficients.size() - count + j];
    }
  }

  [[nodiscard]] double odds_needed(std::size_t first) const {
    const bool at_refocus = stretches_[stretch_of_[first]].first == first;
    const double places =
        at_refocus ? static_cast<double>(stretches_.size()) : static_cast<double>(s_.size());
    return step_odds_ + std::log(std::max(places, 1.0));
  }

  [[nodiscard]] double penalty(const Account& account) const {
    double sum = 0;
    if (account.drift) {
      sum += drift_odds_;
      if (account.drift->by == DriftBy::time && !s_.temperature_c.empty()) sum += kTimeOdds;
      for (std::size_t e = 0; e < stretches_.size(); ++e) {
        if (account.drift->origins[e] != variable(account.drift->by)[stretches_[e].first]) {
          sum += kOriginOdds;
        }
      }
    }
    for (const Step& step : account.steps) sum += step.needed_odds;
    return sum;
  }

  [[nodiscard]] Account scored(Account account) const {
    fit(account);
    account.score = account.log_likelihood - penalty(account);
    return account;
  }

  // The best rate with origins at the refocuses; then other origins where they pay.
  [[nodiscard]] Account with_drift(const Account& before, DriftBy by) const {
    Account best = before;
    const auto& u = variable(by);
    Drift drift;
    drift.by = by;
    for (const auto& [first, last] : stretches_) drift.origins.push_back(u[first]);
    const Eigen::MatrixXd x = columns(before.steps);
    const double span = span_of(by);
    std::vector<Eigen::VectorXd> shapes;
    std::vector<double> rates;
    for (double reach = 0.2; reach < 9; reach *= 1.3) {
      drift.rate = reach / span;
      rates.push_back(drift.rate);
      shapes.push_back(drift_column(drift));
    }
    double top = -std::numeric_limits<double>::infinity();
    std::size_t place = 0;
    std::size_t seeing = 0;
    for (std::size_t g = 0; g < grid_.size(); ++g) {
      const Eigen::MatrixXd white = whiteners_[g].apply(x);
      const Eigen::VectorXd white_y = whiteners_[g].apply(y_);
      for (std::size_t r = 0; r < rates.size(); ++r) {
        const Solved solved = solve(white, white_y - whiteners_[g].apply(shapes[r]));
        const double value = prior_[g] - 0.5 * (solved.misfit + whiteners_[g].log_determinant());
        if (value > top) {
          top = value;
          place = r;
          seeing = g;
        }
      }
    }
    drift.rate = rates[place];
    refine(drift, x, whiteners_[seeing]);
    Account found = before;
    found.drift = drift;
    found = scored(found);
    if (drift_column(drift).maxCoeff() < kLeastDrift) return best;
    return found.score > best.score ? found : best;
  }

  void refine(Drift& drift, const Eigen::MatrixXd& x, const Whitener& whitener) const {
    const Eigen::MatrixXd white = whitener.apply(x);
    const Eigen::VectorXd white_y = whitener.apply(y_);
    const auto cost = [&](const Drift& tried) {
      return 0.5 * solve(white, white_y - whitener.apply(drift_column(tried))).misfit;
    };
    const auto search_rate = [&](double width) {
      const double middle = drift.rate;
      double least = cost(drift);
      for (int k = -4; k <= 4; ++k) {
        Drift tried = drift;
        tried.rate = middle * std::pow(width, k / 4.0);
        if (const double c = cost(tried); c < least) {
          least = c;
          drift.rate = tried.rate;
        }
      }
      return least;
    };
    double least = search_rate(1.3);
    const auto& u = variable(drift.by);
    for (int round = 0; round < 2; ++round) {
      for (std::size_t e = 0; e < stretches_.size(); ++e) {
        const auto [first, last] = stretches_[e];
        if (last - first < 5) continue;
        const double start = u[first];
        // Below nought: the refocus fell short on the side to which focus drifts.
        for (const double part : {-2.0, -1.2, -0.7, -0.35, 0.0, 0.2, 0.4, 0.6, 0.8, 1.0}) {
          Drift tried = drift;
          tried.origins[e] = u[first] + part * (u[last] - u[first]);
          const double fee = (tried.origins[e] != start ? kOriginOdds : 0) -
                             (drift.origins[e] != start ? kOriginOdds : 0);
          if (const double c = cost(tried); c + fee < least) {
            least = c;
            drift = tried;
          }
        }
      }
      least = search_rate(1.5);
      search_rate(1.1);
    }
  }

  // Adds steps one at a time, each the one that explains most, while they pay.
  [[nodiscard]] Account with_steps(Account account) const {
    while (account.steps.size() < kMostSteps) {
      const auto next = with_best_step(account);
      if (!next || next->score <= account.score) break;
      account = *next;
    }
    return account;
  }

  [[nodiscard]] std::optional<Account> with_best_step(const Account& account) const {
    const Eigen::MatrixXd x = columns(account.steps);
    Eigen::VectorXd y = y_;
    if (account.drift) y -= drift_column(*account.drift);
    std::optional<Account> best;
    // At the seeing found so far, which has taken the step in, and at quicker, weaker ones.
    const Seeing now = account.seeing;
    for (const Seeing& seeing :
         {now,
          Seeing{0.6 * now.scatter, std::min(now.memory_s, 900.0), std::max(now.jitter, 0.015)},
          Seeing{0.03, 600, 0.02}}) {
      const Whitener whitener(s_.time_s, s_.variance, seeing);
      const Eigen::MatrixXd white = whitener.apply(x);
      const Eigen::VectorXd white_y = whitener.apply(y);
      const Solved without = solve(white, white_y);
      const Eigen::VectorXd left = white_y - white * without.coefficients;
      Eigen::MatrixXd normal = white.transpose() * white;
      normal.diagonal().array() += 1e-9 * normal.diagonal().maxCoeff();
      const Eigen::LDLT<Eigen::MatrixXd> factor(normal);
      double top = 0;
      std::pair<std::size_t, std::size_t> place{0, 0};
      const auto consider = [&](std::size_t first, std::size_t last) {
        if (last - first + 1 >= s_.size() || last < first + 2) return;
        for (const Step& known : account.steps) {
          if (near(known.first, first) && near(known.last, last)) return;
        }
        const Eigen::VectorXd column = whitener.apply(step_column(first, last));
        const Eigen::VectorXd own = column - white * factor.solve(white.transpose() * column);
        const double length = own.squaredNorm();
        if (!(length > 1e-6 * column.squaredNorm())) return;
        const double height = own.dot(left) / length;
        if (height < kLeastStep) return;
        const double gain = 0.5 * height * height * length - odds_needed(first);
        if (gain > top) {
          top = gain;
          place = {first, last};
        }
      };
      for (const auto& [first, last] : stretches_) {
        for (std::size_t k = first; k <= last; ++k) consider(k, last);
        // Without positions focus may have been found again at any frame.
        for (std::size_t k = first; !s_.positions_known && k < last; ++k) consider(first, k);
      }
      if (!(top > 0)) continue;
      Account tried = account;
      Step step;
      step.first = place.first;
      step.last = place.second;
      step.needed_odds = odds_needed(step.first);
      step.from_refocus = stretches_[stretch_of_[step.first]].first == step.first;
      tried.steps.push_back(step);
      tried = scored(tried);
      const bool sound = std::all_of(tried.steps.begin(), tried.steps.end(),
                                     [](const Step& s) { return s.height >= kLeastStep; });
      if (sound && (!best || tried.score > best->score)) best = tried;
    }
    return best;
  }

  // Leaves out what no longer pays once the rest is there, and tells the odds of what stays.
  [[nodiscard]] Account pruned(Account account) const {
    for (std::size_t j = 0; j < account.steps.size();) {
      Account less = account;
      less.steps.erase(less.steps.begin() + static_cast<std::ptrdiff_t>(j));
      less = scored(less);
      account.steps[j].odds = account.log_likelihood - less.log_likelihood;
      if (less.score >= account.score) {
        account = less;
        j = 0;
      } else {
        ++j;
      }
    }
    if (account.drift) {
      Account less = account;
      less.drift.reset();
      less = with_steps(scored(less));
      account.drift->odds = account.log_likelihood - less.log_likelihood + penalty_of_steps(less) -
                            penalty_of_steps(account);
      if (less.score >= account.score) return less;
      const DriftBy other =
          account.drift->by == DriftBy::time ? DriftBy::temperature : DriftBy::time;
      if (can_drift(other)) {
        Account base = account;
        base.drift.reset();
        base = scored(base);
        Account swapped = with_drift(base, other);
        if (swapped.drift) {
          account.drift->other_odds =
              account.drift->odds - (account.log_likelihood - swapped.log_likelihood);
        }
      }
    }
    return account;
  }

  [[nodiscard]] static bool near(std::size_t a, std::size_t b) {
    return std::max(a, b) - std::min(a, b) < 4;
  }

  [[nodiscard]] static double penalty_of_steps(const Account& account) {
    double sum = 0;
    for (const Step& step : account.steps) sum += step.needed_odds;
    return sum;
  }

  [[nodiscard]] FocusModel model_of(const Account& account) const {
    FocusModel model;
    model.seeing = account.seeing;
    model.drift = account.drift;
    model.steps = account.steps;
    model.log_likelihood = account.log_likelihood;
    for (int g = 0; g < s_.groups; ++g) model.levels.push_back(account.coefficients[g]);
    Eigen::VectorXd focus = Eigen::VectorXd::Zero(n_);
    Eigen::VectorXd drifted = Eigen::VectorXd::Zero(n_);
    if (account.drift) drifted = drift_column(*account.drift);
    focus += drifted;
    for (const Step& step : account.steps) {
      focus += step.height * step_column(step.first, step.last);
    }
    for (std::size_t i = 0; i < s_.size(); ++i) {
      const auto k = static_cast<Eigen::Index>(i);
      const double air =
          s_.log_air_mass.empty() ? 0.0 : account.coefficients[s_.groups] * s_.log_air_mass[i];
      model.focus.push_back(focus[k]);
      model.by_drift.push_back(drifted[k]);
      model.air.push_back(air);
      model.seen.push_back(s_.log_size[i] - model.levels[static_cast<std::size_t>(s_.group[i])] -
                           focus[k] - air);
    }
    return model;
  }

  const Sizes& s_;
  Eigen::Index n_;
  double drift_odds_;
  double step_odds_;
  std::vector<Seeing> grid_;
  std::vector<Whitener> whiteners_;
  std::vector<double> prior_;  // ln, of each seeing of the grid
  Eigen::VectorXd y_;
  std::vector<double> hours_;
  std::vector<std::pair<std::size_t, std::size_t>> stretches_;
  std::vector<std::size_t> stretch_of_;
};

}  // namespace

FocusModel explain_sizes(const Sizes& sizes, double drift_odds, double step_odds) {
  return Explainer(sizes, drift_odds, step_odds).explain();
}

}  // namespace starwaist::night
