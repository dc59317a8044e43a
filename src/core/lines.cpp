#include "core/lines.hpp"

#include <algorithm>
#include <cmath>

#include "core/fft.hpp"

namespace pipebeat::core {

CycleLines cycle_lines(const Folded& folded, std::size_t lines, const std::vector<bool>& use) {
  CycleLines out;
  const std::size_t M = folded.per_cycle;
  const RealFft fft{M};
  out.cycles = folded.cycles;
  out.lines = std::min(lines, fft.bins() - 1);
  const std::size_t K = out.lines;
  const auto used = [&](std::size_t c) { return use.empty() || use[c]; };
  std::vector<std::complex<float>> bins(fft.bins());
  std::vector<double> numerator(out.cycles, 0.0);
  std::vector<double> denominator(out.cycles, 1e-20);
  std::vector<double> own(out.cycles, 0.0);
  std::vector<double> own_power(out.cycles, 1e-20);
  for (std::size_t m = 0; m < out.spectra.size(); ++m) {
    auto& x = out.spectra[m];
    x.resize(out.cycles * K);
    for (std::size_t c = 0; c < out.cycles; ++c) {
      fft.forward(std::span{folded.value[m]}.subspan(c * M, M), bins);
      for (std::size_t k = 0; k < K; ++k) x[c * K + k] = bins[k + 1] / static_cast<float>(M);
    }
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
      for (std::size_t k = 0; k < K; ++k) {
        const auto a = x[c * K + k];
        power[k] += std::norm(a);
        if (!pair) continue;
        const auto b = x[(c + 1) * K + k];
        coherence[k] += static_cast<double>(a.real()) * b.real() + static_cast<double>(a.imag()) * b.imag();
        pair_power[k] += 0.5 * (std::norm(a) + std::norm(b));
      }
    }
    // Lines far below the whole signal are no beat, however exactly they repeat: the rounding of a
    // digital tone does. An envelope that an engine beats in swings by a percent and more; the low
    // band may hold a beat under much louder wind.
    double whole = 0.0;
    for (const float v : folded.value[m]) whole += static_cast<double>(v) * v / static_cast<double>(folded.value[m].size());
    const double least = (m == 0 ? 1e-7 : 1e-5) * whole * count;
    for (std::size_t k = 0; k < K; ++k) {
      coherence[k] /= pair_power[k] + least;
      power[k] /= count;
    }
    // Every line counts by what repeats of it, whitened by its power.
    for (std::size_t k = 0; k < K; ++k) {
      const double g = std::max(0.0, coherence[k]);
      const double w = g * g / power[k];
      std::complex<double> sum{};
      for (std::size_t c = 0; c < out.cycles; ++c) {
        if (used(c)) sum += std::complex<double>(x[c * K + k]);
      }
      for (std::size_t c = 0; c < out.cycles; ++c) {
        const std::complex<double> a = x[c * K + k];
        const std::complex<double> others = (used(c) ? sum - a : sum) / std::max(1.0, count - 1.0);
        own[c] += w * (a * std::conj(others)).real();
        own_power[c] += w * 0.5 * (std::norm(a) + std::norm(others));
      }
      for (std::size_t c = 0; c + 1 < out.cycles; ++c) {
        const auto a = x[c * K + k];
        const auto b = x[(c + 1) * K + k];
        const double r = w * (static_cast<double>(a.real()) * b.real() + static_cast<double>(a.imag()) * b.imag());
        const double p = w * 0.5 * (std::norm(a) + std::norm(b));
        numerator[c] += r;
        denominator[c] += p;
        numerator[c + 1] += r;
        denominator[c + 1] += p;
      }
    }
  }
  out.repeat.resize(out.cycles);
  out.belong.resize(out.cycles);
  for (std::size_t c = 0; c < out.cycles; ++c) out.belong[c] = static_cast<float>(own[c] / own_power[c]);
  for (std::size_t c = 0; c < out.cycles; ++c) out.repeat[c] = static_cast<float>(numerator[c] / denominator[c]);
  return out;
}

}  // namespace pipebeat::core
