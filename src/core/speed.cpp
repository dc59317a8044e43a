#include "core/speed.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include "core/fft.hpp"

namespace pipebeat::core {

namespace {

constexpr double hop_s = 0.1;
constexpr double grid_step = 0.006;  // relative

struct FrameSpectra {
  double bin_hz;
  std::vector<float> level;  // whitened, summed over signals
};

// log power minus its local mean, clamped.
void add_whitened(std::span<const std::complex<float>> bins, double bin_hz, float weight,
                  std::vector<float>& out) {
  const std::size_t n = bins.size();
  std::vector<float> logp(n);
  for (std::size_t i = 0; i < n; ++i) logp[i] = std::log(std::norm(bins[i]) + 1e-20F);
  std::vector<double> cum(n + 1, 0.0);
  for (std::size_t i = 0; i < n; ++i) cum[i + 1] = cum[i] + logp[i];
  for (std::size_t i = 0; i < n; ++i) {
    const double f = static_cast<double>(i) * bin_hz;
    const double half = std::max(30.0, 0.4 * f);
    const auto lo = static_cast<std::size_t>(std::max(1.0, (f - half) / bin_hz));
    const auto hi = std::min(n, static_cast<std::size_t>((f + half) / bin_hz) + 1);
    const double mean = hi > lo ? (cum[hi] - cum[lo]) / static_cast<double>(hi - lo) : logp[i];
    out[i] += weight * std::clamp(logp[i] - static_cast<float>(mean), -3.0F, 5.0F);
  }
}

}  // namespace

SalienceMap salience_map(const Signals& signals, const Engine& engine) {
  const double rate = signals.rate_hz;
  const std::size_t n = signals.size();
  SalienceMap map;
  map.hop_s = hop_s;
  const double fmin = engine.cycle_frequency(Rpm{380.0}).value();
  const double fmax = engine.cycle_frequency(Rpm{4500.0}).value();
  for (double f = fmin; f < fmax; f *= 1.0 + grid_step) map.cycle_hz.push_back(f);

  const int P = static_cast<int>(engine.positions().size());
  const int K = std::max(6, 4 * P);
  std::vector<double> w(static_cast<std::size_t>(K) + 1);
  for (int k = 1; k <= K; ++k) {
    w[static_cast<std::size_t>(k)] = (std::norm(engine.line(k)) + 0.12) / (1.0 + 0.5 * k / P);
  }
  double wsum = 0.0;
  for (double v : w) wsum += v;
  double hsum = 0.0;
  std::vector<double> wh(static_cast<std::size_t>(K) + 1);
  for (int k = 0; k <= K; ++k) hsum += wh[static_cast<std::size_t>(k)] = 1.0 / (1.0 + 0.5 * k / P);

  const std::array<std::size_t, 2> lengths{1024, 2048};
  const std::size_t fft_len = 4096;
  const RealFft fft{fft_len};
  const double bin_hz = rate / fft_len;
  std::vector<float> buffer(fft_len);
  std::vector<std::complex<float>> bins(fft.bins());
  const auto frames = static_cast<std::size_t>(static_cast<double>(n) / rate / hop_s) + 1;
  std::array<std::vector<float>, 2> level;
  for (std::size_t fr = 0; fr < frames; ++fr) {
    const auto centre = static_cast<std::ptrdiff_t>(static_cast<double>(fr) * hop_s * rate);
    for (std::size_t w2 = 0; w2 < 2; ++w2) {
      level[w2].assign(fft.bins(), 0.0F);
      const std::size_t len = lengths[w2];
      for (int m = 0; m < signal_count; ++m) {
        const auto& s = signals.value[static_cast<std::size_t>(m)];
        std::fill(buffer.begin(), buffer.end(), 0.0F);
        double mean = 0.0;
        for (std::size_t i = 0; i < len; ++i) {
          const std::ptrdiff_t at = centre - static_cast<std::ptrdiff_t>(len / 2) + static_cast<std::ptrdiff_t>(i);
          const float v = at >= 0 && at < static_cast<std::ptrdiff_t>(n) ? s[static_cast<std::size_t>(at)] : 0.0F;
          buffer[i] = v;
          mean += v;
        }
        mean /= static_cast<double>(len);
        for (std::size_t i = 0; i < len; ++i) {
          const double h = 0.5 - 0.5 * std::cos(2.0 * std::numbers::pi * (static_cast<double>(i) + 0.5) / static_cast<double>(len));
          buffer[i] = static_cast<float>((buffer[i] - mean) * h);
        }
        fft.forward(buffer, bins);
        add_whitened(bins, bin_hz, m == 0 ? 0.3F : 0.175F, level[w2]);
      }
    }
    std::vector<float> row(map.cycle_hz.size());
    for (std::size_t c = 0; c < row.size(); ++c) {
      const double f = map.cycle_hz[c];
      double sum = 0.0;
      for (std::size_t w2 = 0; w2 < 2; ++w2) {
        const auto at = [&](double hz) {
          const double x = hz / bin_hz;
          const auto i = static_cast<std::size_t>(x);
          if (i + 1 >= level[w2].size()) return 0.0F;
          const float t = static_cast<float>(x - static_cast<double>(i));
          return level[w2][i] * (1.0F - t) + level[w2][i + 1] * t;
        };
        double on = 0.0;
        double off = 0.0;
        for (int k = 1; k <= K; ++k) on += w[static_cast<std::size_t>(k)] * at(k * f);
        for (int k = 0; k < K; ++k) off += wh[static_cast<std::size_t>(k)] * at((k + 0.5) * f);
        sum += on / wsum - 0.3 * off / hsum;
      }
      row[c] = static_cast<float>(sum);
    }
    map.rows.push_back(std::move(row));
  }
  return map;
}

SpeedTrack best_path(const SalienceMap& map, double centre_hz, double strength) {
  SpeedTrack track;
  track.hop_s = map.hop_s;
  const std::size_t F = map.rows.size();
  const std::size_t C = map.cycle_hz.size();
  const int reach = 30;
  std::vector<float> prior(C, 0.0F);
  for (std::size_t c = 0; c < C; ++c) {
    const double x = std::log(map.cycle_hz[c] / centre_hz);
    prior[c] = static_cast<float>(-strength * x * x);
  }
  std::vector<std::vector<std::int16_t>> from(F, std::vector<std::int16_t>(C, 0));
  std::vector<float> score = map.rows[0];
  std::vector<float> next(C);
  for (std::size_t f = 1; f < F; ++f) {
    for (std::size_t c = 0; c < C; ++c) {
      float best = -1e30F;
      int arg = 0;
      for (int d = -reach; d <= reach; ++d) {
        const auto p = static_cast<std::ptrdiff_t>(c) + d;
        if (p < 0 || p >= static_cast<std::ptrdiff_t>(C)) continue;
        const float v = score[static_cast<std::size_t>(p)] - 0.004F * static_cast<float>(d * d);
        if (v > best) { best = v; arg = d; }
      }
      next[c] = best + map.rows[f][c] + prior[c];
      from[f][c] = static_cast<std::int16_t>(arg);
    }
    score.swap(next);
  }
  auto c = static_cast<std::size_t>(std::max_element(score.begin(), score.end()) - score.begin());
  track.cycle_hz.resize(F);
  track.salience.resize(F);
  for (std::size_t f = F; f-- > 0;) {
    track.cycle_hz[f] = static_cast<float>(map.cycle_hz[c]);
    track.salience[f] = map.rows[f][c];
    if (f > 0) c = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(c) + from[f][c]);
  }
  return track;
}

}  // namespace pipebeat::core
