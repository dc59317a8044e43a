#include "core/speed.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "core/fft.hpp"
#include "core/line_pattern.hpp"
#include "core/running.hpp"
#include "core/statistics.hpp"

namespace pipebeat::core {

namespace {

constexpr double slowest_rpm = 380.0;
constexpr double fastest_rpm = 4500.0;
constexpr double longest_whole_s = 24.0;  // longer recordings are weighed on a part of
constexpr double stretch_s = 16.0;        // this length

PhaseTrack integrate(const std::vector<double>& cycle_hz) {
  PhaseTrack phase;
  phase.hop_s = comb_hop_s;
  double sum = 0.0;
  for (std::size_t i = 0; i < cycle_hz.size(); ++i) {
    if (i > 0) sum += 0.5 * comb_hop_s * (cycle_hz[i - 1] + cycle_hz[i]);
    phase.cycles.push_back(sum);
  }
  return phase;
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

/// Frames of a path through gaps that are reached from a running stretch without a break: around
/// each, the comb keeps most of the strength that it has where the engine runs. Noise alone gives a
/// strength of about 0.9, as every frame takes the best of many rates.
std::vector<FollowedSpeed> followed_frames(const SalienceMap& map, const std::vector<std::size_t>& path,
                                           const std::vector<bool>& runs, const std::vector<bool>& gap,
                                           std::vector<float> usual, const SpeedCandidate& candidate, const Engine& engine) {
  std::vector<FollowedSpeed> out;
  if (usual.empty()) return out;
  constexpr float noise_alone = 0.9F;
  constexpr float of_usual = 0.6F;
  constexpr std::size_t reach = 1;
  const auto middle = usual.begin() + static_cast<std::ptrdiff_t>(usual.size() / 2);
  std::nth_element(usual.begin(), middle, usual.end());
  const float enough = std::max(1.4F * noise_alone, of_usual * *middle);
  const std::size_t frames = path.size();
  const auto carries = [&](std::size_t f) {
    if (runs[f] || !gap[f]) return false;
    float sum = 0.0F;
    float count = 0.0F;
    for (std::size_t q = f >= reach ? f - reach : 0; q <= std::min(frames - 1, f + reach); ++q) {
      if (runs[q]) continue;
      sum += gap[q] ? map.rows[q][path[q]] : 0.0F;
      count += 1.0F;
    }
    return sum >= enough * count && map.rows[f][path[f]] >= 0.75F * enough;
  };
  std::vector<bool> reached(frames, false);
  for (std::size_t f = 1; f < frames; ++f) reached[f] = (runs[f - 1] || reached[f - 1]) && carries(f);
  std::vector<bool> back(frames, false);
  for (std::size_t f = frames - 1; f-- > 0;) back[f] = (runs[f + 1] || back[f + 1]) && carries(f);
  std::vector<bool> carried(frames);
  for (std::size_t f = 0; f < frames; ++f) carried[f] = reached[f] || back[f];
  // No engine is stopped and started again within two seconds: between two running stretches that
  // near, it ran (common practice, no source).
  constexpr std::size_t shortest_stop = 20;
  for (std::size_t f = 1; f < frames; ++f) {
    if (runs[f] || !runs[f - 1]) continue;
    std::size_t end = f;
    while (end < frames && !runs[end]) ++end;
    if (end < frames && end - f < shortest_stop) std::fill(reached.begin() + static_cast<std::ptrdiff_t>(f), reached.begin() + static_cast<std::ptrdiff_t>(end), true);
    f = end;
  }
  // Nor does a recording begin or end just there: what a window misses at its edges was running too.
  constexpr std::size_t edge = 8;
  constexpr std::size_t steady = 25;  // columns: 15 %
  const auto level_with = [&](std::size_t f, std::size_t q) { return path[f] < path[q] + steady && path[q] < path[f] + steady; };
  const auto first = static_cast<std::size_t>(std::find(runs.begin(), runs.end(), true) - runs.begin());
  const auto after_last = static_cast<std::size_t>(runs.rend() - std::find(runs.rbegin(), runs.rend(), true));
  for (std::size_t f = 0; first <= edge && f < first; ++f) reached[f] = level_with(f, first);
  for (std::size_t f = after_last; frames - after_last <= edge && f < frames; ++f) reached[f] = level_with(f, after_last - 1);
  // What no comb carries is led straight on, from where it is carried to where it is again: there the path
  // follows whatever noise is loudest.
  const auto column = [&](std::size_t f) { return static_cast<double>(path[f]); };
  const auto known = [&](std::size_t f) { return runs[f] || carried[f]; };
  for (std::size_t f = 0; f < frames; ++f) {
    if (!reached[f] && !back[f]) continue;
    double at = column(f);
    if (!carried[f]) {
      std::size_t before = f;
      while (before > 0 && !known(before)) --before;
      std::size_t after = f;
      while (after + 1 < frames && !known(after)) ++after;
      const double from = column(known(before) ? before : after);
      const double to = column(known(after) ? after : before);
      at = from + (to - from) * static_cast<double>(f - before) / static_cast<double>(std::max<std::size_t>(1, after - before));
    }
    const double time = candidate.phase.start_s + candidate.phase.hop_s * static_cast<double>(f);
    out.push_back({time, engine.speed(Hertz{map.cycle_hz[0] * std::pow(1.0 + comb_step, at)}).value()});
  }
  return out;
}

/// Follows the speed through what the first pass lost: a blip of the throttle, a flare after
/// starting. In the gaps next to running stretches the comb is searched again with short windows
/// bent for every likely rate of change; the running stretches stay where they are.
/// Returns the cycles when that made the track longer. What then still doesn't lie on other cycles, but whose
/// firing lines stand out from the edge of a running stretch on, is noted as `followed`.
std::optional<Settled> follow(SpeedCandidate& candidate, const Signals& signals, const RunningSums& sums, const Engine& engine) {
  constexpr double longest_gap_s = 3.0;
  constexpr std::array<double, 7> rates{-1.4, -0.7, 0.0, 0.8, 1.7, 2.8, 4.2};  // relative, per second
  const auto frames = candidate.phase.cycles.size();
  std::vector<bool> runs(frames, false);
  for (std::size_t f = 0; f < frames; ++f) {
    const auto c = static_cast<std::size_t>(candidate.phase.cycles[f]);
    runs[f] = c < candidate.running.size() && candidate.running[c];
  }
  const auto reach = static_cast<std::size_t>(longest_gap_s / comb_hop_s);
  std::vector<bool> gap(frames, false);
  std::size_t gaps = 0;
  for (std::size_t f = 0; f < frames; ++f) {
    if (runs[f]) continue;
    const std::size_t low = f >= reach ? f - reach : 0;
    const std::size_t high = std::min(frames - 1, f + reach);
    gap[f] = std::any_of(runs.begin() + static_cast<std::ptrdiff_t>(low), runs.begin() + static_cast<std::ptrdiff_t>(high) + 1, [](bool r) { return r; });
    if (gap[f]) ++gaps;
  }
  if (gaps < 3 || gaps == frames) return std::nullopt;

  // Within reach of a throttle; tones of a workshop lie anywhere.
  constexpr double highest = 2.6;  // of the mean running speed
  constexpr double lowest = 0.45;
  SalienceMap map;
  const double low_hz = engine.cycle_frequency(Rpm{std::max(slowest_rpm, lowest * candidate.mean_rpm)}).value();
  CombSearch search{signals, engine, low_hz, engine.cycle_frequency(Rpm{std::min(fastest_rpm, highest * candidate.mean_rpm)}).value()};
  map.cycle_hz = search.cycle_hz();
  std::vector<float> usual;  // strength of the comb where the engine runs
  for (std::size_t f = 0; f < frames; ++f) {
    std::vector<float> row(map.cycle_hz.size(), 0.0F);
    const double time = candidate.phase.start_s + candidate.phase.hop_s * static_cast<double>(f);
    if (gap[f]) {
      std::fill(row.begin(), row.end(), -10.0F);
      for (const double rate : rates) {
        const std::vector<float> own = search.row(time, rate);
        for (std::size_t c = 0; c < row.size(); ++c) row[c] = std::max(row[c], own[c] - 0.1F * static_cast<float>(std::abs(rate)));
      }
    } else if (runs[f]) {
      const double x = std::log(candidate.phase.frequency(time) / low_hz) / std::log(1.0 + comb_step);
      constexpr std::size_t sparse = 4;
      if (f % sparse == 0 && x > 0.0 && x + 1.0 < static_cast<double>(row.size())) {
        usual.push_back(search.row(time, 0.0)[static_cast<std::size_t>(std::lround(x))]);
      }
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
  candidate.followed = followed_frames(map, path, runs, gap, usual, candidate, engine);
  SpeedCandidate longer = candidate;
  longer.phase = integrate(cycle_hz);
  Settled settled = settle(longer, sums, engine, 3);
  if (running_seconds(longer) > running_seconds(candidate) + 0.2) {
    candidate.phase = std::move(longer.phase);
    candidate.running = std::move(longer.running);
    std::erase_if(candidate.followed, [&](const FollowedSpeed& f) {
      const auto c = static_cast<std::size_t>(candidate.phase.at(f.time_s));
      return c < candidate.running.size() && candidate.running[c];
    });
    return settled;
  }
  return std::nullopt;
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

void measure(SpeedCandidate& candidate, const Settled& settled, const RunningSums& signals, const Engine& engine, double salience) {
  const Folded& folded = settled.folded;
  const CycleLines lines = cycle_lines(settled.spectra, candidate.running);
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
  const double total = signals.duration_s();
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
                        half_level / 10.0,
                        null_level(lines, 0, engine, 0.2, 1.0) / 10.0,
                        null_level(lines, 0, engine, 1.0, 2.0) / 10.0,
                        null_level(lines, 1, engine, 1.0, 2.0) / 10.0,
                        null_level(lines, 4, engine, 1.0, 2.0) / 10.0,
                        misfit.healthy / 10.0,
                        (misfit.one_dead - misfit.healthy) / 10.0};
}

/// First row of the `length` rows in which the best column of the map stands out most.
std::size_t clearest(const SalienceMap& map, std::size_t length) {
  std::vector<double> sum{0.0};
  for (const auto& row : map.rows) sum.push_back(sum.back() + *std::max_element(row.begin(), row.end()));
  std::size_t best = 0;
  for (std::size_t f = 0; f + length < map.rows.size(); ++f) {
    if (sum[f + length] - sum[f] > sum[best + length] - sum[best]) best = f;
  }
  return best;
}

Signals part_of(const Signals& signals, double begin_s, double length_s) {
  const auto begin = std::min(signals.size(), static_cast<std::size_t>(begin_s * signals.rate_hz));
  const std::size_t length = std::min(signals.size() - begin, static_cast<std::size_t>(length_s * signals.rate_hz));
  Signals out;
  out.rate_hz = signals.rate_hz;
  for (std::size_t m = 0; m < signal_count; ++m) {
    const auto from = signals.value[m].begin() + static_cast<std::ptrdiff_t>(begin);
    out.value[m].assign(from, from + static_cast<std::ptrdiff_t>(length));
  }
  return out;
}

/// The track that a path takes.
PhaseTrack along(const SalienceMap& map, std::span<const std::size_t> path) {
  std::vector<double> cycle_hz;
  for (std::size_t row = 0; row < path.size(); ++row) {
    const double to = map.cycle_hz[path[row]];
    // Evenly, on a logarithmic scale, through the frames that have no row.
    while (row > 0 && cycle_hz.size() < map.frame_of(row)) {
      const auto left = static_cast<double>(map.frame_of(row) - cycle_hz.size() + 1);
      cycle_hz.push_back(cycle_hz.back() * std::pow(to / cycle_hz.back(), 1.0 / left));
    }
    cycle_hz.push_back(to);
  }
  return integrate(cycle_hz);
}

double mean_salience(const SalienceMap& map, std::span<const std::size_t> path) {
  double sum = 0.0;
  double frames = 0.0;
  for (std::size_t row = 0; row < path.size(); ++row) {
    const double step = row > 0 ? static_cast<double>(map.frame_of(row) - map.frame_of(row - 1)) : 1.0;
    sum += step * static_cast<double>(map.rows[row][path[row]]);
    frames += step;
  }
  return sum / frames;
}

/// Follows the speed of a settled candidate. Where the engine stays lost for seconds all the same, the
/// path may have jumped to a multiple of its speed, after a blip for example: a path held near the
/// speed that was heard is taken when far more is heard on it. Returns the cycles when the track changed.
std::optional<Settled> follow_all(SpeedCandidate& candidate, const SalienceMap& map, const Signals& signals, const RunningSums& sums, const Engine& engine) {
  constexpr double lost_s = 3.0;
  constexpr double more_s = 2.0;
  constexpr double pull = 8.0;
  std::optional<Settled> changed = follow(candidate, signals, sums, engine);
  const auto heard_s = [](const SpeedCandidate& c) {
    return running_seconds(c) + comb_hop_s * static_cast<double>(c.followed.size());
  };
  const double before_s = heard_s(candidate);
  if (before_s == 0.0 || before_s > sums.duration_s() - lost_s) return changed;
  const auto path = best_path(map, engine.cycle_frequency(Rpm{candidate.mean_rpm}).value(), pull);
  SpeedCandidate again;
  again.phase = along(map, path);
  Settled settled = settle(again, sums, engine, 3);
  again.mean_rpm = candidate.mean_rpm;
  if (auto longer = follow(again, signals, sums, engine)) settled = std::move(*longer);
  if (heard_s(again) < before_s + more_s) return changed;
  candidate.phase = std::move(again.phase);
  candidate.running = std::move(again.running);
  candidate.followed = std::move(again.followed);
  return settled;
}

// Fitted by tools/fit: weights of the features in the choice among candidates.
#include "core/speed_table.inc"

double score_of(const SpeedFeatures& features) {
  double score = 0.0;
  for (std::size_t i = 0; i < speed_feature_count; ++i) score += choice_weight[i] * features[i];
  return score;
}

/// Cycle frequency from frame to frame.
std::vector<double> steps_of(const std::vector<double>& cycles) {
  std::vector<double> hz;
  for (std::size_t f = 1; f < cycles.size(); ++f) hz.push_back((cycles[f] - cycles[f - 1]) / comb_hop_s);
  return hz;
}

/// One of the paths that are weighed.
struct Drawn {
  std::vector<std::size_t> path;  ///< column per row
  double centre_hz = 0.0;         ///< where it was drawn to
  double pull = 0.0;
};

/// Different paths through the map, each drawn to another part of the speed range; the first is free.
std::vector<Drawn> draw_paths(const SalienceMap& map, const Engine& engine, std::optional<Rpm> guess) {
  struct Centre {
    double rpm, pull;
  };
  std::vector<Centre> centres{{1.0, 0.0}, {600.0, 2.0}, {850.0, 2.0}, {1250.0, 2.0}, {1800.0, 2.0}, {2800.0, 2.0}};
  if (guess) centres.insert(centres.end(), {{guess->value(), 8.0}, {guess->value(), 30.0}});
  const std::size_t rows = map.rows.size();
  std::vector<Drawn> drawn;
  for (const Centre& centre : centres) {
    Drawn d;
    d.centre_hz = engine.cycle_frequency(Rpm{centre.rpm}).value();
    d.pull = centre.pull;
    d.path = best_path(map, d.centre_hz, d.pull);
    const bool known = std::any_of(drawn.begin(), drawn.end(), [&](const Drawn& other) {
      std::size_t apart = 0;
      for (std::size_t f = 0; f < rows; ++f) {
        const auto distance = static_cast<std::ptrdiff_t>(d.path[f]) - static_cast<std::ptrdiff_t>(other.path[f]);
        if (std::abs(distance) > 3) ++apart;
      }
      return apart * 20 < rows;
    });
    if (!known) drawn.push_back(std::move(d));
  }
  return drawn;
}

struct Hypothesis {
  SpeedCandidate candidate;
  Settled settled;
  std::size_t path;  ///< index among the drawn ones
};

/// The paths as hypotheses, likeliest first, with their probabilities. Those near a guess come first
/// whatever the others' probabilities, and none is left where none is near.
std::vector<Hypothesis> weigh(const SalienceMap& map, std::span<const Drawn> drawn, const RunningSums& sums, const Engine& engine,
                              std::optional<Rpm> guess) {
  constexpr double near = 0.15;
  // Worth a lot, but not everything: who types a wrong digit must not be told that two cylinders are dead.
  constexpr double worth = 5.0;  // log odds: one guess in a hundred and fifty is wrong (no source)
  const auto is_near = [&](const Hypothesis& h) { return guess && std::abs(h.candidate.mean_rpm / guess->value() - 1.0) < near; };
  const auto odds = [&](const Hypothesis& h) { return h.candidate.score + (is_near(h) ? worth : 0.0); };
  std::vector<Hypothesis> hypotheses;
  for (std::size_t p = 0; p < drawn.size(); ++p) {
    SpeedCandidate candidate;
    candidate.phase = along(map, drawn[p].path);
    Settled settled = settle(candidate, sums, engine, 3);
    if (candidate.running.empty()) continue;
    measure(candidate, settled, sums, engine, mean_salience(map, drawn[p].path));
    candidate.score = score_of(candidate.features);
    hypotheses.push_back({std::move(candidate), std::move(settled), p});
  }
  std::stable_sort(hypotheses.begin(), hypotheses.end(),
                   [&](const Hypothesis& a, const Hypothesis& b) { return odds(a) > odds(b); });
  const double best = hypotheses.empty() ? 0.0 : odds(hypotheses.front());
  double sum = 0.0;
  for (Hypothesis& h : hypotheses) sum += h.candidate.probability = std::exp(odds(h) - best);
  for (Hypothesis& h : hypotheses) h.candidate.probability /= sum;
  if (guess) {
    std::stable_partition(hypotheses.begin(), hypotheses.end(), is_near);
    if (!hypotheses.empty() && !is_near(hypotheses.front())) hypotheses.clear();
  }
  return hypotheses;
}

/// The search through a long recording. A row every few frames tells where the comb stands out most;
/// there all rows are searched and the hypotheses weighed. The best one's path is then drawn through
/// the whole, with more rows where the speed moves.
class LongSearch {
 public:
  LongSearch(const Signals& signals, const RunningSums& sums, const Engine& engine, double low_hz, double high_hz,
             CombSearch::Windows windows = CombSearch::Windows::both)
      : signals_{signals}, sums_{sums}, engine_{engine}, search_{CombSearch::quick(signals, engine, low_hz, high_hz, windows)} {
    map_.cycle_hz = search_.cycle_hz();
    const std::size_t frames = search_.frames();
    for (std::size_t f = 0; f < frames; f += sparse) map_.frame.push_back(f);
    if (map_.frame.back() + 1 < frames) map_.frame.push_back(frames - 1);
    for (const std::size_t f : map_.frame) map_.rows.push_back(search_.row(f));
  }

  /// Hypotheses on the clearest stretch; the first is then followed through the whole.
  std::vector<SpeedCandidate> from_the_clearest_stretch(std::optional<Rpm> guess) {
    const auto length = static_cast<std::size_t>(stretch_s / comb_hop_s);
    const std::size_t first = map_.frame[clearest(map_, length / sparse)];
    add_rows([&](std::size_t f) { return f >= first && f <= first + length; });
    SalienceMap part;
    part.cycle_hz = map_.cycle_hz;
    for (std::size_t row = 0; row < map_.rows.size(); ++row) {
      if (map_.frame[row] >= first && map_.frame[row] <= first + length) part.rows.push_back(map_.rows[row]);
    }
    const std::vector<Drawn> drawn = draw_paths(part, engine_, guess);
    const RunningSums sums{part_of(signals_, comb_hop_s * static_cast<double>(first), stretch_s)};
    std::vector<Hypothesis> hypotheses = weigh(part, drawn, sums, engine_, guess);
    std::vector<SpeedCandidate> candidates;
    for (Hypothesis& h : hypotheses) candidates.push_back(std::move(h.candidate));
    if (candidates.empty()) return candidates;
    const Drawn& best = drawn[hypotheses.front().path];
    // Through the stretch the path is settled.
    for (std::size_t row = 0; row < map_.rows.size(); ++row) {
      if (map_.frame[row] < first || map_.frame[row] > first + length) continue;
      const auto column = static_cast<std::ptrdiff_t>(best.path[map_.frame[row] - first]);
      const float there = map_.rows[row][static_cast<std::size_t>(column)];
      for (std::size_t c = 0; c < map_.cycle_hz.size(); ++c) {
        const auto d = static_cast<float>(static_cast<std::ptrdiff_t>(c) - column);
        if (std::abs(d) > 3.0F) map_.rows[row][c] = std::min(map_.rows[row][c], there - std::min(0.05F * d * d, 20.0F));
      }
    }
    if (!through_the_whole(candidates.front(), best.centre_hz, best.pull)) return {};
    return candidates;
  }

  /// The one hypothesis that the engine still runs at a speed that is known. Only speeds around it are
  /// searched: what leaves them for a moment is followed from there.
  static std::optional<SpeedCandidate> near(const Signals& signals, const RunningSums& sums, const Engine& engine, const KnownSpeed& known) {
    constexpr double searched = 1.3;
    const double usual_hz = engine.cycle_frequency(known.speed).value();
    LongSearch search{signals, sums, engine, usual_hz / searched, usual_hz * searched, CombSearch::Windows::wide};
    constexpr double pull = 4.0;
    constexpr double speed_reach = 1.15;
    constexpr double score_reach = 2.0;  // log odds
    constexpr double running_reach = 0.7;
    SpeedCandidate candidate;
    candidate.mean_rpm = known.speed.value();
    if (!search.through_the_whole(candidate, usual_hz, pull)) return std::nullopt;
    // Where the engine is blipped or swept, other ratios may come into play.
    std::vector<double> hz = steps_of(candidate.phase.cycles);
    std::sort(hz.begin(), hz.end());
    const auto reached_by = [&](double share) { return hz[static_cast<std::size_t>(share * static_cast<double>(hz.size() - 1))]; };
    if (reached_by(0.05) < usual_hz / speed_reach || reached_by(0.95) > usual_hz * speed_reach || candidate.score < known.score - score_reach ||
        candidate.features[3] < running_reach * known.running_share) {
      return std::nullopt;
    }
    candidate.probability = known.probability;
    return candidate;
  }

 private:
  static constexpr std::size_t sparse = 4;

  /// Searches the comb of those frames that have no row yet.
  template <class Wanted>
  void add_rows(Wanted wanted) {
    SalienceMap fuller;
    fuller.cycle_hz = std::move(map_.cycle_hz);
    for (std::size_t row = 0; row < map_.rows.size(); ++row) {
      for (std::size_t f = row > 0 ? map_.frame[row - 1] + 1 : 0; f < map_.frame[row]; ++f) {
        if (!wanted(f)) continue;
        fuller.frame.push_back(f);
        fuller.rows.push_back(search_.row(f));
      }
      fuller.frame.push_back(map_.frame[row]);
      fuller.rows.push_back(std::move(map_.rows[row]));
    }
    map_ = std::move(fuller);
  }

  /// Lays the candidate along the best path, settles and measures it. Its mean speed is known roughly.
  bool through_the_whole(SpeedCandidate& candidate, double centre_hz, double pull) {
    auto path = best_path(map_, centre_hz, pull);
    // Where the speed moves by more than idle does, or the comb is lost, every frame counts.
    constexpr std::size_t steady_columns = 3;
    constexpr double of_usual = 0.6;
    std::vector<double> strength;
    for (std::size_t row = 0; row < path.size(); ++row) strength.push_back(static_cast<double>(map_.rows[row][path[row]]));
    const double usual = median(strength);
    std::vector<bool> lively(search_.frames(), false);
    for (std::size_t row = 1; row < path.size(); ++row) {
      const std::size_t move = std::max(path[row], path[row - 1]) - std::min(path[row], path[row - 1]);
      if (move <= steady_columns && std::min(strength[row], strength[row - 1]) > of_usual * usual) continue;
      const std::size_t begin = map_.frame[row - 1] >= sparse ? map_.frame[row - 1] - sparse : 0;
      const std::size_t end = std::min(lively.size(), map_.frame[row] + sparse);
      std::fill(lively.begin() + static_cast<std::ptrdiff_t>(begin), lively.begin() + static_cast<std::ptrdiff_t>(end), true);
    }
    if (std::any_of(lively.begin(), lively.end(), [](bool b) { return b; })) {
      add_rows([&](std::size_t f) { return lively[f]; });
      path = best_path(map_, centre_hz, pull);
    }
    const double salience = mean_salience(map_, path);
    candidate.phase = along(map_, path);
    Settled settled = settle(candidate, sums_, engine_, 3);
    if (candidate.running.empty()) return false;
    if (auto longer = follow(candidate, signals_, sums_, engine_)) settled = std::move(*longer);
    if (auto mended = mend_seams(candidate, settled, sums_, engine_)) settled = std::move(*mended);
    measure(candidate, settled, sums_, engine_, salience);
    candidate.score = score_of(candidate.features);
    return true;
  }

  const Signals& signals_;
  const RunningSums& sums_;
  const Engine& engine_;
  CombSearch search_;
  SalienceMap map_;
};

}  // namespace

std::size_t beat_lines(const Engine& engine) {
  return std::max<std::size_t>(12, 4 * engine.positions().size());
}

std::vector<SpeedCandidate> find_speed(const Signals& signals, const RunningSums& sums, const Engine& engine, std::optional<Rpm> guess,
                                       const std::optional<KnownSpeed>& known, const std::optional<Remembered>& remembered) {
  const double duration = static_cast<double>(signals.size()) / signals.rate_hz;
  if (duration < 0.5) return {};
  double low_hz = engine.cycle_frequency(Rpm{std::min(slowest_rpm, guess ? 0.85 * guess->value() : slowest_rpm)}).value();
  double high_hz = engine.cycle_frequency(Rpm{std::max(fastest_rpm, guess ? 1.15 * guess->value() : fastest_rpm)}).value();
  if (duration > longest_whole_s) {
    if (known) {
      if (auto still = LongSearch::near(signals, sums, engine, *known)) {
        std::vector<SpeedCandidate> candidates{std::move(*still)};
        if (known->other) {
          candidates.emplace_back();
          candidates.back().mean_rpm = known->other->value();
        }
        return candidates;
      }
    }
    return LongSearch{signals, sums, engine, low_hz, high_hz}.from_the_clearest_stretch(guess);
  }
  if (known) {
    low_hz = engine.cycle_frequency(Rpm{0.85 * known->speed.value()}).value();
    high_hz = engine.cycle_frequency(Rpm{1.15 * known->speed.value()}).value();
  }
  SalienceMap map;
  CombSearch search{signals, engine, low_hz, high_hz, remembered};
  map.cycle_hz = search.cycle_hz();
  for (std::size_t f = 0; f < search.frames(); ++f) map.rows.push_back(search.row(f));
  // So near a known speed there is one path only, and whoever knew it has heeded the guess.
  std::vector<Drawn> drawn;
  if (known) drawn.push_back({best_path(map, low_hz, 0.0), low_hz, 0.0});
  else drawn = draw_paths(map, engine, guess);
  std::vector<Hypothesis> hypotheses = weigh(map, drawn, sums, engine, known ? std::nullopt : guess);
  std::vector<SpeedCandidate> candidates;
  for (Hypothesis& h : hypotheses) candidates.push_back(std::move(h.candidate));
  if (candidates.empty()) return candidates;
  SpeedCandidate& best = candidates.front();
  const double salience = mean_salience(map, drawn[hypotheses.front().path].path);
  // Seams are mended last: at a wrong speed almost anything lies on itself somehow turned.
  auto changed = follow_all(best, map, signals, sums, engine);
  if (auto mended = mend_seams(best, changed ? *changed : hypotheses.front().settled, sums, engine)) changed = std::move(mended);
  if (changed) measure(best, *changed, sums, engine, salience);
  return candidates;
}

}  // namespace pipebeat::core
