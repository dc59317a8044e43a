#include "core/firing_odds.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>

#include "core/statistics.hpp"
#include "core/sums.hpp"

namespace pipebeat::core {

namespace {

// The model: a cycle is one response, the same for every position, times what each position gives.
// Nobody knows the response, so it is drawn from a Gaussian prior and integrated out (marginal
// likelihood; C. Rasmussen and C. Williams, Gaussian Processes for Machine Learning, 2006, from
// memory): its samples are independent, fall off with time after the pulse, and have the spectrum
// that the lines show. What is left for the data to say is whether one response explains the lines,
// phases and all, better with a pulse missing than with none. The figures are round ones; halving
// or doubling them hardly changes what the odds are worth.
constexpr std::size_t lines_per_position = 4;
constexpr std::size_t samples_per_slot =
    9;  // of the response: the highest line turns in 2.25 samples
constexpr std::size_t samples_per_place = 3;  // from one place tried for position 1 to the next
constexpr std::array<double, 2> decay_slots{0.5, 1.5};  // equally likely
constexpr double decays_kept = 3.0;
constexpr double spread = 0.2;  // of a healthy engine's pulses, in pulses
constexpr double weak_pulse = 0.5;
constexpr double dead_pulse = -0.15;  // a cylinder that does not burn draws a little gas inwards
constexpr std::size_t fewest_cycles = 5;
constexpr double smooth_slots = 0.8;  // spectra are smoothed over this many firing frequencies

using Complex = std::complex<double>;

/// What one pattern makes of a spectrum of one pulse.
struct Pattern {
  std::vector<Complex>
      line;  ///< of the impulses, index k - 1; all firing alike: 1 at the firing lines
  std::vector<double> smoothed;  ///< their power, as spectra are smoothed
};

/// Gaussian weights by distance in lines.
std::vector<double> smoothing(std::size_t lines, double positions) {
  std::vector<double> weight(lines);
  for (std::size_t d = 0; d < lines; ++d) {
    const double x = static_cast<double>(d) / (smooth_slots * positions);
    weight[d] = std::exp(-0.5 * x * x);
  }
  return weight;
}

std::vector<double> smooth(std::span<const double> value, std::span<const double> weight) {
  std::vector<double> out(value.size(), 0.0);
  for (std::size_t k = 0; k < value.size(); ++k) {
    for (std::size_t l = 0; l < value.size(); ++l)
      out[k] += weight[k > l ? k - l : l - k] * value[l];
  }
  return out;
}

/// All choices of `count` of the positions, one of those that the layout's turns lay on each other.
std::vector<std::vector<std::size_t>> choices(const Engine& engine, std::size_t count) {
  const std::size_t P = engine.positions().size();
  const std::vector<int> turns = engine.turns();
  std::vector<std::vector<std::size_t>> out;
  const auto add = [&](const std::vector<std::size_t>& chosen) {
    for (const int turn : turns) {
      std::vector<std::size_t> turned;
      for (const std::size_t p : chosen) turned.push_back((p + static_cast<std::size_t>(turn)) % P);
      std::sort(turned.begin(), turned.end());
      if (turned < chosen) return;
    }
    out.push_back(chosen);
  };
  for (std::size_t p = 0; p < P; ++p) {
    if (count == 1) add({p});
    for (std::size_t q = p + 1; q < P && count == 2; ++q) add({p, q});
  }
  return out;
}

/// Lines of the mean of some cycles, for a mean power of 1.
struct MeanCycle {
  std::vector<Complex> mean;  ///< index k - 1
  std::vector<double> noise;  ///< variance of each
};

/// `at`: line k + 1 of the cycle i of so many.
template <class At>
MeanCycle mean_cycle(std::size_t cycles, std::size_t lines, At at) {
  MeanCycle out{std::vector<Complex>(lines), std::vector<double>(lines, 0.0)};
  const auto count = static_cast<double>(cycles);
  double power = 1e-30;
  for (std::size_t i = 0; i < cycles; ++i) {
    for (std::size_t k = 0; k < lines; ++k) {
      out.mean[k] += at(i, k) / count;
      power += std::norm(at(i, k)) / (count * static_cast<double>(lines));
      // Neighbours differ by noise; what wanders slowly is in both.
      if (i > 0) out.noise[k] += 0.5 * std::norm(at(i, k) - at(i - 1, k)) / (count - 1.0) / count;
    }
  }
  const double scale = 1.0 / std::sqrt(power);
  for (Complex& m : out.mean) m *= scale;
  for (double& n : out.noise) n = n / power + 1e-6;
  return out;
}

/// The odds of one engine's patterns; what depends on the layout only is made once.
class Model {
 public:
  explicit Model(const Engine& engine) : Model{engine, engine.positions().size()} {}

  /// `slots`: parts of the cycle by which lines are counted and responses drawn. Of two layouts
  /// that share them only the patterns differ.
  Model(const Engine& engine, std::size_t slots)
      : engine_{engine},
        P_{engine.positions().size()},
        K_{lines_per_position * slots},
        grid_{samples_per_slot * slots} {
    weight_ = smoothing(K_, static_cast<double>(slots));
    for (std::size_t i = 0; i < grid_; ++i)
      turn_.push_back(std::polar(
          1.0, 2.0 * std::numbers::pi * static_cast<double>(i) / static_cast<double>(grid_)));
    healthy_.push_back(pattern({}, 1.0));
    for (const auto& chosen : choices(engine, 1)) {
      weak_.push_back(pattern(chosen, weak_pulse));
      dead_.push_back(pattern(chosen, dead_pulse));
    }
    if (P_ >= 3) {
      for (const auto& chosen : choices(engine, 2))
        two_dead_.push_back(pattern(chosen, dead_pulse));
    }
    if (P_ >= 4 && P_ % 2 == 0) {
      std::vector<std::size_t> every_other;
      for (std::size_t p = 0; p < P_; p += 2) every_other.push_back(p);
      half_dead_.push_back(pattern(every_other, dead_pulse));
    }
  }

  [[nodiscard]] std::size_t lines() const { return K_; }

  [[nodiscard]] FiringOdds odds(const MeanCycle& cycle) const {
    const std::vector<double> spectrum = spectrum_of(cycle);
    const auto of = [&](const std::vector<Pattern>& patterns) {
      return log_likelihood(patterns, cycle.mean, cycle.noise, spectrum);
    };
    const double healthy = of(healthy_);
    FiringOdds out;
    out.weak = of(weak_) - healthy;
    out.dead = of(dead_) - healthy;
    out.two_dead = two_dead_.empty() ? out.dead : of(two_dead_) - healthy;
    out.half_dead = half_dead_.empty() ? out.two_dead : of(half_dead_) - healthy;
    return out;
  }

  /// Log likelihoods if all fire, if one is dead, and, of `every_pattern`, if one is weak, two or
  /// every other one are dead.
  [[nodiscard]] std::vector<double> log_likelihoods(const MeanCycle& cycle,
                                                    bool every_pattern) const {
    const std::vector<double> spectrum = spectrum_of(cycle);
    std::vector<double> out;
    for (const auto* patterns : {&healthy_, &dead_, &weak_, &two_dead_, &half_dead_}) {
      if (patterns->empty() || (out.size() == 2 && !every_pattern)) break;
      out.push_back(log_likelihood(*patterns, cycle.mean, cycle.noise, spectrum));
    }
    return out;
  }

 private:
  [[nodiscard]] std::vector<double> spectrum_of(const MeanCycle& cycle) const {
    std::vector<double> power(K_);
    for (std::size_t k = 0; k < K_; ++k)
      power[k] = std::max(std::norm(cycle.mean[k]) - cycle.noise[k], 0.0) + 1e-7;
    return smooth(power, weight_);
  }

  [[nodiscard]] Pattern pattern(std::span<const std::size_t> chosen, double strength) const {
    Pattern out;
    std::vector<double> level(P_, 1.0);
    for (const std::size_t p : chosen) level[p] = strength;
    std::vector<double> power;
    const double unevenness = 0.02 / static_cast<double>(P_);  // no engine's lines are empty
    for (std::size_t k = 1; k <= K_; ++k) {
      Complex line{};
      for (std::size_t p = 0; p < P_; ++p) {
        const double angle = engine_.positions()[p].angle.value() / engine_.cycle().value();
        line += level[p] / static_cast<double>(P_) *
                std::polar(1.0, -2.0 * std::numbers::pi * static_cast<double>(k) * angle);
      }
      out.line.push_back(line);
      power.push_back(std::norm(line) + unevenness);
    }
    out.smoothed = smooth(power, weight_);
    return out;
  }

  /// Of the mean cycle, if any of the patterns is true: positions, places and decays are equally
  /// likely.
  [[nodiscard]] double log_likelihood(const std::vector<Pattern>& patterns,
                                      std::span<const Complex> mean, std::span<const double> noise,
                                      std::span<const double> spectrum) const {
    std::vector<double> found;
    std::vector<double> by_lag(grid_);
    std::vector<double> by_time(grid_);
    std::vector<double> own(K_);
    std::vector<Complex> with_data(K_);
    for (const Pattern& pattern : patterns) {
      // Weighted by the noise: the pattern with itself, and with the data, at every delay.
      double explained_by_noise = 0.0;
      double log_noise = 0.0;
      for (std::size_t k = 0; k < K_; ++k) {
        const double pulse = spectrum[k] / pattern.smoothed[k];
        const double n = noise[k] + spread * spread / static_cast<double>(P_) * pulse;
        own[k] = 2.0 * std::norm(pattern.line[k]) * pulse / n;
        with_data[k] = 2.0 * std::sqrt(pulse) / n * mean[k] * std::conj(pattern.line[k]);
        explained_by_noise += 2.0 * std::norm(mean[k]) / n;
        log_noise += 2.0 * std::log(n);
      }
      for (std::size_t t = 0; t < grid_; ++t) {
        double lag = 0.0;
        double time = 0.0;
        std::size_t i = 0;
        for (std::size_t k = 0; k < K_; ++k) {
          i += t;
          if (i >= grid_) i -= grid_;
          lag += own[k] * turn_[i].real();
          time += with_data[k].real() * turn_[i].real() - with_data[k].imag() * turn_[i].imag();
        }
        by_lag[t] = lag;
        by_time[t] = time;
      }
      for (const double decay : decay_slots)
        add_places(decay, by_lag, by_time, explained_by_noise, log_noise, found);
    }
    return log_sum_exp(found) - std::log(static_cast<double>(found.size()));
  }

  /// Log likelihood with position 1 at each place of the cycle, by elimination: the response's
  /// normal equations with a right-hand side for every place.
  void add_places(double decay, std::span<const double> by_lag, std::span<const double> by_time,
                  double explained_by_noise, double log_noise, std::vector<double>& found) const {
    const double samples = decay * static_cast<double>(samples_per_slot);
    const std::size_t length = std::min(grid_, static_cast<std::size_t>(decays_kept * samples) + 1);
    const std::size_t places = grid_ / samples_per_place;
    const std::size_t width = length + places;
    std::vector<double> variance(length);
    double sum = 0.0;
    for (std::size_t i = 0; i < length; ++i)
      sum += variance[i] = std::exp(-static_cast<double>(i) / samples);
    std::vector<double> rows(length * width);
    double log_size = log_noise;
    for (std::size_t i = 0; i < length; ++i) {
      for (std::size_t j = i; j < length; ++j) rows[i * width + j] = by_lag[j - i];
      rows[i * width + i] += sum / variance[i];
      log_size += std::log(variance[i] / sum);
      for (std::size_t place = 0; place < places; ++place)
        rows[i * width + length + place] = by_time[(i + place * samples_per_place) % grid_];
    }
    std::vector<double> explained(places, 0.0);
    log_size += eliminate(rows.data(), length, width, explained.data());
    // Strength and noise are known up to a factor only, which leaves a heavier tail than a
    // Gaussian's.
    constexpr double prior_values = 4.0;
    const double values = 2.0 * static_cast<double>(K_) + prior_values;
    for (const double e : explained)
      found.push_back(-0.5 * log_size -
                      0.5 * values * std::log((explained_by_noise - e + prior_values) / values));
  }

  /// Gauss elimination of a symmetric system (upper half given), right-hand sides beside it. Adds
  /// to `explained` b' A^-1 b of each; returns the log determinant.
  PIPEBEAT_WIDE static double eliminate(double* rows, std::size_t length, std::size_t width,
                                        double* explained) {
    double log_determinant = 0.0;
    for (std::size_t k = 0; k < length; ++k) {
      double* const from = rows + k * width;
      const double pivot = from[k];
      log_determinant += std::log(pivot);
      for (std::size_t place = length; place < width; ++place)
        explained[place - length] += from[place] * from[place] / pivot;
      for (std::size_t i = k + 1; i < length; ++i) {
        double* const to = rows + i * width;
        const double factor = from[i] / pivot;
        for (std::size_t j = i; j < width; ++j) to[j] -= factor * from[j];
      }
    }
    return log_determinant;
  }

  const Engine& engine_;
  std::size_t P_;
  std::size_t K_;
  std::size_t grid_;  ///< samples of a cycle
  std::vector<double> weight_;
  std::vector<Complex> turn_;
  std::vector<Pattern> healthy_;
  std::vector<Pattern> weak_;
  std::vector<Pattern> dead_;
  std::vector<Pattern> two_dead_;
  std::vector<Pattern> half_dead_;
};

}  // namespace

std::vector<FiringOdds> firing_odds(const CycleSpectra& spectra, const std::vector<bool>& use,
                                    const Engine& engine,
                                    std::span<const std::size_t> wanted_signals) {
  std::vector<FiringOdds> out(wanted_signals.size());
  const Model model{engine};
  const std::size_t K = model.lines();
  std::vector<std::size_t> cycles;
  for (std::size_t c = 0; c < spectra.cycles; ++c) {
    if (use.empty() || use[c]) cycles.push_back(c);
  }
  if (cycles.size() < fewest_cycles || spectra.lines < K) return out;
  for (std::size_t w = 0; w < wanted_signals.size(); ++w) {
    const auto& value = spectra.value[wanted_signals[w]];
    out[w] = model.odds(mean_cycle(cycles.size(), K, [&](std::size_t i, std::size_t k) {
      return Complex{value[cycles[i] * spectra.lines + k]};
    }));
  }
  return out;
}

std::optional<int> likelier_count(const HeardCycles& cycles, const Engine& engine,
                                  std::span<const std::size_t> wanted_signals) {
  // The usual numbers. One position is no pattern: its response explains any cycle.
  constexpr std::array<int, 8> counts{2, 3, 4, 5, 6, 8, 10, 12};
  // In nats, a round figure. Found on 334 recordings with their right layouts, 8 of which pass it;
  // 122 of 200 do that are more than 90 % sure of a dead cylinder and have a wrong number of them.
  constexpr double enough = 10.0;
  const std::size_t P = engine.positions().size();
  const Model own{engine};
  const std::size_t K = own.lines();
  if (P < 3 || static_cast<int>(P) != engine.cylinders() || cycles.count < fewest_cycles ||
      cycles.lines < K)
    return std::nullopt;
  std::vector<MeanCycle> means;
  for (const std::size_t m : wanted_signals) {
    means.push_back(mean_cycle(cycles.count, K, [&](std::size_t i, std::size_t k) {
      return Complex{cycles.value[(i * signal_count + m) * cycles.lines + k]};
    }));
  }
  /// Of the likeliest pattern, one for all signals.
  const auto best_of = [&](const Model& model, bool every_pattern) {
    std::vector<double> sum(5, -std::numeric_limits<double>::infinity());
    for (std::size_t i = 0; i < means.size(); ++i) {
      const std::vector<double> found = model.log_likelihoods(means[i], every_pattern);
      for (std::size_t p = 0; p < found.size(); ++p) sum[p] = (i == 0 ? 0.0 : sum[p]) + found[p];
    }
    return *std::max_element(sum.begin(), sum.end());
  };
  double best = best_of(own, true) + enough;
  std::optional<int> likelier;
  for (const int count : counts) {
    if (static_cast<std::size_t>(count) == P) continue;
    EngineSpec spec;
    spec.cylinders = count;
    spec.strokes = engine.strokes();
    const auto other = Engine::make(spec);
    if (!other) continue;
    const double found = best_of(Model{*other, P}, false);
    if (found > best) {
      best = found;
      likelier = count;
    }
  }
  return likelier;
}

}  // namespace pipebeat::core
