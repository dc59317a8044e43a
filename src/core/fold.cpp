#include "core/fold.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include "core/fft.hpp"

namespace pipebeat::core {

namespace {

/// Angle samples per cycle that carry so many cycle lines with room to spare: a power of two.
std::size_t grid_for(int lines) {
  std::size_t per_cycle = 64;
  while (per_cycle < static_cast<std::size_t>(lines) * 3) per_cycle *= 2;
  return per_cycle;
}

}  // namespace

double PhaseTrack::at(double time_s) const {
  const double x = std::clamp((time_s - start_s) / hop_s, 0.0, static_cast<double>(cycles.size() - 1));
  const auto i = std::min(static_cast<std::size_t>(x), cycles.size() - 2);
  const double t = x - static_cast<double>(i);
  return cycles[i] * (1.0 - t) + cycles[i + 1] * t;
}

double PhaseTrack::time_of(double phase) const {
  const auto it = std::upper_bound(cycles.begin() + 1, cycles.end() - 1, phase);
  const auto i = static_cast<std::size_t>(it - cycles.begin()) - 1;
  const double t = (phase - cycles[i]) / std::max(1e-12, cycles[i + 1] - cycles[i]);
  return start_s + hop_s * (static_cast<double>(i) + std::clamp(t, 0.0, 1.0));
}

double PhaseTrack::frequency(double time_s) const {
  const double half = 1.5 * hop_s;
  const double a = std::max(start_s, time_s - half);
  const double b = std::min(end_s(), time_s + half);
  return b > a ? (at(b) - at(a)) / (b - a) : 0.0;
}

Folded fold(const Signals& signals, const PhaseTrack& phase, std::size_t per_cycle) {
  Folded out;
  out.per_cycle = per_cycle;
  out.cycles = static_cast<std::size_t>(std::floor(phase.total()));
  const std::size_t n = signals.size();
  const std::size_t total = out.cycles * per_cycle;
  // Edges of the angle slots in signal samples.
  std::vector<double> edge(total + 1);
  std::size_t seg = 0;
  for (std::size_t i = 0; i <= total; ++i) {
    const double p = static_cast<double>(i) / static_cast<double>(per_cycle);
    while (seg + 2 < phase.cycles.size() && phase.cycles[seg + 1] < p) ++seg;
    const double t = (p - phase.cycles[seg]) / std::max(1e-12, phase.cycles[seg + 1] - phase.cycles[seg]);
    edge[i] = (phase.start_s + phase.hop_s * (static_cast<double>(seg) + std::clamp(t, 0.0, 1.0))) * signals.rate_hz;
  }
  out.start_s.resize(out.cycles + 1);
  for (std::size_t c = 0; c <= out.cycles; ++c) out.start_s[c] = edge[c * per_cycle] / signals.rate_hz;
  std::vector<double> cumulative(n + 1);
  for (std::size_t m = 0; m < out.value.size(); ++m) {
    const auto& s = signals.value[m];
    out.value[m].assign(total, 0.0F);
    if (s.size() != n) continue;
    for (std::size_t i = 0; i < n; ++i) cumulative[i + 1] = cumulative[i] + s[i];
    const auto integral = [&](double x) {
      x = std::clamp(x, 0.0, static_cast<double>(n));
      const auto i = std::min(static_cast<std::size_t>(x), n - 1);
      return cumulative[i] + (x - static_cast<double>(i)) * s[i];
    };
    double before = integral(edge[0]);
    for (std::size_t i = 0; i < total; ++i) {
      const double after = integral(edge[i + 1]);
      const double width = edge[i + 1] - edge[i];
      out.value[m][i] = width > 0.0 ? static_cast<float>((after - before) / width) : 0.0F;
      before = after;
    }
  }
  return out;
}

PhaseTrack refine(const Signals& signals, PhaseTrack phase, int lines, int rounds) {
  const std::size_t per_cycle = grid_for(lines);
  const RealFft fft{per_cycle};
  const auto K = std::min(static_cast<std::size_t>(lines), fft.bins() - 1);
  for (int round = 0; round < rounds; ++round) {
    const Folded f = fold(signals, phase, per_cycle);
    if (f.cycles < 4) return phase;
    // Spectra of every cycle, whitened per signal and line so that no line shouts.
    std::vector<std::vector<std::complex<float>>> spectra;  // per signal: cycles x K
    std::vector<std::complex<float>> bins(fft.bins());
    std::vector<float> weight;  // per signal and line: share that repeats
    for (std::size_t m = 0; m < f.value.size(); ++m) {
      std::vector<std::complex<float>> x(f.cycles * K);
      for (std::size_t c = 0; c < f.cycles; ++c) {
        fft.forward(std::span{f.value[m]}.subspan(c * per_cycle, per_cycle), bins);
        for (std::size_t k = 0; k < K; ++k) x[c * K + k] = bins[k + 1];
      }
      spectra.push_back(std::move(x));
    }
    // Drift between neighbouring blocks of cycles: delta (in cycles) that maximises the matched
    // sum of cross-spectra. Early rounds use long blocks, the last one short.
    const std::size_t block = round == 0 ? 3 : 2;
    const std::size_t pairs = f.cycles >= 2 * block ? f.cycles - 2 * block + 1 : 0;
    if (pairs == 0) return phase;
    // Cross-spectra per pair and line, whitened by the line's mean power.
    std::vector<std::complex<double>> cross(pairs * K);
    for (std::size_t m = 0; m < f.value.size(); ++m) {
      std::vector<double> power(K, 1e-20);
      for (std::size_t i = 0; i < spectra[m].size(); ++i) power[i % K] += std::norm(spectra[m][i]);
      std::vector<std::complex<double>> a(K);
      std::vector<double> coherent(K, 0.0);
      std::vector<std::complex<double>> c_m(pairs * K);
      for (std::size_t p = 0; p < pairs; ++p) {
        for (std::size_t k = 0; k < K; ++k) {
          std::complex<double> before{};
          std::complex<double> after{};
          for (std::size_t b = 0; b < block; ++b) {
            before += std::complex<double>(spectra[m][(p + b) * K + k]);
            after += std::complex<double>(spectra[m][(p + block + b) * K + k]);
          }
          c_m[p * K + k] = after * std::conj(before);
          coherent[k] += std::abs(c_m[p * K + k]);
        }
      }
      // Weight: excess of |cross| over what noise of that power gives.
      for (std::size_t k = 0; k < K; ++k) {
        const double per = power[k] / static_cast<double>(f.cycles);
        const double ratio = coherent[k] / static_cast<double>(pairs) / (per * static_cast<double>(block * block));
        const double noise = 1.0 / static_cast<double>(block);
        const double w = std::clamp((ratio - noise) / (1.0 - noise), 0.0, 1.0);
        for (std::size_t p = 0; p < pairs; ++p) {
          cross[p * K + k] += w * w / (per * static_cast<double>(block * block)) * c_m[p * K + k];
        }
      }
    }
    // Smooth the cross-spectra over neighbours, then find the drift per pair.
    std::vector<double> drift(pairs, 0.0);
    std::vector<double> trust(pairs, 0.0);
    const std::size_t reach = round == 0 ? 2 : round == 1 ? 1 : 0;
    const double limit = round == 0 ? 0.5 / 4.0 : 0.06;
    const int steps = 121;
    for (std::size_t p = 0; p < pairs; ++p) {
      std::vector<std::complex<double>> x(K);
      double total = 1e-20;
      for (std::size_t q = p >= reach ? p - reach : 0; q <= std::min(pairs - 1, p + reach); ++q) {
        for (std::size_t k = 0; k < K; ++k) {
          x[k] += cross[q * K + k];
          total += std::abs(cross[q * K + k]);
        }
      }
      double best = -1e30;
      for (int s = 0; s < steps; ++s) {
        const double d = limit * (2.0 * s / (steps - 1) - 1.0);
        const std::complex<double> turn = std::polar(1.0, 2.0 * std::numbers::pi * d);
        std::complex<double> z = turn;
        double sum = 0.0;
        for (std::size_t k = 0; k < K; ++k) {
          sum += (x[k] * z).real();
          z *= turn;
        }
        sum *= 1.0 - 0.2 * (d / limit) * (d / limit);
        if (sum > best) {
          best = sum;
          drift[p] = d;
        }
      }
      trust[p] = std::max(0.0, best / total);
    }
    // `after` lags `before` by d cycles over `block` cycles: the true phase runs faster by
    // -d/block per cycle. Spread each pair's correction over the cycles between the block centres.
    std::vector<double> rate(f.cycles + 1, 0.0);
    std::vector<double> rate_weight(f.cycles + 1, 1e-9);
    for (std::size_t p = 0; p < pairs; ++p) {
      for (std::size_t c = p + block / 2; c < p + block + (block + 1) / 2; ++c) {
        rate[c] += trust[p] * -drift[p] / static_cast<double>(block);
        rate_weight[c] += trust[p];
      }
    }
    for (std::size_t c = 0; c < rate.size(); ++c) rate[c] /= rate_weight[c];
    std::vector<double> shift(f.cycles + 2, 0.0);
    for (std::size_t c = 0; c <= f.cycles; ++c) shift[c + 1] = shift[c] + rate[c];
    for (double& p : phase.cycles) {
      const double x = std::clamp(p, 0.0, static_cast<double>(f.cycles));
      const auto c = std::min(static_cast<std::size_t>(x), f.cycles);
      const double t = x - static_cast<double>(c);
      p += shift[c] + t * rate[c];
    }
    // Keep it monotone and anchored at zero.
    const double first = phase.cycles.front();
    double last = -1.0;
    for (double& p : phase.cycles) {
      p -= first;
      p = std::max(p, last + 1e-6);
      last = p;
    }
    phase.coherence.assign(f.cycles, 0.0F);
    for (std::size_t c = 0; c < f.cycles; ++c) phase.coherence[c] = static_cast<float>(trust[std::min(pairs - 1, c >= block ? c - block : 0)]);
  }
  return phase;
}

PhaseTrack anchor(const Signals& signals, PhaseTrack phase, int lines, const std::vector<bool>& use) {
  const std::size_t per_cycle = grid_for(lines);
  const RealFft fft{per_cycle};
  const auto K = std::min(static_cast<std::size_t>(lines), fft.bins() - 1);
  const Folded f = fold(signals, phase, per_cycle);
  const std::size_t C = f.cycles;
  if (C < 8) return phase;
  // Sum over signals of whitened cross-spectra between blocks of cycles and the mean of the rest.
  const std::size_t reach = 3;
  std::vector<std::complex<double>> cross(C * K);
  std::vector<std::complex<float>> bins(fft.bins());
  for (std::size_t m = 0; m < f.value.size(); ++m) {
    std::vector<std::complex<double>> x(C * K);
    std::vector<std::complex<double>> sum(K);
    std::vector<double> power(K, 1e-20);
    double count = 1e-9;
    for (std::size_t c = 0; c < C; ++c) {
      fft.forward(std::span{f.value[m]}.subspan(c * per_cycle, per_cycle), bins);
      const bool used = use.empty() || (c < use.size() && use[c]);
      if (used) count += 1.0;
      for (std::size_t k = 0; k < K; ++k) {
        x[c * K + k] = bins[k + 1];
        if (!used) continue;
        sum[k] += x[c * K + k];
        power[k] += std::norm(x[c * K + k]);
      }
    }
    for (std::size_t k = 0; k < K; ++k) {
      // Share of the line that agrees with the mean, less what chance gives.
      const double share = std::max(0.0, std::norm(sum[k]) / count / power[k] - 1.0 / count);
      const double w = share / (power[k] / count);
      for (std::size_t c = 0; c < C; ++c) {
        std::complex<double> own{};
        for (std::size_t q = c >= reach ? c - reach : 0; q <= std::min(C - 1, c + reach); ++q) own += x[q * K + k];
        cross[c * K + k] += w * own * std::conj(sum[k] - own) / count;
      }
    }
  }
  std::vector<double> shift(C, 0.0);
  const double limit = 0.06;
  for (std::size_t c = 0; c < C; ++c) {
    double best = -1e30;
    for (int s = -40; s <= 40; ++s) {
      const double d = limit * s / 40.0;
      const std::complex<double> turn = std::polar(1.0, 2.0 * std::numbers::pi * d);
      std::complex<double> z = turn;
      double value = 0.0;
      for (std::size_t k = 0; k < K; ++k) {
        value += (cross[c * K + k] * z).real();
        z *= turn;
      }
      value *= 1.0 - 0.2 * (d / limit) * (d / limit);
      if (value > best) {
        best = value;
        shift[c] = d;
      }
    }
  }
  // A cycle that comes late by d has a true phase behind ours by d.
  double last = -1.0;
  for (double& p : phase.cycles) {
    const double x = std::clamp(p - 0.5, 0.0, static_cast<double>(C - 1));
    const auto c = std::min(static_cast<std::size_t>(x), C - 2);
    const double t = x - static_cast<double>(c);
    p -= shift[c] * (1.0 - t) + shift[c + 1] * t;
    p = std::max(p, last + 1e-6);
    last = p;
  }
  const double first = phase.cycles.front();
  for (double& p : phase.cycles) p -= first;
  return phase;
}

}  // namespace pipebeat::core
