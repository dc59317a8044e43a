#include "core/speed.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include "core/fft.hpp"
#include "core/line_pattern.hpp"

namespace pipebeat::core {

namespace {

constexpr double hop_s = 0.1;
constexpr double grid_step = 0.006;  // relative spacing of candidate frequencies
constexpr double slowest_rpm = 380.0;
constexpr double fastest_rpm = 4500.0;
constexpr double comb_limit_hz = 600.0;  // lines above carry more hiss than beat
constexpr float running_belong = 0.12F;
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

/// Scores every candidate frequency against one whitened spectrum.
class Comb {
 public:
  Comb(const Engine& engine, const std::vector<double>& cycle_hz, double bin_hz)
      : cycle_hz_{cycle_hz}, bin_hz_{bin_hz} {
    const auto P = static_cast<double>(engine.positions().size());
    const std::size_t K = std::max<std::size_t>(6, 4 * engine.positions().size());
    on_ = line_weights(engine, K);
    off_.resize(K);
    double on_sum = 0.0;
    double off_sum = 0.0;
    for (std::size_t k = 0; k < K; ++k) {
      off_[k] = 1.0 / (1.0 + 0.5 * static_cast<double>(k) / P);
      on_sum += on_[k];
      off_sum += off_[k];
    }
    for (double& w : on_) w /= on_sum;
    for (double& w : off_) w *= 0.3 / off_sum;  // lines halfway between orders speak against
  }

  [[nodiscard]] std::vector<float> row(std::span<const float> level) const {
    const auto at = [&](double hz) {
      const double x = hz / bin_hz_;
      const auto i = static_cast<std::size_t>(x);
      if (i + 1 >= level.size()) return 0.0F;
      const float t = static_cast<float>(x - static_cast<double>(i));
      return level[i] * (1.0F - t) + level[i + 1] * t;
    };
    std::vector<float> out(cycle_hz_.size());
    for (std::size_t c = 0; c < out.size(); ++c) {
      const double f = cycle_hz_[c];
      double sum = 0.0;
      for (std::size_t k = 0; k < on_.size(); ++k) {
        sum += on_[k] * at(static_cast<double>(k + 1) * f) - off_[k] * at((static_cast<double>(k) + 0.5) * f);
      }
      out[c] = static_cast<float>(sum);
    }
    return out;
  }

 private:
  const std::vector<double>& cycle_hz_;
  double bin_hz_;
  std::vector<double> on_;
  std::vector<double> off_;
};

std::vector<float> hann(std::size_t length) {
  std::vector<float> w(length);
  for (std::size_t i = 0; i < length; ++i) {
    w[i] = static_cast<float>(0.5 - 0.5 * std::cos(2.0 * std::numbers::pi * (static_cast<double>(i) + 0.5) / static_cast<double>(length)));
  }
  return w;
}

/// One analysis frame: whitened spectra of all signals, summed. `warp` is the relative speed change
/// per second inside the window: time is bent so that a sound of that chirp becomes steady
/// (fan-chirp transform; Weruaga & Kepesi, Signal Processing 87, 2007).
class FrameSpectrum {
 public:
  explicit FrameSpectrum(double rate_hz) : rate_hz_{rate_hz}, buffer_(fft_.length()), bins_(fft_.bins()) {
    bin_hz_ = rate_hz / static_cast<double>(fft_.length());
    kept_ = std::min(fft_.bins(), static_cast<std::size_t>(comb_limit_hz / bin_hz_));
  }

  [[nodiscard]] double bin_hz() const { return bin_hz_; }
  [[nodiscard]] std::size_t kept() const { return kept_; }

  void add(const Signals& signals, double centre_s, std::span<const float> window, double warp, std::vector<float>& level) {
    const auto n = static_cast<std::ptrdiff_t>(signals.size());
    const double centre = centre_s * rate_hz_;
    const double half = 0.5 * static_cast<double>(window.size());
    for (std::size_t m = 0; m < signal_count; ++m) {
      const auto& s = signals.value[m];
      std::fill(buffer_.begin(), buffer_.end(), 0.0F);
      double mean = 0.0;
      for (std::size_t i = 0; i < window.size(); ++i) {
        // Bent time u(t) = t + warp t^2 / 2, inverted to first order.
        const double u = (static_cast<double>(i) - half) / rate_hz_;
        const double t = u - 0.5 * warp * u * u / (1.0 + warp * u);
        const double x = centre + t * rate_hz_;
        const auto at = static_cast<std::ptrdiff_t>(std::floor(x));
        if (at >= 0 && at + 1 < n) {
          const auto fraction = static_cast<float>(x - static_cast<double>(at));
          const auto k = static_cast<std::size_t>(at);
          buffer_[i] = s[k] * (1.0F - fraction) + s[k + 1] * fraction;
        }
        mean += buffer_[i];
      }
      mean /= static_cast<double>(window.size());
      for (std::size_t i = 0; i < window.size(); ++i) buffer_[i] = (buffer_[i] - static_cast<float>(mean)) * window[i];
      fft_.forward(buffer_, bins_);
      add_whitened(std::span{bins_}.first(kept_), bin_hz_, m == 0 ? 0.3F : 0.175F, level);
    }
  }

 private:
  RealFft fft_{2048};
  double rate_hz_;
  double bin_hz_ = 0.0;
  std::size_t kept_ = 0;
  std::vector<float> buffer_;
  std::vector<std::complex<float>> bins_;
};

SalienceMap salience_map(const Signals& signals, const Engine& engine, double low_hz, double high_hz) {
  SalienceMap map;
  for (double f = low_hz; f <= high_hz; f *= 1.0 + grid_step) map.cycle_hz.push_back(f);
  FrameSpectrum spectrum{signals.rate_hz};
  const Comb comb{engine, map.cycle_hz, spectrum.bin_hz()};
  // Two windows: a short one follows moving speed, a long one parts the lines of slow engines.
  const std::vector<float> brief = hann(1024);
  const std::vector<float> wide = hann(2048);
  std::vector<float> level(spectrum.kept());
  const auto frames = static_cast<std::size_t>(static_cast<double>(signals.size()) / signals.rate_hz / hop_s) + 1;
  for (std::size_t frame = 0; frame < frames; ++frame) {
    std::fill(level.begin(), level.end(), 0.0F);
    spectrum.add(signals, static_cast<double>(frame) * hop_s, brief, 0.0, level);
    spectrum.add(signals, static_cast<double>(frame) * hop_s, wide, 0.0, level);
    map.rows.push_back(comb.row(level));
  }
  return map;
}

/// Best path through the map (Viterbi, A. Viterbi 1967) with a pull towards `centre_hz`. Returns
/// the column per frame.
std::vector<std::size_t> best_path(const SalienceMap& map, double centre_hz, double pull,
                                   const std::vector<bool>& lively = {}) {
  const std::size_t F = map.rows.size();
  const std::size_t C = map.cycle_hz.size();
  constexpr int steady_reach = 30;       // columns per hop: speed may move by 20 % in 0.1 s
  constexpr int lively_reach = 50;
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
    const bool fast = !lively.empty() && lively[f];
    const int reach = fast ? lively_reach : steady_reach;
    const float move_cost = fast ? 0.001F : 0.004F;  // per squared column
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

float mean_around(const std::vector<float>& v, std::size_t at, std::size_t reach) {
  float sum = 0.0F;
  const std::size_t low = at >= reach ? at - reach : 0;
  const std::size_t high = std::min(v.size() - 1, at + reach);
  for (std::size_t i = low; i <= high; ++i) sum += v[i];
  return sum / static_cast<float>(high - low + 1);
}

/// Cycles during which an engine runs: they lie on their neighbours, over at least four cycles, and
/// (where asked) belong to the same sound as those.
std::vector<bool> running_cycles(const CycleLines& lines, bool belonging) {
  const std::size_t C = lines.cycles;
  std::vector<bool> running(C, false);
  for (std::size_t c = 0; c < C; ++c) {
    running[c] = mean_around(lines.repeat, c, 2) > running_repeat &&
                 (!belonging || mean_around(lines.belong, c, 4) > running_belong);
  }
  // A few cycles that differ inside a run are misses or a moment of noise, not a stop.
  constexpr std::size_t longest_gap = 5;
  constexpr std::size_t shortest_run = 4;
  const auto flip_short = [&](bool kind, std::size_t limit, bool edges) {
    for (std::size_t c = 0; c < C;) {
      std::size_t end = c;
      while (end < C && running[end] == running[c]) ++end;
      if (running[c] == kind && end - c <= limit && (edges || (c > 0 && end < C))) {
        std::fill(running.begin() + static_cast<std::ptrdiff_t>(c), running.begin() + static_cast<std::ptrdiff_t>(end), !kind);
      }
      c = end;
    }
  };
  flip_short(false, longest_gap, false);
  flip_short(true, shortest_run - 1, true);
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

/// Folds with just the angle samples that the beat's lines need.
Folded fold_for_lines(const Signals& signals, const Engine& engine, const PhaseTrack& phase) {
  std::size_t per_cycle = 64;
  while (per_cycle < 2 * beat_lines(engine) + 2) per_cycle *= 2;
  return fold(signals, phase, per_cycle);
}

struct Look {
  CycleLines lines;
  std::vector<bool> running;
};

/// `model`: cycles that make the averages (empty: those that repeat).
Look look_at(const Signals& signals, const Engine& engine, const PhaseTrack& phase, const std::vector<bool>& model = {}) {
  Look look;
  const Folded folded = fold_for_lines(signals, engine, phase);
  if (folded.cycles < 4) return look;
  look.running = running_cycles(cycle_lines(folded, beat_lines(engine)), false);
  look.lines = cycle_lines(folded, beat_lines(engine), model.empty() ? look.running : model);
  return look;
}

std::vector<bool> longest_stretch(const std::vector<bool>& running) {
  std::size_t best = 0;
  std::size_t best_length = 0;
  for (std::size_t c = 0; c < running.size();) {
    std::size_t end = c;
    while (end < running.size() && running[end]) ++end;
    if (end - c > best_length) {
      best_length = end - c;
      best = c;
    }
    c = end + 1;
  }
  std::vector<bool> out(running.size(), false);
  std::fill_n(out.begin() + static_cast<std::ptrdiff_t>(best), best_length, true);
  return out;
}

/// Lays the cycles of a rough track on each other and says which of them are an engine's.
void settle(SpeedCandidate& candidate, const Signals& signals, const Engine& engine, int rounds) {
  const auto lines = static_cast<int>(beat_lines(engine));
  candidate.phase = refine(signals, std::move(candidate.phase), lines, rounds);
  for (int round = 0; round < 2; ++round) {
    const Look look = look_at(signals, engine, candidate.phase);
    if (look.running.empty()) return;
    candidate.phase = anchor(signals, candidate.phase, lines, look.running);
  }
  Look look = look_at(signals, engine, candidate.phase);
  if (!look.running.empty()) {
    // What else repeats must belong to the same sound as the longest stretch that does.
    look = look_at(signals, engine, candidate.phase, longest_stretch(look.running));
    look.running = running_cycles(look.lines, true);
  }
  candidate.running = std::move(look.running);
}

double running_seconds(const SpeedCandidate& candidate) {
  double sum = 0.0;
  for (std::size_t c = 0; c < candidate.running.size(); ++c) {
    if (candidate.running[c]) {
      sum += candidate.phase.time_of(static_cast<double>(c + 1)) - candidate.phase.time_of(static_cast<double>(c));
    }
  }
  return sum;
}

/// Follows the speed through what the first pass lost: a blip of the throttle, a flare after
/// starting. In the gaps next to running stretches the comb is searched again with short windows
/// bent for every likely rate of change; the running stretches stay where they are.
/// True when that made the track longer.
bool follow(SpeedCandidate& candidate, const Signals& signals, const Engine& engine) {
  constexpr double longest_gap_s = 3.0;
  constexpr std::array<double, 7> rates{-1.4, -0.7, 0.0, 0.8, 1.7, 2.8, 4.2};  // relative, per second
  const auto frames = candidate.phase.cycles.size();
  std::vector<bool> runs(frames, false);
  for (std::size_t f = 0; f < frames; ++f) {
    const auto c = static_cast<std::size_t>(candidate.phase.cycles[f]);
    runs[f] = c < candidate.running.size() && candidate.running[c];
  }
  const auto reach = static_cast<std::size_t>(longest_gap_s / hop_s);
  std::vector<bool> gap(frames, false);
  std::size_t gaps = 0;
  for (std::size_t f = 0; f < frames; ++f) {
    if (runs[f]) continue;
    const std::size_t low = f >= reach ? f - reach : 0;
    const std::size_t high = std::min(frames - 1, f + reach);
    gap[f] = std::any_of(runs.begin() + static_cast<std::ptrdiff_t>(low), runs.begin() + static_cast<std::ptrdiff_t>(high) + 1, [](bool r) { return r; });
    if (gap[f]) ++gaps;
  }
  if (gaps < 3 || gaps == frames) return false;

  SalienceMap map;
  const double low_hz = engine.cycle_frequency(Rpm{slowest_rpm}).value();
  for (double f = low_hz; f <= engine.cycle_frequency(Rpm{fastest_rpm}).value(); f *= 1.0 + grid_step) map.cycle_hz.push_back(f);
  FrameSpectrum spectrum{signals.rate_hz};
  const Comb comb{engine, map.cycle_hz, spectrum.bin_hz()};
  const std::vector<float> window = hann(640);
  std::vector<float> level(spectrum.kept());
  for (std::size_t f = 0; f < frames; ++f) {
    std::vector<float> row(map.cycle_hz.size(), 0.0F);
    const double time = candidate.phase.start_s + candidate.phase.hop_s * static_cast<double>(f);
    if (gap[f]) {
      std::fill(row.begin(), row.end(), -10.0F);
      for (const double rate : rates) {
        std::fill(level.begin(), level.end(), 0.0F);
        spectrum.add(signals, time, window, rate, level);
        const std::vector<float> own = comb.row(level);
        for (std::size_t c = 0; c < row.size(); ++c) row[c] = std::max(row[c], 2.0F * own[c] - 0.1F * static_cast<float>(std::abs(rate)));
      }
    } else if (runs[f]) {
      const double x = std::log(candidate.phase.frequency(time) / low_hz) / std::log(1.0 + grid_step);
      for (std::size_t c = 0; c < row.size(); ++c) {
        const double d = static_cast<double>(c) - x;
        row[c] = static_cast<float>(-0.5 * std::min(d * d, 400.0));
      }
    }
    map.rows.push_back(std::move(row));
  }
  const auto path = best_path(map, 1.0, 0.0, gap);
  std::vector<double> cycle_hz(frames);
  for (std::size_t f = 0; f < frames; ++f) {
    const double time = candidate.phase.start_s + candidate.phase.hop_s * static_cast<double>(f);
    cycle_hz[f] = runs[f] ? candidate.phase.frequency(time) : map.cycle_hz[path[f]];
  }
  SpeedCandidate longer = candidate;
  longer.phase = integrate(cycle_hz);
  settle(longer, signals, engine, 3);
  if (running_seconds(longer) > running_seconds(candidate) + 0.2) {
    candidate.phase = std::move(longer.phase);
    candidate.running = std::move(longer.running);
    return true;
  }
  return false;
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
  const Folded folded = fold_for_lines(signals, engine, candidate.phase);
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
  // At half the true speed every other strong line is nearly empty.
  const auto odd_against_even = [&](std::size_t m) {
    const std::vector<double> level = line_levels(lines, m);
    std::array<double, 2> sum{};
    std::array<double, 2> n{};
    for (std::size_t i = 0; i < strong.size(); ++i) {
      sum[i % 2] += level[strong[i] - 1];
      n[i % 2] += 1.0;
    }
    return n[1] > 0.0 ? std::clamp(sum[0] / n[0] - sum[1] / n[1], -25.0, 25.0) : 0.0;
  };
  const PatternMisfit misfit = pattern_misfit(lines, 0, engine);
  // At twice the true speed lines stand halfway between ours.
  double half_level = -25.0;
  double halves = 0.0;
  double thirds = 0.0;
  if (folded.cycles >= 12) {
    std::vector<bool> both(folded.cycles / 2);
    for (std::size_t c = 0; c < both.size(); ++c) both[c] = candidate.running[2 * c] && candidate.running[2 * c + 1];
    const CycleLines doubled = cycle_lines(regroup(folded, 2), 4 * P, both);
    halves = mean_coherence(doubled, 4 * P, [](std::size_t k) { return k % 2 == 1; });
    const std::vector<double> level = line_levels(doubled, 0);
    double between = 0.0;
    double on = 0.0;
    double n = 0.0;
    for (const std::size_t k : strong) {
      if (2 * k + 1 > level.size()) break;
      on += level[2 * k - 1];
      n += 1.0;
    }
    const std::size_t last = std::min(level.size(), 4 * P);
    for (std::size_t k = 1; k <= last; k += 2) between += level[k - 1] * 2.0 / static_cast<double>(last);
    if (n > 0.0) half_level = std::clamp(between - on / n, -25.0, 25.0);
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
                        std::min({strong_at(0), strong_at(1), strong_at(2)}),
                        odd_against_even(0) / 10.0,
                        odd_against_even(1) / 10.0,
                        odd_against_even(4) / 10.0,
                        std::min({misfit.healthy, misfit.one_dead, misfit.two_dead}) / 10.0,
                        half_level / 10.0};
}

// Fitted by tools/fit: weights of the features in the choice among candidates.
#include "core/speed_table.inc"

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
    candidate.phase = integrate(cycle_hz);
    settle(candidate, signals, engine, 3);
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
  if (!candidates.empty() && follow(candidates.front(), signals, engine)) {
    SpeedCandidate& first = candidates.front();
    const double salience = first.features[1];
    measure(first, signals, engine, salience);
  }
  return candidates;
}

}  // namespace pipebeat::core
