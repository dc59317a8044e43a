#include "core/speed.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include "core/fft.hpp"

namespace pipebeat::core {

namespace {

constexpr double hop_s = 0.1;
constexpr double grid_step = 0.006;  // relative spacing of candidate frequencies
constexpr double slowest_rpm = 380.0;
constexpr double fastest_rpm = 4500.0;
constexpr float running_repeat = 0.38F;  // noise alone: median 0.11, 75 % below 0.28

/// Comb strength over time (rows, every hop_s) and candidate cycle frequency (columns).
struct SalienceMap {
  std::vector<double> cycle_hz;
  std::vector<std::vector<float>> rows;
};

/// Adds weight * (log power less its local mean) of a spectrum to `out`.
void add_whitened(std::span<const std::complex<float>> bins, double bin_hz, float weight,
                  std::vector<float>& out) {
  const std::size_t n = bins.size();
  std::vector<float> log_power(n);
  std::vector<double> cumulative(n + 1, 0.0);
  for (std::size_t i = 0; i < n; ++i) {
    log_power[i] = std::log(std::norm(bins[i]) + 1e-20F);
    cumulative[i + 1] = cumulative[i] + log_power[i];
  }
  for (std::size_t i = 0; i < n; ++i) {
    const double f = static_cast<double>(i) * bin_hz;
    const double half = std::max(30.0, 0.4 * f);
    const auto low = static_cast<std::size_t>(std::max(1.0, (f - half) / bin_hz));
    const auto high = std::min(n, static_cast<std::size_t>((f + half) / bin_hz) + 1);
    const double mean = (cumulative[high] - cumulative[low]) / static_cast<double>(high - low);
    out[i] += weight * std::clamp(log_power[i] - static_cast<float>(mean), -3.0F, 5.0F);
  }
}

/// Weights of cycle lines 1..K in the comb: what a healthy engine of this layout shows, plus a
/// little for every line, since a dead cylinder fills the others.
std::vector<double> line_weights(const Engine& engine, std::size_t lines) {
  const auto P = static_cast<double>(engine.positions().size());
  std::vector<double> w(lines);
  for (std::size_t k = 1; k <= lines; ++k) {
    w[k - 1] = (std::norm(engine.line(static_cast<int>(k))) + 0.12) / (1.0 + 0.5 * static_cast<double>(k) / P);
  }
  return w;
}

SalienceMap salience_map(const Signals& signals, const Engine& engine, double low_hz, double high_hz) {
  SalienceMap map;
  for (double f = low_hz; f <= high_hz; f *= 1.0 + grid_step) map.cycle_hz.push_back(f);

  const std::size_t P = engine.positions().size();
  const std::size_t K = std::max<std::size_t>(6, 4 * P);
  const std::vector<double> on_weight = line_weights(engine, K);
  std::vector<double> off_weight(K);
  double on_sum = 0.0;
  double off_sum = 0.0;
  for (std::size_t k = 0; k < K; ++k) {
    off_weight[k] = 1.0 / (1.0 + 0.5 * static_cast<double>(k) / static_cast<double>(P));
    on_sum += on_weight[k];
    off_sum += off_weight[k];
  }

  // Two windows: a short one follows moving speed, a long one parts the lines of slow engines.
  const std::array<std::size_t, 2> lengths{1024, 2048};
  const RealFft fft{4096};
  const double bin_hz = signals.rate_hz / static_cast<double>(fft.length());
  std::array<std::vector<float>, 2> window;
  for (std::size_t w = 0; w < 2; ++w) {
    window[w].resize(lengths[w]);
    for (std::size_t i = 0; i < lengths[w]; ++i) {
      window[w][i] = static_cast<float>(0.5 - 0.5 * std::cos(2.0 * std::numbers::pi * (static_cast<double>(i) + 0.5) / static_cast<double>(lengths[w])));
    }
  }
  std::vector<float> buffer(fft.length());
  std::vector<std::complex<float>> bins(fft.bins());
  std::vector<float> level(fft.bins());
  const std::size_t n = signals.size();
  const auto frames = static_cast<std::size_t>(static_cast<double>(n) / signals.rate_hz / hop_s) + 1;
  for (std::size_t frame = 0; frame < frames; ++frame) {
    const auto centre = static_cast<std::ptrdiff_t>(static_cast<double>(frame) * hop_s * signals.rate_hz);
    std::fill(level.begin(), level.end(), 0.0F);
    for (std::size_t w = 0; w < 2; ++w) {
      const std::ptrdiff_t begin = centre - static_cast<std::ptrdiff_t>(lengths[w] / 2);
      for (std::size_t m = 0; m < signal_count; ++m) {
        const auto& s = signals.value[m];
        std::fill(buffer.begin(), buffer.end(), 0.0F);
        double mean = 0.0;
        for (std::size_t i = 0; i < lengths[w]; ++i) {
          const std::ptrdiff_t at = begin + static_cast<std::ptrdiff_t>(i);
          buffer[i] = at >= 0 && at < static_cast<std::ptrdiff_t>(n) ? s[static_cast<std::size_t>(at)] : 0.0F;
          mean += buffer[i];
        }
        mean /= static_cast<double>(lengths[w]);
        for (std::size_t i = 0; i < lengths[w]; ++i) buffer[i] = (buffer[i] - static_cast<float>(mean)) * window[w][i];
        fft.forward(buffer, bins);
        add_whitened(bins, bin_hz, m == 0 ? 0.3F : 0.175F, level);
      }
    }
    const auto at = [&](double hz) {
      const double x = hz / bin_hz;
      const auto i = static_cast<std::size_t>(x);
      if (i + 1 >= level.size()) return 0.0F;
      const float t = static_cast<float>(x - static_cast<double>(i));
      return level[i] * (1.0F - t) + level[i + 1] * t;
    };
    std::vector<float> row(map.cycle_hz.size());
    for (std::size_t c = 0; c < row.size(); ++c) {
      const double f = map.cycle_hz[c];
      double on = 0.0;
      double off = 0.0;
      for (std::size_t k = 0; k < K; ++k) {
        on += on_weight[k] * at(static_cast<double>(k + 1) * f);
        off += off_weight[k] * at((static_cast<double>(k) + 0.5) * f);
      }
      row[c] = static_cast<float>(on / on_sum - 0.3 * off / off_sum);
    }
    map.rows.push_back(std::move(row));
  }
  return map;
}

/// Best path through the map (Viterbi, A. Viterbi 1967) with a pull towards `centre_hz`. Returns
/// the column per frame.
std::vector<std::size_t> best_path(const SalienceMap& map, double centre_hz, double pull) {
  const std::size_t F = map.rows.size();
  const std::size_t C = map.cycle_hz.size();
  constexpr int reach = 30;              // columns per hop: speed may move by 20 % in 0.1 s
  constexpr float move_cost = 0.004F;    // per squared column
  std::vector<float> prior(C);
  for (std::size_t c = 0; c < C; ++c) {
    const double x = std::log(map.cycle_hz[c] / centre_hz);
    prior[c] = static_cast<float>(-pull * x * x);
  }
  std::vector<std::int8_t> from(F * C, 0);
  std::vector<float> score(C);
  std::vector<float> next(C);
  for (std::size_t c = 0; c < C; ++c) score[c] = map.rows[0][c] + prior[c];
  for (std::size_t f = 1; f < F; ++f) {
    for (std::size_t c = 0; c < C; ++c) {
      float best = -1e30F;
      int arg = 0;
      const int low = std::max(-reach, -static_cast<int>(c));
      const int high = std::min(reach, static_cast<int>(C - 1 - c));
      for (int d = low; d <= high; ++d) {
        const float v = score[static_cast<std::size_t>(static_cast<int>(c) + d)] - move_cost * static_cast<float>(d * d);
        if (v > best) {
          best = v;
          arg = d;
        }
      }
      next[c] = best + map.rows[f][c] + prior[c];
      from[f * C + c] = static_cast<std::int8_t>(arg);
    }
    score.swap(next);
  }
  std::vector<std::size_t> path(F);
  auto c = static_cast<std::size_t>(std::max_element(score.begin(), score.end()) - score.begin());
  for (std::size_t f = F; f-- > 0;) {
    path[f] = c;
    if (f > 0) c = static_cast<std::size_t>(static_cast<int>(c) + from[f * C + c]);
  }
  return path;
}

PhaseTrack integrate(const std::vector<double>& cycle_hz) {
  PhaseTrack phase;
  phase.hop_s = hop_s;
  double sum = 0.0;
  for (std::size_t i = 0; i < cycle_hz.size(); ++i) {
    if (i > 0) sum += 0.5 * hop_s * (cycle_hz[i - 1] + cycle_hz[i]);
    phase.cycles.push_back(sum);
  }
  return phase;
}

/// Cycles during which an engine runs: they lie on their neighbours, over at least four cycles.
std::vector<bool> running_cycles(const CycleLines& lines) {
  const std::size_t C = lines.cycles;
  std::vector<bool> running(C, false);
  for (std::size_t c = 0; c < C; ++c) {
    float sum = 0.0F;
    int count = 0;
    for (std::size_t q = c >= 2 ? c - 2 : 0; q <= std::min(C - 1, c + 2); ++q) {
      sum += lines.repeat[q];
      ++count;
    }
    running[c] = sum / static_cast<float>(count) > running_repeat;
  }
  for (std::size_t c = 0; c < C;) {
    std::size_t end = c;
    while (end < C && running[end] == running[c]) ++end;
    if (running[c] && end - c < 4) std::fill(running.begin() + static_cast<std::ptrdiff_t>(c), running.begin() + static_cast<std::ptrdiff_t>(end), false);
    c = end;
  }
  return running;
}

/// Log density of running speeds: most recordings are idles, some are held higher. The idle of an
/// engine depends on its size: twins and singles idle faster (common practice, no source).
double log_prior(const Engine& engine, double rpm) {
  const double idle = engine.strokes() == 2 ? 1400.0 : engine.cylinders() >= 3 ? 780.0 : 1120.0;
  const double spread = engine.cylinders() >= 3 && engine.strokes() == 4 ? 0.22 : 0.3;
  const double x = std::log(rpm / idle) / spread;
  const double at_idle = std::exp(-0.5 * x * x) / (spread * std::sqrt(2.0 * std::numbers::pi));
  const double anywhere = 1.0 / std::log(fastest_rpm / slowest_rpm);
  return std::log(0.7 * at_idle + 0.3 * anywhere);
}

struct Look {
  CycleLines lines;
  std::vector<bool> running;
};

Look look_at(const Signals& signals, const Engine& engine, const PhaseTrack& phase) {
  Look look;
  std::size_t per_cycle = 64;
  while (per_cycle < 2 * beat_lines(engine) + 2) per_cycle *= 2;
  const Folded folded = fold(signals, phase, per_cycle);
  if (folded.cycles < 4) return look;
  look.running = running_cycles(cycle_lines(folded, beat_lines(engine)));
  look.lines = cycle_lines(folded, beat_lines(engine), look.running);
  return look;
}

/// Mean over lines that `wanted` picks of the best coherence among the signals.
template <class Pick>
double mean_coherence(const CycleLines& lines, std::size_t last, Pick wanted) {
  double sum = 0.0;
  int count = 0;
  for (std::size_t k = 1; k <= std::min(last, lines.lines); ++k) {
    if (!wanted(k)) continue;
    double best = 0.0;
    for (const auto& c : lines.coherence) best = std::max(best, c[k - 1]);
    sum += best;
    ++count;
  }
  return count > 0 ? sum / count : 0.0;
}

/// Same cycles, `n` at a time, as if one engine cycle took n of these.
Folded regroup(const Folded& folded, std::size_t n) {
  Folded out;
  out.cycles = folded.cycles / n;
  out.per_cycle = folded.per_cycle * n;
  for (std::size_t m = 0; m < folded.value.size(); ++m) {
    out.value[m].assign(folded.value[m].begin(), folded.value[m].begin() + static_cast<std::ptrdiff_t>(out.cycles * out.per_cycle));
  }
  return out;
}

void measure(SpeedCandidate& candidate, const Signals& signals, const Engine& engine, double salience) {
  std::size_t per_cycle = 64;
  while (per_cycle < 2 * beat_lines(engine) + 2) per_cycle *= 2;
  const Folded folded = fold(signals, candidate.phase, per_cycle);
  const CycleLines lines = cycle_lines(folded, beat_lines(engine), candidate.running);
  const auto P = engine.positions().size();

  double time = 0.0;
  double count = 0.0;
  double repeat = 0.0;
  for (std::size_t c = 0; c < folded.cycles; ++c) {
    if (!candidate.running[c]) continue;
    time += folded.start_s[c + 1] - folded.start_s[c];
    repeat += lines.repeat[c];
    count += 1.0;
  }
  const double total = static_cast<double>(signals.size()) / signals.rate_hz;
  const double cycle_hz = time > 0.0 ? count / time : 0.0;
  candidate.mean_rpm = engine.speed(Hertz{cycle_hz}).value();

  double information = 0.0;  // nats per cycle that a cycle tells of the next
  for (const auto& coherence : lines.coherence) {
    for (double g : coherence) {
      const double x = std::clamp(g, 0.0, 0.99);
      information -= std::log(1.0 - x * x);
    }
  }
  std::vector<double> strength(lines.lines + 1);
  for (std::size_t k = 1; k <= lines.lines; ++k) strength[k] = std::abs(engine.line(static_cast<int>(k)));
  std::vector<std::size_t> strong;
  for (std::size_t k = 1; k <= lines.lines; ++k) {
    if (strength[k] > 0.6) strong.push_back(k);
  }
  const auto strong_at = [&](std::size_t i) {
    if (i >= strong.size()) return 0.0;
    const std::size_t k = strong[i];
    return mean_coherence(lines, k, [&](std::size_t q) { return q == k; });
  };
  const double nulls = mean_coherence(lines, 2 * P, [&](std::size_t k) { return strength[k] < 0.4; });
  double halves = 0.0;
  double thirds = 0.0;
  if (folded.cycles >= 12) {
    std::vector<bool> both(folded.cycles / 2);
    for (std::size_t c = 0; c < both.size(); ++c) both[c] = candidate.running[2 * c] && candidate.running[2 * c + 1];
    const CycleLines doubled = cycle_lines(regroup(folded, 2), 4 * P, both);
    halves = mean_coherence(doubled, 4 * P, [](std::size_t k) { return k % 2 == 1; });
    std::vector<bool> three(folded.cycles / 3);
    for (std::size_t c = 0; c < three.size(); ++c) three[c] = candidate.running[3 * c] && candidate.running[3 * c + 1] && candidate.running[3 * c + 2];
    const CycleLines tripled = cycle_lines(regroup(folded, 3), 6 * P, three);
    thirds = mean_coherence(tripled, 6 * P, [](std::size_t k) { return k % 3 != 0; });
  }
  candidate.features = {count > 0.0 ? log_prior(engine, candidate.mean_rpm) : -10.0,
                        salience,
                        count > 0.0 ? repeat / count : 0.0,
                        time / std::max(total, 1e-9),
                        std::log(information * cycle_hz + 1.0),
                        strong_at(0),
                        strong_at(1),
                        strong_at(2),
                        nulls,
                        halves,
                        thirds,
                        std::min({strong_at(0), strong_at(1), strong_at(2)})};
}

/// Weights of the features in the choice among candidates of one recording (softmax regression).
constexpr SpeedFeatures choice_weight{0.8, 1.7, 0.1, 0.5, -0.1, 0.5, 0.3, 0.2, 0.4, -0.2, -0.2, 0.35};

}  // namespace

std::size_t beat_lines(const Engine& engine) {
  return std::max<std::size_t>(12, 4 * engine.positions().size());
}

std::vector<SpeedCandidate> find_speed(const Signals& signals, const Engine& engine,
                                       std::optional<Rpm> guess) {
  std::vector<SpeedCandidate> candidates;
  const double duration = static_cast<double>(signals.size()) / signals.rate_hz;
  if (duration < 0.5) return candidates;
  const double low = guess ? guess->value() * 0.85 : slowest_rpm;
  const double high = guess ? guess->value() * 1.15 : fastest_rpm;
  const SalienceMap map = salience_map(signals, engine, engine.cycle_frequency(Rpm{low}).value(),
                                       engine.cycle_frequency(Rpm{high}).value());
  // Where each path is drawn to, in rpm; the first is free.
  constexpr std::array<double, 6> centres{0.0, 600.0, 850.0, 1250.0, 1800.0, 2800.0};
  std::vector<std::vector<std::size_t>> seen;
  for (const double centre : centres) {
    const double pull = centre > 0.0 && !guess ? 2.0 : 0.0;
    const auto path = best_path(map, engine.cycle_frequency(Rpm{std::max(centre, 1.0)}).value(), pull);
    const bool known = std::any_of(seen.begin(), seen.end(), [&](const auto& other) {
      std::size_t apart = 0;
      for (std::size_t f = 0; f < path.size(); ++f) {
        const auto d = static_cast<std::ptrdiff_t>(path[f]) - static_cast<std::ptrdiff_t>(other[f]);
        if (std::abs(d) > 3) ++apart;
      }
      return apart * 20 < path.size();
    });
    if (known) continue;
    seen.push_back(path);
    std::vector<double> cycle_hz(path.size());
    double salience = 0.0;
    for (std::size_t f = 0; f < path.size(); ++f) {
      cycle_hz[f] = map.cycle_hz[path[f]];
      salience += map.rows[f][path[f]] / static_cast<float>(path.size());
    }
    SpeedCandidate candidate;
    const auto lines = static_cast<int>(beat_lines(engine));
    candidate.phase = refine(signals, integrate(cycle_hz), lines, 3);
    for (int round = 0; round < 2; ++round) {
      const Look look = look_at(signals, engine, candidate.phase);
      if (look.running.empty()) break;
      candidate.phase = anchor(signals, candidate.phase, lines, look.running);
    }
    candidate.running = look_at(signals, engine, candidate.phase).running;
    if (candidate.running.empty()) continue;
    measure(candidate, signals, engine, salience);
    candidates.push_back(std::move(candidate));
  }
  double sum = 0.0;
  for (SpeedCandidate& c : candidates) {
    for (std::size_t i = 0; i < speed_feature_count; ++i) c.score += choice_weight[i] * c.features[i];
  }
  double top = -1e30;
  for (const SpeedCandidate& c : candidates) top = std::max(top, c.score);
  for (const SpeedCandidate& c : candidates) sum += std::exp(c.score - top);
  for (SpeedCandidate& c : candidates) c.probability = std::exp(c.score - top) / sum;
  std::stable_sort(candidates.begin(), candidates.end(),
                   [](const SpeedCandidate& a, const SpeedCandidate& b) { return a.score > b.score; });
  return candidates;
}

}  // namespace pipebeat::core
