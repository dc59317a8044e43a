#include "core/running.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "core/seams.hpp"

namespace pipebeat::core {

namespace {

constexpr float running_belong = 0.12F;
constexpr float running_repeat = 0.38F;  // noise alone: median 0.11, 75 % below 0.28

float mean_around(const std::vector<float>& v, std::size_t at, std::size_t reach) {
  float sum = 0.0F;
  const std::size_t low = at >= reach ? at - reach : 0;
  const std::size_t high = std::min(v.size() - 1, at + reach);
  for (std::size_t i = low; i <= high; ++i) sum += v[i];
  return sum / static_cast<float>(high - low + 1);
}

/// Cycles that lie on their neighbours.
std::vector<bool> repeating_cycles(const CycleLines& lines) {
  std::vector<bool> out(lines.cycles);
  for (std::size_t c = 0; c < lines.cycles; ++c) out[c] = mean_around(lines.repeat, c, 2) > running_repeat;
  return out;
}

/// Cycles during which an engine runs: they lie on their neighbours, over at least four cycles, and
/// (where asked) belong to the same sound as those.
std::vector<bool> running_cycles(const CycleLines& lines, bool belonging) {
  const std::size_t C = lines.cycles;
  std::vector<bool> running = repeating_cycles(lines);
  for (std::size_t c = 0; c < C && belonging; ++c) {
    running[c] = running[c] && mean_around(lines.belong, c, 4) > running_belong;
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

/// The run whose cycles are worth most together.
std::vector<bool> best_stretch(const std::vector<bool>& running, const std::vector<float>& worth) {
  std::size_t best = 0;
  std::size_t best_end = 0;
  float most = 0.0F;
  for (std::size_t c = 0; c < running.size();) {
    std::size_t end = c;
    float sum = 0.0F;
    while (end < running.size() && running[end]) sum += worth[end++];
    if (sum > most) {
      most = sum;
      best = c;
      best_end = end;
    }
    c = end + 1;
  }
  std::vector<bool> out(running.size(), false);
  std::fill(out.begin() + static_cast<std::ptrdiff_t>(best), out.begin() + static_cast<std::ptrdiff_t>(best_end), true);
  return out;
}

/// Level of every cycle in every signal: mean envelope, low band rms.
std::array<std::vector<float>, signal_count> cycle_levels(const Folded& folded) {
  std::array<std::vector<float>, signal_count> out;
  for (std::size_t m = 0; m < signal_count; ++m) {
    for (std::size_t c = 0; c < folded.cycles; ++c) {
      double sum = 0.0;
      for (std::size_t i = 0; i < folded.per_cycle; ++i) {
        const double v = folded.value[m][c * folded.per_cycle + i];
        sum += m == 0 ? v * v : v;
      }
      const double mean = sum / static_cast<double>(folded.per_cycle);
      out[m].push_back(static_cast<float>(m == 0 ? std::sqrt(mean) : std::max(0.0, mean)));
    }
  }
  return out;
}

/// The stretch that is the engine if one is: of the longest and loudest, counted together.
std::vector<bool> main_stretch(const std::vector<bool>& running, const std::array<std::vector<float>, signal_count>& level) {
  std::vector<float> loudness(running.size(), 0.0F);
  for (const auto& l : level) {
    const float total = std::accumulate(l.begin(), l.end(), 1e-20F);
    for (std::size_t c = 0; c < loudness.size(); ++c) loudness[c] += l[c] / total;
  }
  return best_stretch(running, loudness);
}

/// Value that a share of those that are used stays below.
float quantile_of(const std::vector<float>& v, const std::vector<bool>& use, double share) {
  std::vector<float> used;
  for (std::size_t i = 0; i < v.size(); ++i) {
    if (use[i]) used.push_back(v[i]);
  }
  if (used.empty()) return 0.0F;
  const auto at = used.begin() + static_cast<std::ptrdiff_t>(share * static_cast<double>(used.size()));
  std::nth_element(used.begin(), at, used.end());
  return *at;
}

/// A workshop hums on when the engine stands, or another engine is heard then, and both repeat too.
/// Taken out are running cycles that are far quieter in every signal than most of the main stretch,
/// or far quieter in some, apart from it and far less like it than its own cycles are.
void drop_quiet(std::vector<bool>& running, const std::array<std::vector<float>, signal_count>& level,
                const CycleLines& lines, const std::vector<bool>& main) {
  constexpr float quiet = 0.45F;  // of the level that 70 % of its cycles reach
  constexpr double below = 0.3;
  constexpr float like = 0.5F;
  std::vector<bool> everywhere(running.size(), true);
  std::vector<bool> somewhere(running.size(), false);
  for (const auto& l : level) {
    const float limit = quiet * quantile_of(l, main, below);
    for (std::size_t c = 0; c < l.size(); ++c) {
      const bool is_quiet = mean_around(l, c, 1) < limit;
      everywhere[c] = everywhere[c] && is_quiet;
      somewhere[c] = somewhere[c] || is_quiet;
    }
  }
  const float usual = quantile_of(lines.belong, main, 0.5);
  for (std::size_t c = 0; c < running.size(); ++c) {
    const bool strange = mean_around(lines.belong, c, 4) < like * usual;
    running[c] = running[c] && !everywhere[c] && (main[c] || !somewhere[c] || !strange);
  }
}

/// Takes out runs that lie apart from the longest one and at a speed out of its reach: a steady tone
/// of the workshop, heard while the engine stands, repeats as well as any engine.
void drop_out_of_reach(std::vector<bool>& running, const PhaseTrack& phase) {
  constexpr double reach = 2.2;  // between idle and a blip's crest
  const std::vector<bool> longest = best_stretch(running, std::vector<float>(running.size(), 1.0F));
  const auto speed_of = [&](std::size_t begin, std::size_t end) {
    return static_cast<double>(end - begin) / (phase.time_of(static_cast<double>(end)) - phase.time_of(static_cast<double>(begin)));
  };
  const auto end_of_run = [&](std::size_t c) {
    while (c < running.size() && running[c]) ++c;
    return c;
  };
  const auto first = static_cast<std::size_t>(std::find(longest.begin(), longest.end(), true) - longest.begin());
  if (first == longest.size()) return;
  const double usual = speed_of(first, end_of_run(first));
  for (std::size_t c = 0; c < running.size(); ++c) {
    if (!running[c]) continue;
    const std::size_t end = end_of_run(c);
    const double ratio = speed_of(c, end) / usual;
    if (ratio > reach || ratio < 1.0 / reach) {
      std::fill(running.begin() + static_cast<std::ptrdiff_t>(c), running.begin() + static_cast<std::ptrdiff_t>(end), false);
    }
    c = end;
  }
}

constexpr std::size_t fewest_cycles = 4;

/// Folds along the candidate's phase; false where there are too few cycles.
bool refold(Settled& s, const PhaseTrack& phase, const RunningSums& signals, const Engine& engine) {
  s.folded = fold_for_lines(signals, engine, phase);
  if (s.folded.cycles < fewest_cycles) return false;
  s.spectra = cycle_spectra(s.folded, beat_lines(engine));
  return true;
}

/// Anchors the candidate's phase. `settled`: folded along it, or along another, which `fits` says.
void anchor_phase(SpeedCandidate& candidate, const Settled& settled, bool fits, const std::vector<bool>& use,
                  const RunningSums& signals, const Engine& engine) {
  const std::size_t lines = beat_lines(engine);
  const std::size_t grid = anchor_grid(lines);
  candidate.phase = fits && settled.folded.per_cycle == grid
                        ? anchor(settled.spectra, candidate.phase, use)
                        : anchor(cycle_spectra(fold(signals, candidate.phase, grid), lines), candidate.phase, use);
}

/// Which cycles are a running engine's.
void find_running(SpeedCandidate& candidate, Settled& s) {
  // What else repeats must belong to the same sound as the main stretch that does.
  const auto level = cycle_levels(s.folded);
  // Every stop has a moment in which no cycle lies on the next: gaps are not bridged here.
  const std::vector<bool> main = main_stretch(repeating_cycles(cycle_lines(s.spectra)), level);
  const CycleLines belonging = cycle_lines(s.spectra, main);
  candidate.running = running_cycles(belonging, true);
  drop_quiet(candidate.running, level, belonging, main);
  drop_out_of_reach(candidate.running, candidate.phase);
}

}  // namespace

Folded fold_for_lines(const RunningSums& signals, const Engine& engine, const PhaseTrack& phase) {
  std::size_t per_cycle = 64;
  while (per_cycle < 2 * beat_lines(engine) + 2) per_cycle *= 2;
  return fold(signals, phase, per_cycle);
}

Settled settle(SpeedCandidate& candidate, const RunningSums& signals, const Engine& engine, int rounds) {
  const auto lines = static_cast<int>(beat_lines(engine));
  candidate.phase = refine(signals, std::move(candidate.phase), lines, rounds);
  candidate.running.clear();
  Settled s;
  for (int round = 0; round < 2; ++round) {
    if (!refold(s, candidate.phase, signals, engine)) return s;
    const std::vector<bool> use = running_cycles(cycle_lines(s.spectra), false);
    bool fits = true;
    if (round == 0) {
      PhaseTrack rejoined = rejoin(signals, candidate.phase, lines, use);
      fits = rejoined.cycles == candidate.phase.cycles;
      candidate.phase = std::move(rejoined);
    }
    anchor_phase(candidate, s, fits, use, signals, engine);
  }
  if (refold(s, candidate.phase, signals, engine)) find_running(candidate, s);
  return s;
}

std::optional<Settled> mend_seams(SpeedCandidate& candidate, const Settled& settled, const RunningSums& signals, const Engine& engine) {
  if (candidate.running.empty()) return std::nullopt;
  const std::vector<Seam> seams = find_seams(settled.spectra, candidate.running);
  if (seams.empty()) return std::nullopt;
  SpeedCandidate mended = candidate;
  mended.phase = close_seams(std::move(mended.phase), seams);
  Settled s;
  if (!refold(s, mended.phase, signals, engine)) return std::nullopt;
  anchor_phase(mended, s, true, running_cycles(cycle_lines(s.spectra), false), signals, engine);
  if (!refold(s, mended.phase, signals, engine)) return std::nullopt;
  find_running(mended, s);
  // Beside the torn cycles what ran runs on. Where much does not the speed moved, and the track with it.
  constexpr double still_running = 0.8;
  const auto count = [](const std::vector<bool>& running) { return static_cast<double>(std::count(running.begin(), running.end(), true)); };
  double ran = count(mended.running);
  for (const Seam& seam : seams) ran += static_cast<double>(seam.to - seam.from);
  if (ran < still_running * count(candidate.running)) return std::nullopt;
  candidate = std::move(mended);
  return s;
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

}  // namespace pipebeat::core
