#include "core/lines.hpp"

#include <algorithm>
#include <cmath>

#include "core/sums.hpp"

namespace pipebeat::core {

namespace {

/// Adds the squared magnitudes of `count` lines.
PIPEBEAT_WIDE void add_norms(const std::complex<float>* line, std::size_t count, double* __restrict sum) {
  const auto* const x = reinterpret_cast<const float*>(line);  // [complex.numbers.general] 4
  for (std::size_t k = 0; k < count; ++k) sum[k] += x[2 * k] * x[2 * k] + x[2 * k + 1] * x[2 * k + 1];
}

/// Adds what a cycle's lines have in common with those of the next, and the mean of their squared magnitudes.
PIPEBEAT_WIDE void add_pair(const std::complex<float>* line, std::size_t count, double* __restrict common, double* __restrict power) {
  const auto* const a = reinterpret_cast<const float*>(line);
  const float* const b = a + 2 * count;
  for (std::size_t k = 0; k < count; ++k) {
    common[k] += a[2 * k] * b[2 * k] + a[2 * k + 1] * b[2 * k + 1];
    const float own = a[2 * k] * a[2 * k] + a[2 * k + 1] * a[2 * k + 1];
    const float next = b[2 * k] * b[2 * k] + b[2 * k + 1] * b[2 * k + 1];
    power[k] += 0.5F * (own + next);
  }
}

}  // namespace

CycleLines cycle_lines(const Folded& folded, std::size_t lines, const std::vector<bool>& use) {
  return cycle_lines(cycle_spectra(folded, lines), use);
}

CycleLines cycle_lines(const CycleSpectra& spectra, const std::vector<bool>& use) {
  CycleLines out;
  out.cycles = spectra.cycles;
  out.lines = spectra.lines;
  const std::size_t K = out.lines;
  const auto used = [&](std::size_t c) { return use.empty() || use[c]; };
  std::vector<double> numerator(out.cycles, 0.0);
  std::vector<double> denominator(out.cycles, 1e-20);
  std::vector<double> own(out.cycles, 0.0);
  std::vector<double> own_power(out.cycles, 1e-20);
  std::vector<std::complex<float>> x;
  for (std::size_t m = 0; m < signal_count; ++m) {
    x = spectra.value[m];
    auto& coherence = out.coherence[m];
    auto& power = out.power[m];
    coherence.assign(K, 0.0);
    power.assign(K, 1e-20);
    std::vector<double> pair_power(K, 1e-20);
    double count = 1e-9;
    for (std::size_t c = 0; c < out.cycles; ++c) {
      if (!used(c)) continue;
      count += 1.0;
      const bool pair = c + 1 < out.cycles && used(c + 1);
      add_norms(x.data() + c * K, K, power.data());
      if (pair) add_pair(x.data() + c * K, K, coherence.data(), pair_power.data());
    }
    // Lines far below the whole signal are no beat, however exactly they repeat: the rounding of a
    // digital tone does. An envelope that an engine beats in swings by a percent and more; the low
    // band may hold a beat under much louder wind.
    const double least = (m == 0 ? 1e-7 : 1e-5) * spectra.power[m] * count;
    // Every line counts by what repeats of it, whitened by its power.
    std::vector<float> weight(K);
    for (std::size_t k = 0; k < K; ++k) {
      coherence[k] /= pair_power[k] + least;
      power[k] /= count;
      weight[k] = static_cast<float>(std::max(0.0, coherence[k]) / std::sqrt(power[k]));
    }
    std::vector<std::complex<float>> sum(K);
    for (std::size_t c = 0; c < out.cycles; ++c) {
      for (std::size_t k = 0; k < K; ++k) {
        x[c * K + k] *= weight[k];
        if (used(c)) sum[k] += x[c * K + k];
      }
    }
    const auto product = [&](const std::complex<float>* a, const std::complex<float>* b) -> double {
      return dot(reinterpret_cast<const float*>(a), reinterpret_cast<const float*>(b), 2 * K);
    };
    // Of every cycle with itself, with the sum of all and with the next.
    const double sum_power = product(sum.data(), sum.data());
    double before = 0.0;
    for (std::size_t c = 0; c < out.cycles; ++c) {
      const auto* const at = x.data() + c * K;
      const double square = c == 0 ? product(at, at) : before;
      const double with_sum = product(at, sum.data());
      const double in_sum = used(c) ? 1.0 : 0.0;
      const double others = std::max(1.0, count - 1.0);
      own[c] += (with_sum - in_sum * square) / others;
      own_power[c] += 0.5 * (square + std::max(0.0, sum_power + in_sum * (square - 2.0 * with_sum)) / (others * others));
      if (c + 1 == out.cycles) break;
      const double next = product(at + K, at + K);
      const double r = product(at, at + K);
      const double p = 0.5 * (square + next);
      numerator[c] += r;
      denominator[c] += p;
      numerator[c + 1] += r;
      denominator[c + 1] += p;
      before = next;
    }
  }
  out.repeat.resize(out.cycles);
  out.belong.resize(out.cycles);
  for (std::size_t c = 0; c < out.cycles; ++c) out.belong[c] = static_cast<float>(own[c] / own_power[c]);
  for (std::size_t c = 0; c < out.cycles; ++c) out.repeat[c] = static_cast<float>(numerator[c] / denominator[c]);
  return out;
}

}  // namespace pipebeat::core
