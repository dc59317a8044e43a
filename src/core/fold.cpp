#include "core/fold.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include "core/sums.hpp"

namespace pipebeat::core {

namespace {

/// Angle samples per cycle that carry so many cycle lines with room to spare: a power of two.
std::size_t grid_for(int lines) {
  std::size_t per_cycle = 64;
  while (per_cycle < static_cast<std::size_t>(lines) * 3) per_cycle *= 2;
  return per_cycle;
}

/// Line values of all cycles: [cycle * lines + line - 1].
using LineValues = std::vector<std::complex<float>>;

/// Lines 1..K of a cycle, X_k = unit * sum x_i exp(-2 pi i k i / M), straight from the definition: so few lines of so
/// few samples that a fast transform takes three times as long.
class LineTransform {
 public:
  /// `per_cycle`: M, even. `lines`: at most M / 2.
  LineTransform(std::size_t per_cycle, std::size_t lines, double unit = 1.0)
      : half_{per_cycle / 2}, lines_{lines}, padded_{(lines + group - 1) / group * group}, cos_(padded_ * (half_ + 1)), sin_(padded_ * (half_ + 1)) {
    std::vector<std::complex<float>> root;
    for (std::size_t i = 0; i < per_cycle; ++i) {
      root.emplace_back(std::polar(unit, -2.0 * std::numbers::pi * static_cast<double>(i) / static_cast<double>(per_cycle)));
    }
    for (std::size_t i = 0; i <= half_; ++i) {
      for (std::size_t k = 0; k < lines; ++k) {
        cos_[i * padded_ + k] = root[(k + 1) * i % per_cycle].real();
        sin_[i * padded_ + k] = root[(k + 1) * i % per_cycle].imag();
      }
    }
  }

  /// Of every cycle of one signal.
  [[nodiscard]] PIPEBEAT_WIDE LineValues of(const Folded& folded, std::size_t m) const {
    LineValues out(folded.cycles * lines_);
    std::vector<float> even(half_ + 1);  // sums and differences of samples that lie as far before and behind the cycle's
    std::vector<float> odd(half_ + 1);   // beginning: one goes with the cosines, the other with the sines
    for (std::size_t c = 0; c < folded.cycles; ++c) {
      const float* const x = folded.value[m].data() + c * 2 * half_;
      even[0] = x[0];
      even[half_] = x[half_];
      for (std::size_t i = 1; i < half_; ++i) {
        even[i] = x[i] + x[2 * half_ - i];
        odd[i] = x[i] - x[2 * half_ - i];
      }
      for (std::size_t first = 0; first < lines_; first += group) {
        std::array<Eight, group / 8> re{};
        std::array<Eight, group / 8> im{};
        for (std::size_t i = 0; i <= half_; ++i) {
          const float* const with_cos = cos_.data() + i * padded_ + first;
          const float* const with_sin = sin_.data() + i * padded_ + first;
          for (std::size_t l = 0; l < re.size(); ++l) {
            re[l] += even[i] * *reinterpret_cast<const EightAnywhere*>(with_cos + 8 * l);
            im[l] += odd[i] * *reinterpret_cast<const EightAnywhere*>(with_sin + 8 * l);
          }
        }
        for (std::size_t k = first; k < std::min(lines_, first + group); ++k) out[c * lines_ + k] = {re[(k - first) / 8][k % 8], im[(k - first) / 8][k % 8]};
      }
    }
    return out;
  }

 private:
  static constexpr std::size_t group = 16;  // lines side by side
  std::size_t half_;
  std::size_t lines_;
  std::size_t padded_;
  std::vector<float> cos_, sin_;  // [sample * padded + line - 1]
};

/// The same with real and imaginary parts apart, which compilers turn into vector instructions.
struct LinePlanes {
  std::vector<float> re, im;
  explicit LinePlanes(std::size_t n) : re(n), im(n) {}
};

/// Adds one signal's cross-spectra between every block of so many cycles and the next, each line by its weight.
PIPEBEAT_WIDE void add_cross_spectra(const LineValues& x, std::size_t cycles, std::size_t block, LinePlanes& cross) {
  const std::size_t K = x.size() / cycles;
  const std::size_t pairs = cycles - 2 * block + 1;
  std::vector<float> power(K, 1e-20F);
  for (std::size_t c = 0; c < cycles; ++c) {
    for (std::size_t k = 0; k < K; ++k) power[k] += std::norm(x[c * K + k]);
  }
  LinePlanes sum{(cycles - block + 1) * K};  // of the block that begins with a cycle
  for (std::size_t i = 0; i < sum.re.size(); ++i) {
    for (std::size_t b = 0; b < block; ++b) {
      sum.re[i] += x[i + b * K].real();
      sum.im[i] += x[i + b * K].imag();
    }
  }
  LinePlanes own{pairs * K};
  std::vector<float> coherent(K, 0.0F);
  for (std::size_t p = 0; p < pairs; ++p) {
    const float* const before_re = sum.re.data() + p * K;
    const float* const before_im = sum.im.data() + p * K;
    const float* const after_re = before_re + block * K;
    const float* const after_im = before_im + block * K;
    float* const own_re = own.re.data() + p * K;
    float* const own_im = own.im.data() + p * K;
    for (std::size_t k = 0; k < K; ++k) {
      own_re[k] = after_re[k] * before_re[k] + after_im[k] * before_im[k];
      own_im[k] = after_im[k] * before_re[k] - after_re[k] * before_im[k];
      coherent[k] += std::sqrt(own_re[k] * own_re[k] + own_im[k] * own_im[k]);
    }
  }
  // Weight: excess of |cross| over what noise of that power gives.
  std::vector<float> weight(K);
  for (std::size_t k = 0; k < K; ++k) {
    const float per = power[k] / static_cast<float>(cycles) * static_cast<float>(block * block);
    const float ratio = coherent[k] / static_cast<float>(pairs) / per;
    const float noise = 1.0F / static_cast<float>(block);
    const float w = std::clamp((ratio - noise) / (1.0F - noise), 0.0F, 1.0F);
    weight[k] = w * w / per;
  }
  for (std::size_t p = 0; p < pairs; ++p) {
    for (std::size_t k = 0; k < K; ++k) {
      cross.re[p * K + k] += weight[k] * own.re[p * K + k];
      cross.im[p * K + k] += weight[k] * own.im[p * K + k];
    }
  }
}

/// Finds by what share of a cycle one cycle must be turned to lie on another.
class TurnSearch {
 public:
  /// Turns from -limit to limit cycles in `steps` steps. `lines`: a multiple of 4.
  TurnSearch(double limit, std::size_t steps, std::size_t lines) : lines_{lines} {
    for (std::size_t s = 0; s < steps; ++s) {
      const double share = 2.0 * static_cast<double>(s) / static_cast<double>(steps - 1) - 1.0;
      turn_.push_back(limit * share);
      // Less trust in turns that are as large as the search allows.
      const double trust = 1.0 - 0.2 * share * share;
      const std::complex<double> step = std::polar(1.0, 2.0 * std::numbers::pi * turn_.back());
      std::complex<double> z = step * trust;
      for (std::size_t k = 0; k < lines; ++k, z *= step) {
        phasor_.push_back(static_cast<float>(z.real()));
        phasor_.push_back(static_cast<float>(-z.imag()));
      }
    }
    phasor_.resize(phasor_.size() + 6 * lines);  // they are read four at a time
  }

  struct Best {
    double turn;
    double sum;  ///< of the lines, turned: their common part
  };
  /// `cross`: cross-spectrum, `lines` values.
  [[nodiscard]] PIPEBEAT_WIDE Best best(const std::complex<float>* cross) const {
    Best best{0.0, -1e30};
    const auto* const values = reinterpret_cast<const float*>(cross);
    const std::size_t length = 2 * lines_;
    std::array<float, 4> sum;
    for (std::size_t s = 0; s < turn_.size(); s += sum.size()) {
      four_dots(values, phasor_.data() + s * length, length, length, sum.data());
      for (std::size_t i = 0; i < std::min(sum.size(), turn_.size() - s); ++i) {
        if (static_cast<double>(sum[i]) > best.sum) best = {turn_[s + i], sum[i]};
      }
    }
    return best;
  }

 private:
  std::size_t lines_;
  std::vector<double> turn_;
  std::vector<float> phasor_;  // conjugate, per turn and line
};

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

void PhaseTrack::take_off(const std::function<double(double)>& ahead) {
  double last = -1.0;
  for (double& p : cycles) {
    p = std::max(p - ahead(p), last + 1e-6);
    last = p;
  }
  const double first = cycles.front();
  for (double& p : cycles) p -= first;
}

RunningSums::RunningSums(const Signals& signals) : rate_hz_{signals.rate_hz}, sum_(std::max<std::size_t>(2, signals.size() + 1)) {
  std::array<double, signal_count> sum{};
  for (std::size_t i = 0; i < signals.size(); ++i) {
    for (std::size_t m = 0; m < signal_count; ++m) {
      if (i < signals.value[m].size()) sum[m] += signals.value[m][i];
    }
    sum_[i + 1] = sum;
  }
}

PIPEBEAT_WIDE Folded fold(const RunningSums& signals, const PhaseTrack& phase, std::size_t per_cycle) {
  // The four envelopes side by side.
  static_assert(signal_count == 5);
  using Envelopes = double __attribute__((vector_size(32)));
  using InPlace __attribute__((aligned(alignof(double)), may_alias)) = Envelopes;
  Folded out;
  out.per_cycle = per_cycle;
  out.cycles = static_cast<std::size_t>(std::floor(phase.total()));
  const std::size_t total = out.cycles * per_cycle;
  for (auto& v : out.value) v.resize(total);
  out.start_s.resize(out.cycles + 1);
  const std::array<float*, signal_count> to{out.value[0].data(), out.value[1].data(), out.value[2].data(), out.value[3].data(), out.value[4].data()};
  const auto sums = signals.sums();
  const std::size_t last = std::max<std::size_t>(sums.size(), 2) - 2;
  // All in signal samples.
  const double hop = phase.hop_s * signals.rate_hz();
  std::size_t seg = 0;
  double per_phase = 0.0;
  double begin = 0.0;  // of the track's step
  double edge = 0.0;   // of an angle slot
  // Integrals of the signals up to there; what lies beyond the ends counts as silence.
  double low = 0.0;
  Envelopes envelopes{};
  for (std::size_t i = 0; i <= total; ++i) {
    const double p = static_cast<double>(i) / static_cast<double>(per_cycle);
    if (i == 0 || phase.cycles[seg + 1] < p) {
      while (seg + 2 < phase.cycles.size() && phase.cycles[seg + 1] < p) ++seg;
      per_phase = hop / std::max(1e-12, phase.cycles[seg + 1] - phase.cycles[seg]);
      begin = phase.start_s * signals.rate_hz() + hop * static_cast<double>(seg);
    }
    const double next = begin + std::clamp((p - phase.cycles[seg]) * per_phase, 0.0, hop);
    if (i % per_cycle == 0) out.start_s[i / per_cycle] = next / signals.rate_hz();
    const double x = std::clamp(next, 0.0, static_cast<double>(last + 1));
    const auto whole = std::min(static_cast<std::size_t>(x), last);
    const double part = x - static_cast<double>(whole);
    const double* const before = sums[whole].data();
    const double* const after = sums[whole + 1].data();
    const double next_low = before[0] + part * (after[0] - before[0]);
    const Envelopes from = *reinterpret_cast<const InPlace*>(before + 1);
    const Envelopes next_envelopes = from + part * (*reinterpret_cast<const InPlace*>(after + 1) - from);
    if (i > 0) {
      const double share = next > edge ? 1.0 / (next - edge) : 0.0;
      to[0][i - 1] = static_cast<float>((next_low - low) * share);
      const Envelopes mean = (next_envelopes - envelopes) * share;
      for (std::size_t m = 1; m < signal_count; ++m) to[m][i - 1] = static_cast<float>(mean[m - 1]);
    }
    edge = next;
    low = next_low;
    envelopes = next_envelopes;
  }
  return out;
}

Folded fold(const Signals& signals, const PhaseTrack& phase, std::size_t per_cycle) {
  return fold(RunningSums{signals}, phase, per_cycle);
}

PhaseTrack refine(const RunningSums& signals, PhaseTrack phase, int lines, int rounds) {
  const std::size_t per_cycle = grid_for(lines);
  const auto K = std::min(static_cast<std::size_t>(lines), per_cycle / 2);
  const LineTransform transform{per_cycle, K};
  const TurnSearch wide{0.5 / 4.0, 121, K};
  const TurnSearch narrow{0.06, 121, K};
  for (int round = 0; round < rounds; ++round) {
    const Folded f = fold(signals, phase, per_cycle);
    if (f.cycles < 4) return phase;
    // Drift between neighbouring blocks of cycles: delta (in cycles) that maximises the matched
    // sum of cross-spectra. Early rounds use long blocks, the last one short.
    const std::size_t block = round == 0 ? 3 : 2;
    const std::size_t pairs = f.cycles >= 2 * block ? f.cycles - 2 * block + 1 : 0;
    if (pairs == 0) return phase;
    // Cross-spectra per pair and line, whitened by the line's mean power, over all signals.
    LinePlanes cross{pairs * K};
    for (std::size_t m = 0; m < f.value.size(); ++m) add_cross_spectra(transform.of(f, m), f.cycles, block, cross);
    // Smooth the cross-spectra over neighbours, then find the drift per pair.
    std::vector<double> size(pairs, 0.0);
    for (std::size_t p = 0; p < pairs; ++p) {
      for (std::size_t k = p * K; k < (p + 1) * K; ++k) size[p] += std::sqrt(cross.re[k] * cross.re[k] + cross.im[k] * cross.im[k]);
    }
    std::vector<double> drift(pairs, 0.0);
    std::vector<double> trust(pairs, 0.0);
    const std::size_t reach = round == 0 ? 2 : round == 1 ? 1 : 0;
    LineValues around(K);
    for (std::size_t p = 0; p < pairs; ++p) {
      std::fill(around.begin(), around.end(), std::complex<float>{});
      double total = 1e-20;
      for (std::size_t q = p >= reach ? p - reach : 0; q <= std::min(pairs - 1, p + reach); ++q) {
        for (std::size_t k = 0; k < K; ++k) around[k] += std::complex<float>{cross.re[q * K + k], cross.im[q * K + k]};
        total += size[q];
      }
      const auto best = (round == 0 ? wide : narrow).best(around.data());
      drift[p] = best.turn;
      trust[p] = std::max(0.0, best.sum / total);
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

std::size_t anchor_grid(std::size_t lines) { return grid_for(static_cast<int>(lines)); }

CycleSpectra cycle_spectra(const Folded& folded, std::size_t lines) {
  CycleSpectra out;
  const std::size_t M = folded.per_cycle;
  out.cycles = folded.cycles;
  out.lines = std::min(lines, M / 2);
  const LineTransform transform{M, out.lines, 1.0 / static_cast<double>(M)};
  for (std::size_t m = 0; m < signal_count; ++m) {
    out.value[m] = transform.of(folded, m);
    double whole = 0.0;
    for (std::size_t c = 0; c < out.cycles; ++c) whole += dot(folded.value[m].data() + c * M, folded.value[m].data() + c * M, M);
    out.power[m] = whole / static_cast<double>(std::max<std::size_t>(1, folded.value[m].size()));
  }
  return out;
}

PhaseTrack anchor(const CycleSpectra& cycles, PhaseTrack phase, const std::vector<bool>& use) {
  const std::size_t K = cycles.lines;
  const std::size_t C = cycles.cycles;
  if (C < 8) return phase;
  // Sum over signals of whitened cross-spectra between blocks of cycles and the mean of the rest.
  const std::size_t reach = 3;
  LineValues cross(C * K);
  for (const LineValues& x : cycles.value) {
    LineValues sum(K);
    std::vector<float> power(K, 1e-20F);
    float count = 1e-9F;
    for (std::size_t c = 0; c < C; ++c) {
      if (!use.empty() && (c >= use.size() || !use[c])) continue;
      count += 1.0F;
      for (std::size_t k = 0; k < K; ++k) {
        sum[k] += x[c * K + k];
        power[k] += std::norm(x[c * K + k]);
      }
    }
    std::vector<float> weight(K);
    for (std::size_t k = 0; k < K; ++k) {
      // Share of the line that agrees with the mean, less what chance gives.
      const float share = std::max(0.0F, std::norm(sum[k]) / count / power[k] - 1.0F / count);
      weight[k] = share / power[k];
    }
    LineValues own(K);
    for (std::size_t c = 0; c < C; ++c) {
      std::fill(own.begin(), own.end(), std::complex<float>{});
      for (std::size_t q = c >= reach ? c - reach : 0; q <= std::min(C - 1, c + reach); ++q) {
        for (std::size_t k = 0; k < K; ++k) own[k] += x[q * K + k];
      }
      for (std::size_t k = 0; k < K; ++k) {
        const auto rest = sum[k] - own[k];
        const float re = own[k].real() * rest.real() + own[k].imag() * rest.imag();
        const float im = own[k].imag() * rest.real() - own[k].real() * rest.imag();
        cross[c * K + k] += std::complex<float>{weight[k] * re, weight[k] * im};
      }
    }
  }
  std::vector<double> shift(C, 0.0);
  const TurnSearch search{0.06, 81, K};
  for (std::size_t c = 0; c < C; ++c) shift[c] = search.best(cross.data() + c * K).turn;
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

PhaseTrack rejoin(const RunningSums& signals, PhaseTrack phase, int lines, const std::vector<bool>& repeating) {
  struct Run {
    std::size_t begin, end;
    double turn = 0.0;
  };
  // No engine is stopped and started again within two seconds (common practice, no source): over a
  // shorter gap the phase is still known.
  constexpr double shortest_stop_s = 2.0;
  std::vector<Run> runs;
  std::size_t longest = 0;
  for (std::size_t c = 0; c < repeating.size();) {
    std::size_t end = c;
    while (end < repeating.size() && repeating[end]) ++end;
    if (end > c) {
      const bool follows = !runs.empty() && phase.time_of(static_cast<double>(c)) - phase.time_of(static_cast<double>(runs.back().end)) < shortest_stop_s;
      if (follows) runs.back().end = end;
      else runs.push_back({c, end});
    }
    c = end + 1;
  }
  if (runs.size() < 2) return phase;
  for (std::size_t r = 1; r < runs.size(); ++r) {
    if (runs[r].end - runs[r].begin > runs[longest].end - runs[longest].begin) longest = r;
  }

  const std::size_t per_cycle = grid_for(lines);
  const auto K = std::min(static_cast<std::size_t>(lines), per_cycle / 2);
  const LineTransform transform{per_cycle, K};
  const Folded f = fold(signals, phase, per_cycle);
  LineValues cross(runs.size() * K);
  for (std::size_t m = 0; m < f.value.size(); ++m) {
    const LineValues x = transform.of(f, m);
    LineValues sum(runs.size() * K);
    std::vector<float> power(K, 1e-20F);
    for (std::size_t r = 0; r < runs.size(); ++r) {
      for (std::size_t c = runs[r].begin; c < std::min(runs[r].end, f.cycles); ++c) {
        if (!repeating[c]) continue;
        for (std::size_t k = 0; k < K; ++k) {
          sum[r * K + k] += x[c * K + k];
          if (r == longest) power[k] += std::norm(x[c * K + k]);
        }
      }
    }
    const auto count = static_cast<float>(runs[longest].end - runs[longest].begin);
    for (std::size_t k = 0; k < K; ++k) {
      const auto to = sum[longest * K + k];
      // Share of the line that agrees with the longest run's mean, less what chance gives.
      const float weight = std::max(0.0F, std::norm(to) / count / power[k] - 1.0F / count) / power[k];
      for (std::size_t r = 0; r < runs.size(); ++r) {
        const auto own = sum[r * K + k];
        cross[r * K + k] += weight * std::complex<float>{own.real() * to.real() + own.imag() * to.imag(),
                                                         own.imag() * to.real() - own.real() * to.imag()};
      }
    }
  }
  const TurnSearch search{0.5, 8 * K + 1, K};
  for (std::size_t r = 0; r < runs.size(); ++r) {
    if (r != longest) runs[r].turn = search.best(cross.data() + r * K).turn;
  }
  // A run that comes late by d has a true phase behind ours by d.
  phase.take_off([&](double p) {
    const auto next = static_cast<std::size_t>(
        std::find_if(runs.begin(), runs.end(), [&](const Run& r) { return p < static_cast<double>(r.end); }) - runs.begin());
    double turn = runs[std::min(next, runs.size() - 1)].turn;
    if (next > 0 && next < runs.size() && p < static_cast<double>(runs[next].begin)) {
      const auto from = static_cast<double>(runs[next - 1].end);
      const double t = (p - from) / (static_cast<double>(runs[next].begin) - from);
      turn = (1.0 - t) * runs[next - 1].turn + t * turn;
    }
    return turn;
  });
  return phase;
}

}  // namespace pipebeat::core
