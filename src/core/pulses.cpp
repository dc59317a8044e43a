#include "core/pulses.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <optional>
#include <span>
#include <utility>

namespace pipebeat::core {

namespace {

using Matrix = std::vector<double>;  // row-major, square

/// A symmetric positive definite system, factored once (Cholesky) for all its right-hand sides.
class Factored {
 public:
  Factored(Matrix a, std::size_t n) : a_{std::move(a)}, n_{n} {
    for (std::size_t j = 0; j < n; ++j) {
      double d = a_[j * n + j];
      for (std::size_t k = 0; k < j; ++k) d -= a_[j * n + k] * a_[j * n + k];
      d = std::sqrt(std::max(d, 1e-12));
      a_[j * n + j] = d;
      for (std::size_t i = j + 1; i < n; ++i) {
        double s = a_[i * n + j];
        for (std::size_t k = 0; k < j; ++k) s -= a_[i * n + k] * a_[j * n + k];
        a_[i * n + j] = s / d;
      }
    }
  }
  /// Solution for the right-hand side `x`, in place.
  void solve(std::span<double> x) const {
    const std::size_t n = n_;
    for (std::size_t i = 0; i < n; ++i) {
      double s = x[i];
      for (std::size_t k = 0; k < i; ++k) s -= a_[i * n + k] * x[k];
      x[i] = s / a_[i * n + i];
    }
    for (std::size_t i = n; i-- > 0;) {
      double s = x[i];
      for (std::size_t k = i + 1; k < n; ++k) s -= a_[k * n + i] * x[k];
      x[i] = s / a_[i * n + i];
    }
  }

 private:
  Matrix a_;
  std::size_t n_;
};

struct Grid {
  std::size_t M;                 // samples per cycle
  std::size_t L;                 // response length
  std::vector<std::size_t> at;   // onset sample of each position
};

Grid make_grid(const Engine& engine, std::size_t per_cycle) {
  Grid g;
  g.M = per_cycle;
  const double cycle = engine.cycle().value();
  const auto P = engine.positions().size();
  for (const FiringPosition& p : engine.positions()) {
    g.at.push_back(static_cast<std::size_t>(std::lround(p.angle.value() / cycle * static_cast<double>(per_cycle))) % per_cycle);
  }
  const double slot = static_cast<double>(per_cycle) / static_cast<double>(P);
  g.L = std::min(per_cycle, static_cast<std::size_t>(std::lround(std::max(1.7 * slot, 0.2 * static_cast<double>(per_cycle)))));
  return g;
}

/// Penalty on the response: late parts must earn their place.
double ridge(const Grid& g, std::size_t i) {
  const double x = static_cast<double>(i) / static_cast<double>(g.L);
  return 0.02 + 0.5 * x * x;
}

/// Response for given levels: least squares with the ridge, on one mean cycle (circular).
class ResponseFit {
 public:
  ResponseFit(const Grid& g, std::span<const double> level) : g_{g}, level_{level.begin(), level.end()}, system_{matrix(g, level), g.L} {}

  [[nodiscard]] std::vector<double> operator()(std::span<const double> y, int offset) const {
    std::vector<double> x(g_.L, 0.0);
    for (std::size_t i = 0; i < g_.L; ++i) {
      for (std::size_t p = 0; p < g_.at.size(); ++p) {
        x[i] += level_[p] * y[(g_.at[p] + i + static_cast<std::size_t>(offset)) % g_.M];
      }
    }
    system_.solve(x);
    return x;
  }

 private:
  static Matrix matrix(const Grid& g, std::span<const double> level) {
    const std::size_t L = g.L;
    const std::size_t M = g.M;
    const std::size_t P = g.at.size();
    // Correlation of the level train with itself at every circular lag.
    std::vector<double> lag(M, 0.0);
    double energy = 0.0;
    for (std::size_t a = 0; a < P; ++a) {
      energy += level[a] * level[a];
      for (std::size_t b = 0; b < P; ++b) lag[(g.at[a] + M - g.at[b]) % M] += level[a] * level[b];
    }
    Matrix A(L * L);
    for (std::size_t i = 0; i < L; ++i) {
      for (std::size_t j = 0; j < L; ++j) A[i * L + j] = lag[(i + M - j) % M];
      A[i * L + i] += energy * ridge(g, i);
    }
    return A;
  }

  const Grid& g_;
  std::vector<double> level_;
  Factored system_;
};

/// Levels for a given response on one cycle (circular).
class LevelFit {
 public:
  LevelFit(const Grid& g, std::span<const double> h) : LevelFit{g, h, self_correlation(g, h)} {}

  [[nodiscard]] std::vector<double> operator()(std::span<const double> y, int offset) const {
    std::vector<double> x(g_.at.size(), 0.0);
    for (std::size_t a = 0; a < x.size(); ++a) {
      for (std::size_t i = 0; i < g_.L; ++i) x[a] += h_[i] * y[(g_.at[a] + i + static_cast<std::size_t>(offset)) % g_.M];
      x[a] += pull_;  // towards 1, not towards 0
    }
    system_.solve(x);
    return x;
  }

 private:
  LevelFit(const Grid& g, std::span<const double> h, const std::vector<double>& auto_h)
      : g_{g}, h_{h.begin(), h.end()}, pull_{0.03 * auto_h[0]}, system_{matrix(g, auto_h), g.at.size()} {}

  static std::vector<double> self_correlation(const Grid& g, std::span<const double> h) {
    std::vector<double> auto_h(g.M, 0.0);
    for (std::size_t i = 0; i < g.L; ++i) {
      for (std::size_t j = 0; j < g.L; ++j) auto_h[(i + g.M - j) % g.M] += h[i] * h[j];
    }
    return auto_h;
  }
  static Matrix matrix(const Grid& g, std::span<const double> auto_h) {
    const std::size_t P = g.at.size();
    Matrix A(P * P);
    for (std::size_t a = 0; a < P; ++a) {
      for (std::size_t b = 0; b < P; ++b) A[a * P + b] = auto_h[(g.at[b] + g.M - g.at[a]) % g.M];
      A[a * P + a] += 0.03 * auto_h[0];
    }
    return A;
  }

  const Grid& g_;
  std::vector<double> h_;
  double pull_;
  Factored system_;
};

double residual_power(const Grid& g, std::span<const double> y, std::span<const double> h,
                      std::span<const double> level, int offset) {
  std::vector<double> r(y.begin(), y.end());
  for (std::size_t p = 0; p < g.at.size(); ++p) {
    for (std::size_t i = 0; i < g.L; ++i) r[(g.at[p] + i + static_cast<std::size_t>(offset)) % g.M] -= level[p] * h[i];
  }
  double mean = 0.0;
  for (double v : r) mean += v;
  mean /= static_cast<double>(r.size());
  double sum = 0.0;
  for (double v : r) sum += (v - mean) * (v - mean);
  return sum;
}

/// Scales levels so that the upper half of the positions averages one; returns the factor.
double normalise(std::vector<double>& level) {
  std::vector<double> sorted = level;
  std::sort(sorted.begin(), sorted.end(), std::greater<>());
  const std::size_t half = (sorted.size() + 1) / 2;
  double mean = std::accumulate(sorted.begin(), sorted.begin() + static_cast<std::ptrdiff_t>(half), 0.0) / static_cast<double>(half);
  if (std::abs(mean) < 1e-9) mean = 1e-9;
  for (double& v : level) v /= mean;
  return mean;
}

/// Mean cycle of a signal, each cycle scaled by the local strength (gain control, distance), which it notes.
std::vector<double> scaled_mean(const Folded& folded, std::size_t m, const std::vector<bool>& use, PulseFit::PerSignal& s) {
  const std::size_t C = folded.cycles;
  const std::size_t M = folded.per_cycle;
  const auto& v = folded.value[m];
  std::vector<double> power(C + 1, 0.0);
  s.mean.assign(C, 0.0);
  for (std::size_t c = 0; c < C; ++c) {
    double sum = 0.0;
    double squares = 0.0;
    for (std::size_t i = 0; i < M; ++i) {
      sum += v[c * M + i];
      squares += static_cast<double>(v[c * M + i]) * v[c * M + i];
    }
    s.mean[c] = sum / static_cast<double>(M);
    power[c + 1] = power[c] + squares / static_cast<double>(M) - s.mean[c] * s.mean[c];
  }
  s.scale.resize(C);
  for (std::size_t c = 0; c < C; ++c) {
    const std::size_t lo = c >= 6 ? c - 6 : 0;
    const std::size_t hi = std::min(C, c + 7);
    s.scale[c] = std::sqrt(std::max(1e-20, (power[hi] - power[lo]) / static_cast<double>(hi - lo)));
  }
  std::vector<double> mean(M, 0.0);
  double count = 1e-9;
  for (std::size_t c = 0; c < C; ++c) {
    if (!use.empty() && !use[c]) continue;
    count += 1.0;
    const double to_unit = 1.0 / s.scale[c];
    for (std::size_t i = 0; i < M; ++i) mean[i] += (v[c * M + i] - s.mean[c]) * to_unit;
  }
  for (double& x : mean) x /= count;
  return mean;
}

/// Where position 1 begins: the offset at which equal, compact pulses explain most, all signals together. A layout that
/// can be laid on itself (an even one after each slot) repeats within the cycle: looked at beyond that, rounding would
/// choose among equals.
int begin_of_pulses(const Grid& g, const Engine& engine, std::span<const std::vector<double>> mean) {
  const std::size_t range = std::max<std::size_t>(1, g.M / engine.turns().size());
  std::vector<double> score(range, 0.0);
  const ResponseFit equal_pulses{g, std::vector<double>(g.at.size(), 1.0)};
  for (const std::vector<double>& y : mean) {
    std::vector<double> own(range);
    for (std::size_t o = 0; o < range; ++o) {
      const auto h = equal_pulses(y, static_cast<int>(o));
      // Explained power under the penalty: b' A^-1 b.
      double e = 0.0;
      for (std::size_t i = 0; i < g.L; ++i) {
        double b = 0.0;
        for (const std::size_t at : g.at) b += y[(at + i + o) % g.M];
        e += b * h[i];
      }
      own[o] = e;  // in units of the (unit-variance) signal: weak repeats count less
    }
    for (std::size_t o = 0; o < range; ++o) {
      score[o] += std::max({own[o], own[(o + 1) % range], own[(o + range - 1) % range]});
    }
  }
  return static_cast<int>(std::max_element(score.begin(), score.end()) - score.begin());
}

/// Response and mean levels in turn, from "all events equal".
void fit_response(const Grid& g, std::span<const double> mean, int offset, PulseFit::PerSignal& s) {
  s.level.assign(g.at.size(), 1.0);
  for (int round = 0; round < 12; ++round) {
    s.response = ResponseFit{g, s.level}(mean, offset);
    s.level = LevelFit{g, s.response}(mean, offset);
    normalise(s.level);
  }
  s.response = ResponseFit{g, s.level}(mean, offset);
  double power = 1e-12;
  for (double x : mean) power += x * x;
  s.explained = 1.0 - residual_power(g, mean, s.response, s.level, offset) / power;
}

/// Event levels: the same solve cycle by cycle; the pulse that rings over the edge of a cycle is taken from the
/// neighbours by solving on the cycle as if it were circular.
void fit_events(const Grid& g, const Folded& folded, std::size_t m, int offset, PulseFit::PerSignal& s) {
  const std::size_t C = folded.cycles;
  const std::size_t P = g.at.size();
  s.event_level.resize(C * P);
  std::vector<double> y(g.M);
  const LevelFit levels_of{g, s.response};
  for (std::size_t c = 0; c < C; ++c) {
    double dc = 0.0;
    const double to_unit = 1.0 / s.scale[c];
    // One cycle of samples that begins at position 1's onset, so the wrap falls where position 1
    // of the next cycle begins.
    for (std::size_t i = 0; i < g.M; ++i) {
      const std::size_t at = std::min(C * g.M - 1, c * g.M + i + static_cast<std::size_t>(offset));
      y[i] = folded.value[m][at] * to_unit;
      dc += y[i];
    }
    dc /= static_cast<double>(g.M);
    for (double& x : y) x -= dc;
    const auto level = levels_of(y, 0);
    for (std::size_t p = 0; p < P; ++p) s.event_level[c * P + p] = static_cast<float>(level[p]);
  }
}

/// Noise of an event level: robust difference of neighbouring cycles. Nothing where there are none.
std::optional<double> event_noise(std::span<const float> level, std::size_t positions, const std::vector<bool>& use) {
  std::vector<double> d;
  for (std::size_t c = 0; (c + 2) * positions <= level.size(); ++c) {
    if (!use.empty() && !(use[c] && use[c + 1])) continue;
    for (std::size_t p = 0; p < positions; ++p) d.push_back(std::abs(level[(c + 1) * positions + p] - level[c * positions + p]));
  }
  if (d.empty()) return std::nullopt;
  const auto mid = d.begin() + static_cast<std::ptrdiff_t>(d.size() / 2);
  std::nth_element(d.begin(), mid, d.end());
  return std::max(0.02, *mid / 0.6745 / std::sqrt(2.0));
}

}  // namespace

std::size_t angle_grid(const Engine& engine) {
  const auto P = engine.positions().size();
  std::size_t best = 96;
  double best_error = 1e9;
  for (const std::size_t m : {std::size_t{48}, std::size_t{72}, std::size_t{96}, std::size_t{120}, std::size_t{144}, std::size_t{160}, std::size_t{192}, std::size_t{240}}) {
    if (m < 12 * P) continue;
    double error = 0.0;
    for (const FiringPosition& p : engine.positions()) {
      const double x = p.angle.value() / engine.cycle().value() * static_cast<double>(m);
      error = std::max(error, std::abs(x - std::round(x)));
    }
    if (error < best_error - 0.05) {
      best_error = error;
      best = m;
    }
  }
  return best;
}

PulseFit fit_pulses(const Folded& folded, const Engine& engine, const std::vector<bool>& use) {
  PulseFit fit;
  const std::size_t C = folded.cycles;
  const Grid g = make_grid(engine, folded.per_cycle);
  const std::size_t P = g.at.size();
  fit.cycles = C;
  fit.positions = P;
  if (C == 0) return fit;

  std::array<std::vector<double>, signal_count> mean;
  for (std::size_t m = 0; m < signal_count; ++m) mean[m] = scaled_mean(folded, m, use, fit.signal[m]);
  fit.offset = begin_of_pulses(g, engine, mean);

  double weight_sum = 1e-12;
  for (std::size_t m = 0; m < signal_count; ++m) {
    auto& s = fit.signal[m];
    fit_response(g, mean[m], fit.offset, s);
    fit_events(g, folded, m, fit.offset, s);
    s.event_noise = event_noise(s.event_level, P, use).value_or(s.event_noise);
    s.weight = 1.0 / (s.event_noise * s.event_noise);
    weight_sum += s.weight;
  }
  fit.event_level.assign(C * P, 0.0F);
  for (auto& s : fit.signal) {
    s.weight /= weight_sum;
    for (std::size_t i = 0; i < C * P; ++i) fit.event_level[i] += static_cast<float>(s.weight) * s.event_level[i];
  }
  return fit;
}

}  // namespace pipebeat::core
