#include "core/lost_pulse.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace pipebeat::core {

namespace {

constexpr std::size_t most_cycles = 100;
constexpr double adds_up = 0.3;  // of all positions
constexpr std::size_t lines_per_position = 4;

}  // namespace

LostPulse::LostPulse(const Engine& engine, const CycleSpectra& spectra, const PulseFit& pulses,
                     const std::vector<bool>& running)
    : positions_{engine.positions().size()} {
  using Complex = std::complex<double>;
  const auto P = static_cast<double>(positions_);
  std::vector<std::size_t> line;
  std::vector<Complex> together;
  for (std::size_t k = 1; k <= std::min(spectra.lines, lines_per_position * positions_); ++k) {
    Complex sum{};
    std::vector<Complex> own;
    for (const FiringPosition& p : engine.positions()) {
      own.push_back(std::polar(1.0, -2.0 * std::numbers::pi * static_cast<double>(k) *
                                        p.angle.value() / engine.cycle().value()));
      sum += own.back();
    }
    if (std::abs(sum) < adds_up * P) continue;
    line.push_back(k - 1);
    together.push_back(sum);
    turn_.insert(turn_.end(), own.begin(), own.end());
  }
  lines_ = line.size();
  std::vector<std::size_t> used;
  for (std::size_t c = 0; c + 1 < running.size(); ++c) {
    if (running[c] && running[c + 1]) used.push_back(c);
  }
  const std::size_t every = used.size() / most_cycles + 1;
  for (std::size_t i = 0; i < used.size(); i += every) cycles_.push_back(used[i]);
  const std::size_t C = cycles_.size();
  if (C == 0) return;
  value_.resize(signal_count * lines_ * C);
  for (std::size_t m = 0; m < signal_count; ++m) {
    const auto at = [&](std::size_t c, std::size_t l) {
      return Complex{spectra.value[m][c * spectra.lines + line[l]]} / pulses.signal[m].scale[c];
    };
    for (std::size_t l = 0; l < lines_; ++l) {
      Complex* const value = value_.data() + (m * lines_ + l) * C;
      Complex mean{};
      Complex sum{};
      // A late pulse rings on in the next cycle.
      for (std::size_t i = 0; i < C; ++i) {
        const Complex own = at(cycles_[i], l);
        value[i] = own + at(cycles_[i] + 1, l);
        mean += own;
        sum += value[i];
      }
      for (std::size_t i = 0; i < C; ++i) value[i] -= sum / static_cast<double>(C);
      pulse_.push_back(mean / static_cast<double>(C) * std::conj(together[l]) / (P * P));
    }
  }
}

LostPulse::Loss LostPulse::with(std::span<const float> missing) const {
  using Complex = std::complex<double>;
  Loss out;
  const std::size_t C = cycles_.size();
  std::vector<Complex> miss(C);
  std::array<double, signal_count> together{};
  std::array<double, signal_count> pulses{};
  std::array<double, signal_count> lost{};
  double weighted = 0.0;
  double weighted_pulse = 1e-20;
  for (std::size_t l = 0; l < lines_; ++l) {
    Complex mean{};
    for (std::size_t i = 0; i < C; ++i) {
      miss[i] = {};
      for (std::size_t p = 0; p < positions_; ++p)
        miss[i] +=
            static_cast<double>(missing[cycles_[i] * positions_ + p]) * turn_[l * positions_ + p];
      mean += miss[i];
    }
    double power = 1e-9;
    for (Complex& v : miss) {
      v -= mean / static_cast<double>(C);
      power += std::norm(v);
    }
    for (std::size_t m = 0; m < signal_count; ++m) {
      const Complex* const value = value_.data() + (m * lines_ + l) * C;
      Complex change{};
      double all = 0.0;
      for (std::size_t i = 0; i < C; ++i) {
        change += std::conj(miss[i]) * value[i];
        all += std::norm(value[i]);
      }
      const double left = std::max(all - std::norm(change) / power, 1e-3 * all) + 1e-20;
      const double noise = left / static_cast<double>(C) / power;
      change /= power;
      const Complex pulse = pulse_[m * lines_ + l];
      const double along = -std::real(change * std::conj(pulse));
      together[m] += along;
      pulses[m] += std::norm(pulse);
      lost[m] += std::norm(change);
      weighted += along / noise;
      weighted_pulse += std::norm(pulse) / noise;
    }
  }
  const auto correlation = [&](std::size_t m) {
    return together[m] / std::sqrt(pulses[m] * lost[m] + 1e-20);
  };
  out.sureness = weighted / std::sqrt(0.5 * weighted_pulse);
  out.low = correlation(0);
  for (std::size_t m = 1; m < signal_count; ++m) out.high += correlation(m) / (signal_count - 1);
  return out;
}

}  // namespace pipebeat::core
