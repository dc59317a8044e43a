#include "core/passage.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "core/judge.hpp"
#include "core/lines.hpp"
#include "core/pulses.hpp"
#include "core/speed.hpp"

namespace pipebeat::core {

namespace {

/// Cycles that may be judged: running ones, less two at each edge of a run (start and stop blur).
std::vector<bool> judged_cycles(const std::vector<bool>& running) {
  constexpr std::size_t trim = 2;
  std::vector<bool> out(running.size(), false);
  for (std::size_t c = 0; c < running.size(); ++c) {
    bool inside = running[c];
    for (std::size_t d = 1; d <= trim && inside; ++d) {
      inside = (c < d || running[c - d]) && (c + d >= running.size() || running[c + d]);
    }
    out[c] = inside;
  }
  return out;
}

void note_speed(Passage& p, const Folded& folded, const std::vector<bool>& running, const SpeedCandidate& speed, const Engine& engine) {
  double time = 0.0;
  double count = 0.0;
  std::vector<double> rpm(folded.cycles, 0.0);
  for (std::size_t c = 0; c < folded.cycles; ++c) {
    const double length = folded.start_s[c + 1] - folded.start_s[c];
    if (running[c]) {
      rpm[c] = engine.speed(Hertz{1.0 / length}).value();
      time += length;
      count += 1.0;
    }
    const double at = p.begin_s + 0.5 * (folded.start_s[c] + folded.start_s[c + 1]);
    p.speed_trace.push_back({static_cast<float>(at), running[c] ? static_cast<float>(rpm[c]) : NAN});
  }
  if (count < 1.0) return;
  p.mean_rpm = engine.speed(Hertz{count / time}).value();
  p.usable_s = p.known_s = time;
  p.min_rpm = 1e9;
  p.max_rpm = 0.0;
  for (std::size_t c = 0; c + 2 < folded.cycles; ++c) {
    if (!(running[c] && running[c + 1] && running[c + 2])) continue;
    const double mean = (rpm[c] + rpm[c + 1] + rpm[c + 2]) / 3.0;
    p.min_rpm = std::min(p.min_rpm, mean);
    p.max_rpm = std::max(p.max_rpm, mean);
  }
  if (p.max_rpm == 0.0) p.min_rpm = p.max_rpm = p.mean_rpm;
  // The mean, the range and the trace are the engine's, whether its pulses could be judged or not.
  double turns = p.mean_rpm * time;
  for (const FollowedSpeed& f : speed.followed) {
    turns += f.rpm * speed.phase.hop_s;
    time += speed.phase.hop_s;
    p.min_rpm = std::min(p.min_rpm, f.rpm);
    p.max_rpm = std::max(p.max_rpm, f.rpm);
    p.speed_trace.push_back({static_cast<float>(p.begin_s + f.time_s), static_cast<float>(f.rpm)});
  }
  // Cycles that could not be judged leave a gap in the trace only where the speed is unknown too.
  const auto close = [&](const SpeedPoint& q) {
    return std::isnan(q.rpm) && std::any_of(speed.followed.begin(), speed.followed.end(), [&](const FollowedSpeed& f) {
             return std::abs(p.begin_s + f.time_s - static_cast<double>(q.time_s)) < speed.phase.hop_s;
           });
  };
  std::erase_if(p.speed_trace, close);
  std::stable_sort(p.speed_trace.begin(), p.speed_trace.end(), [](const SpeedPoint& a, const SpeedPoint& b) { return a.time_s < b.time_s; });
  // An engine that flares has just been started. It ran up to there from cranking speed, too fast to
  // be followed: some half a second, from about 250 rpm (common practice, no source).
  constexpr double spin_up_s = 0.45;
  constexpr double cranking_rpm = 250.0;
  constexpr double flare = 1.12;  // of the mean speed
  double last_known = 0.0;
  for (const SpeedPoint& q : p.speed_trace) {
    if (std::isnan(q.rpm)) continue;
    const double at = static_cast<double>(q.time_s) - p.begin_s;
    if (at - last_known > spin_up_s && static_cast<double>(q.rpm) > flare * p.mean_rpm) {
      turns += 0.5 * (cranking_rpm + static_cast<double>(q.rpm)) * spin_up_s;
      time += spin_up_s;
    }
    last_known = at;
  }
  p.mean_rpm = turns / time;
  p.known_s = time;
}

void note_order_lines(Passage& p, const CycleLines& lines, const Engine& engine) {
  const double per_line = 360.0 / engine.cycle().value();
  for (std::size_t k = 0; k < lines.lines; ++k) {
    const double g = std::clamp(lines.coherence[0][k], 0.01, 0.99);
    p.order_lines.push_back({static_cast<float>(static_cast<double>(k + 1) * per_line),
                             static_cast<float>(10.0 * std::log10(g / (1.0 - g))),
                             static_cast<float>(std::abs(engine.line(static_cast<int>(k + 1))))});
  }
}

void keep_cycles(HeardCycles& kept, const CycleSpectra& spectra, const std::vector<bool>& judged, std::size_t lines) {
  kept.lines = lines;
  kept.count = static_cast<std::size_t>(std::count(judged.begin(), judged.end(), true));
  kept.value.reserve(kept.count * signal_count * lines);
  for (std::size_t c = 0; c < spectra.cycles; ++c) {
    if (!judged[c]) continue;
    for (const auto& value : spectra.value) {
      const auto first = value.begin() + static_cast<std::ptrdiff_t>(c * spectra.lines);
      kept.value.insert(kept.value.end(), first, first + static_cast<std::ptrdiff_t>(lines));
    }
  }
}

Passage nothing_heard(double begin_s, double duration_s, const Engine& engine) {
  Passage p;
  p.begin_s = begin_s;
  p.duration_s = duration_s;
  const std::size_t P = engine.positions().size();
  p.level_sum.assign(P, 0.0);
  p.level_square.assign(P, 0.0);
  p.expected.assign(P, 0.0);
  p.missing.assign(P, 0.0);
  p.missing_if_intermittent.assign(P, 0.0);
  p.probability.back() = 1.0;
  return p;
}

/// True when nothing but digital silence is in it.
bool is_silent(const Signals& signals) {
  constexpr float nothing = 1e-9F;  // 16 bits end at 3e-5
  return std::all_of(signals.value.begin(), signals.value.end(), [](const auto& v) {
    return std::all_of(v.begin(), v.end(), [](float x) { return std::abs(x) < nothing; });
  });
}

}  // namespace

Passage hear_at_speed(const RunningSums& signals, const SpeedCandidate& speed, double begin_s,
                      const Engine& engine, PassageDetails* details) {
  Passage p = nothing_heard(begin_s, signals.duration_s(), engine);
  const std::size_t P = engine.positions().size();
  if (speed.mean_rpm <= 0.0) return p;

  // Gates, all of which an engine passes (a sum of evidence is fooled by one loud thing): the comb
  // stands out, and each of the first three strong lines repeats from cycle to cycle.
  constexpr double salience_gate = 0.6;
  constexpr double strong_line_gate = 0.1;
  if (speed.features[1] < salience_gate || speed.features[11] < strong_line_gate) return p;

  const Folded folded = fold(signals, speed.phase, angle_grid(engine));
  std::vector<bool> running = speed.running;
  running.resize(folded.cycles, false);
  std::vector<bool> judged = judged_cycles(running);
  // Of a cycle that jumps half is one and half another, and its length is not the engine's. Many in a row, as where the
  // speed moved quickly, are no sound lost: they tell the speed.
  constexpr double many = 4.0;
  for (std::size_t c = 0; c < folded.cycles; ++c) {
    for (const PhaseTrack::Jump& j : speed.phase.jumps) {
      if (j.begin_s >= folded.start_s[c + 1] || j.end_s <= folded.start_s[c]) continue;
      judged[c] = false;
      if (j.end_s - j.begin_s < many * (folded.start_s[c + 1] - folded.start_s[c])) running[c] = false;
    }
  }
  note_speed(p, folded, running, speed, engine);
  if (std::count(judged.begin(), judged.end(), true) < 8) judged = running;
  p.cycles = static_cast<double>(std::count(judged.begin(), judged.end(), true));
  if (p.cycles < 6) return p;

  const CycleSpectra spectra = cycle_spectra(folded, std::max<std::size_t>(18, 6 * P));
  const CycleLines lines = cycle_lines(spectra, judged);
  keep_cycles(p.lines_by_cycle, spectra, judged, std::max<std::size_t>(18, 4 * P));
  const PulseFit pulses = fit_pulses(folded, engine, judged);
  const Judgement judgement = judge_events(folded, spectra, engine, pulses, judged);
  const std::vector<FiringOdds> odds = firing_odds(spectra, judged, engine, signals_with_odds);
  p.evidence = gather_evidence(lines, pulses, engine, folded, judged, judgement.crowd, speed, odds);
  p.probability = judge_pattern(p.evidence);
  p.dead = dead_positions(odds, engine);
  note_order_lines(p, lines, engine);
  p.engine_heard = true;

  double repeat = 0.0;
  for (std::size_t c = 0; c < folded.cycles; ++c) {
    if (judged[c]) repeat += lines.repeat[c] / p.cycles;
  }
  p.beat = std::clamp(repeat, 0.0, 0.999) * p.usable_s / std::max(p.duration_s, 1e-9);
  p.snr_db = 10.0 * std::log10(std::clamp(repeat, 1e-3, 0.999) / (1.0 - std::clamp(repeat, 1e-3, 0.999)));

  const double per_cycle = static_cast<double>(folded.per_cycle);
  for (std::size_t c = 0; c < folded.cycles; ++c) {
    if (!judged[c]) continue;
    for (std::size_t j = 0; j < P; ++j) {
      const double level = pulses.event_level[c * P + j];
      const double miss = judgement.missing[c * P + j];
      p.level_sum[j] += level;
      p.level_square[j] += level * level;
      p.expected[j] += 1.0;
      const float if_intermittent = judgement.if_intermittent[c * P + j];
      if (miss >= 0.5) p.missing[j] += 1.0;
      if (if_intermittent >= 0.5F) p.missing_if_intermittent[j] += 1.0;
      const double phase = engine.positions()[j].angle.value() / engine.cycle().value() +
                           (judgement.offset + 0.5 * per_cycle / static_cast<double>(P)) / per_cycle;
      const double length = folded.start_s[c + 1] - folded.start_s[c];
      p.events.push_back({{static_cast<float>(begin_s + folded.start_s[c] + phase * length),
                          static_cast<std::int32_t>(c), static_cast<std::int16_t>(j + 1),
                           static_cast<float>(level), static_cast<float>(miss)},
                          if_intermittent});
      if (details != nullptr) details->features.push_back(judgement.features[c * P + j]);
    }
  }
  if (details != nullptr) {
    details->splits = judgement.splits;
    details->shapes = judgement.shapes;
    for (ShapeChoice& choice : details->shapes) {
      std::size_t kept = 0;
      for (std::size_t e = 0; e < choice.missing.size(); ++e) {
        if (judged[e / P]) choice.missing[kept++] = choice.missing[e];
      }
      choice.missing.resize(kept);
    }
    for (SplitChoice& choice : details->splits) {
      std::size_t kept = 0;
      for (std::size_t c = 0; c < folded.cycles; ++c) {
        if (judged[c]) choice.missing[kept++] = choice.missing[c];
      }
      choice.missing.resize(kept);
    }
  }
  return p;
}

namespace {

/// Mixes the verdicts at every speed that may be right, each by that speed's probability; the first
/// candidate is the one that was heard. Speeds as good as equal are one; at a speed too unlikely to be
/// worth its time anything may be. Whether it is an engine at all is asked at the likeliest speed only.
/// `hear`: verdicts at another candidate, if an engine is heard at it.
template <class Hear>
void weigh_speeds(Passage& p, const std::vector<SpeedCandidate>& candidates, Hear hear) {
  constexpr double equal = 0.06;
  constexpr double likely = 0.1;
  const SpeedCandidate& first = candidates.front();
  if (first.mean_rpm <= 0.0) return;
  const VerdictProbabilities own = p.probability;
  VerdictProbabilities mixed{};
  double weights = 0.0;
  const auto add = [&](const VerdictProbabilities& probability, double weight) {
    const double an_engine = std::accumulate(probability.begin(), probability.end() - 1, 1e-12);
    for (std::size_t v = 0; v + 1 < mixed.size(); ++v) mixed[v] += weight * (1.0 - own.back()) * probability[v] / an_engine;
    weights += weight;
  };
  VerdictProbabilities anything{};
  anything.fill(1.0);
  for (const SpeedCandidate& c : candidates) {
    if (c.mean_rpm <= 0.0) continue;
    if (std::abs(c.mean_rpm / first.mean_rpm - 1.0) < equal) {
      p.speed_probability += c.probability;
      add(own, c.probability);
      continue;
    }
    if (!p.other_rpm) p.other_rpm = c.mean_rpm;
    // Of a long recording the others were followed through a part only.
    const bool of_the_whole = c.phase.end_s() > first.phase.end_s() - 1.0;
    const auto other = c.probability > likely && of_the_whole && p.engine_heard ? hear(c) : std::nullopt;
    add(other.value_or(anything), c.probability);
  }
  if (weights <= 0.0) return;
  for (std::size_t v = 0; v + 1 < mixed.size(); ++v) p.probability[v] = mixed[v] / weights;
}

}  // namespace

Passage hear_passage(Signals signals, double begin_s, const Engine& engine, const ListenerOptions& options,
                     const std::optional<KnownSpeed>& known, const std::optional<Remembered>& remembered) {
  const auto nothing = [&] { return nothing_heard(begin_s, signals.size() > 0 ? static_cast<double>(signals.size()) / signals.rate_hz : 0.0, engine); };
  if (is_silent(signals)) return nothing();
  constexpr double tone_share = 0.95;
  const auto [line_share, mains_hz] = remove_mains(signals);
  if (line_share > tone_share) return nothing();
  const RunningSums sums{signals};
  // Without its hum it is another sound.
  const auto shared = mains_hz == 0 ? remembered : std::nullopt;
  std::vector<SpeedCandidate> candidates = find_speed(signals, sums, engine, options.speed_guess, known, shared);
  if (candidates.empty()) candidates.emplace_back();
  const SpeedCandidate& speed = candidates.front();
  const auto judged = [&](const Passage& p) {
    return p.engine_heard && options.known_good ? judge_pattern(without_offset(p.evidence, options.known_good->evidence)) : p.probability;
  };
  Passage p = hear_at_speed(sums, speed, begin_s, engine);
  p.mains_hz = mains_hz;
  p.probability = judged(p);

  weigh_speeds(p, candidates, [&](const SpeedCandidate& other) -> std::optional<VerdictProbabilities> {
    const Passage heard = hear_at_speed(sums, other, begin_s, engine);
    return heard.engine_heard ? std::optional{judged(heard)} : std::nullopt;
  });
  if (p.engine_heard) {
    p.known = KnownSpeed{Rpm{speed.mean_rpm}, p.speed_probability, speed.score, speed.features[3], {}};
    if (p.other_rpm) p.known->other = Rpm{*p.other_rpm};
  }
  return p;
}

void number_like(Passage& passage, std::span<const Passage> before, const Engine& engine) {
  const std::size_t P = engine.positions().size();
  if (!passage.engine_heard) return;
  // Level of every position against the mean of all.
  const auto pattern_of = [P](const std::vector<double>& level_sum, const std::vector<double>& expected) {
    std::vector<double> level(P);
    for (std::size_t j = 0; j < P; ++j) level[j] = expected[j] > 0.0 ? level_sum[j] / expected[j] : 0.0;
    const double mean = std::accumulate(level.begin(), level.end(), 0.0) / static_cast<double>(P);
    for (double& v : level) v -= mean;
    return level;
  };
  std::vector<double> level_sum(P, 0.0);
  std::vector<double> expected(P, 0.0);
  for (const Passage& p : before) {
    for (std::size_t j = 0; j < P; ++j) {
      level_sum[j] += p.level_sum[j];
      expected[j] += p.expected[j];
    }
  }
  const std::vector<double> theirs = pattern_of(level_sum, expected);
  const std::vector<double> own = pattern_of(passage.level_sum, passage.expected);
  std::size_t best = 0;
  double most = -1e30;
  for (const int turn : engine.turns()) {
    const auto t = static_cast<std::size_t>(turn);
    double alike = 0.0;
    for (std::size_t j = 0; j < P; ++j) alike += theirs[j] * own[(j + t) % P];
    if (alike > most) {
      most = alike;
      best = t;
    }
  }
  if (best == 0) return;
  for (auto* const per_position : {&passage.level_sum, &passage.level_square, &passage.expected, &passage.missing, &passage.missing_if_intermittent}) {
    std::rotate(per_position->begin(), per_position->begin() + static_cast<std::ptrdiff_t>(best), per_position->end());
  }
  for (HeardEvent& e : passage.events) {
    // What came before the new position 1 ends a cycle that began earlier.
    const std::size_t position = static_cast<std::size_t>(e.position) - 1;
    e.position = static_cast<std::int16_t>((position + P - best) % P + 1);
    if (position >= best) ++e.cycle;
  }
}

}  // namespace pipebeat::core
