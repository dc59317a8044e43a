#include "core/conclusion.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <optional>
#include <vector>

#include "core/statistics.hpp"

namespace pipebeat::core {

namespace {

constexpr double shortest_s = 1.5;
constexpr double fewest_cycles = 8.0;
constexpr double speed_floor = 0.6;     // probability of the chosen ratio
constexpr double verdict_floor = 0.34;  // probability of the chosen verdict
constexpr double engine_floor = 0.5;    // that it is an engine at all
constexpr double clipped_limit = 0.35;
constexpr float silent_db = -75.0F;  // 16 bits end at -90 dB; a muted microphone stays near that

// Fitted by tools/fit/fit-confidence.
#include "core/confidence_table.inc"

/// Share of answers of this raw probability that are right.
double calibrated(double probability) {
  const double p = std::clamp(probability, 1e-6, 1.0 - 1e-6);
  return 1.0 / (1.0 + std::exp(-(confidence_offset + confidence_slope * std::log(p / (1.0 - p)))));
}

/// Everything passages say together.
struct Whole {
  VerdictProbabilities probability{};
  double cycles = 0.0;
  double speed_probability = 0.0;
  const Passage* main = nullptr;  ///< the passage with most judged cycles
};

Whole combine(std::span<const Passage* const> passages) {
  Whole w;
  VerdictProbabilities log_sum{};
  for (const Passage* p : passages) {
    if (!p->engine_heard) continue;
    w.cycles += p->cycles;
    w.speed_probability += p->cycles * p->speed_probability;
    for (std::size_t v = 0; v < log_sum.size(); ++v)
      log_sum[v] += p->cycles * std::log(p->probability[v] + 1e-9);
    if (w.main == nullptr || p->cycles > w.main->cycles) w.main = p;
  }
  if (w.main == nullptr) return w;
  w.speed_probability /= w.cycles;
  double sum = 0.0;
  for (std::size_t v = 0; v < log_sum.size(); ++v)
    sum += w.probability[v] = std::exp(log_sum[v] / w.cycles);
  for (double& p : w.probability) p /= sum;
  return w;
}

double miss_probability(const VerdictProbabilities& p) {
  return (p[0] + p[1] + p[2]) / std::max(1e-9, 1.0 - p.back());
}

/// The passages that an answer is about: all of them, or, where a good part plainly misses and
/// others plainly don't, those that miss. A miss that came or went must not be averaged away.
std::vector<const Passage*> telling(std::span<const Passage* const> passages) {
  constexpr double plain = 0.8;
  constexpr double good_part = 0.15;  // of the cycles; less may be one passage misjudged
  std::vector<const Passage*> missing;
  double cycles = 0.0;
  double missing_cycles = 0.0;
  bool some_fire = false;
  for (const Passage* p : passages) {
    if (!p->engine_heard) continue;
    const double miss = miss_probability(p->probability);
    cycles += p->cycles;
    if (miss >= plain) {
      missing.push_back(p);
      missing_cycles += p->cycles;
    }
    if (miss <= 1.0 - plain) some_fire = true;
  }
  if (some_fire && missing_cycles > good_part * cycles) return missing;
  return {passages.begin(), passages.end()};
}

/// 95 % interval for the share of missing events, from what the verdicts say of it: healthy ones
/// nothing, a dead position its share, the others anything up to about twice what was counted. The
/// interval widens with every verdict that cannot be ruled out.
Interval ratio_interval(const VerdictProbabilities& probability, double estimate,
                        std::size_t positions, int dead) {
  constexpr int steps = 1000;
  std::vector<double> density(steps + 1, 0.0);
  const auto add = [&](double low, double high, double weight) {
    const int a = std::clamp(static_cast<int>(std::floor(low * steps)), 0, steps);
    const int b = std::clamp(static_cast<int>(std::ceil(high * steps)), a, steps);
    for (int i = a; i <= b; ++i) density[static_cast<std::size_t>(i)] += weight / (b - a + 1);
  };
  const auto of = [&](Verdict v) { return probability[static_cast<std::size_t>(v)]; };
  const double one = 1.0 / static_cast<double>(positions);
  const double dead_share = dead * one;
  add(dead_share - 0.008, dead_share + 0.008, of(Verdict::dead_miss));
  add(0.4 * estimate, std::max(1.6 * estimate, 0.5 * one), of(Verdict::intermittent_miss));
  add(0.4 * estimate, std::max(1.6 * estimate, 0.05), of(Verdict::random_miss));
  add(0.0, 0.002, of(Verdict::weak_cylinder) + of(Verdict::rough_no_miss) + of(Verdict::even));
  const double total = std::accumulate(density.begin(), density.end(), 0.0);
  double sum = 0.0;
  Interval out{0.0, 1.0};
  bool begun = false;
  for (int i = 0; i <= steps; ++i) {
    sum += density[static_cast<std::size_t>(i)] / total;
    const double at = static_cast<double>(i) / steps;
    if (!begun && sum > 0.025) {
      begun = true;
      out.low = at;
    }
    if (sum >= 0.975) {
      out.high = at;
      break;
    }
  }
  return out;
}

/// Misses by thirds of the range of speeds at which events were judged. Events and trace run
/// forward in time. A third with hardly an event is left out.
std::vector<SpeedBand> bands_of(std::span<const Event> events, std::span<const SpeedPoint> trace) {
  constexpr std::size_t thirds = 3;
  constexpr std::int64_t fewest = 20;
  std::vector<float> rpm;
  std::size_t next = 0;
  for (const Event& e : events) {
    while (next + 1 < trace.size() &&
           std::abs(trace[next + 1].time_s - e.time_s) <= std::abs(trace[next].time_s - e.time_s))
      ++next;
    rpm.push_back(trace.empty() ? NAN : trace[next].rpm);
  }
  float low = INFINITY;
  float high = 0.0F;
  for (const float v : rpm) {
    if (std::isnan(v)) continue;
    low = std::min(low, v);
    high = std::max(high, v);
  }
  std::vector<SpeedBand> out;
  for (std::size_t b = 0; b < thirds && high > low; ++b) {
    const float from = low + (high - low) * static_cast<float>(b) / thirds;
    const float to = low + (high - low) * static_cast<float>(b + 1) / thirds;
    SpeedBand band{Rpm{from}, Rpm{to}, 0, 0, {}};
    for (std::size_t i = 0; i < events.size(); ++i) {
      const bool inside = rpm[i] >= from && (rpm[i] < to || (b + 1 == thirds && rpm[i] <= high));
      if (!inside) continue;
      ++band.expected;
      if (events[i].missing_probability >= 0.5F) ++band.missing;
    }
    if (band.expected < fewest) continue;
    band.missing_ratio_interval =
        wilson(static_cast<double>(band.missing), static_cast<double>(band.expected));
    out.push_back(band);
  }
  return out;
}

/// Index of the likeliest verdict; `unclear`, which stands for no engine, is none.
std::size_t likeliest(const VerdictProbabilities& p) {
  return static_cast<std::size_t>(std::max_element(p.begin(), p.end() - 1) - p.begin());
}

/// What passages add up to; per position where it is a list.
struct Sums {
  std::vector<double> expected, missing, level, level_square;
  double turns = 0.0;  ///< rpm times seconds, over `known_s`
  double known_s = 0.0;
  double usable_s = 0.0;
  double masked_s = 0.0;
  double low_rpm = 1e9;
  double high_rpm = 0.0;
};

double total(const std::vector<double>& v) { return std::accumulate(v.begin(), v.end(), 0.0); }

Sums add_up(std::span<const Passage* const> passages, std::size_t positions) {
  const std::vector<double> none(positions, 0.0);
  Sums sums{none, none, none, none};
  for (const Passage* p : passages) {
    sums.masked_s += p->duration_s - p->usable_s;
    if (p->mean_rpm > 0.0 && p->usable_s > 0.0) {
      sums.turns += p->mean_rpm * p->known_s;
      sums.known_s += p->known_s;
      sums.usable_s += p->usable_s;
      sums.low_rpm = std::min(sums.low_rpm, p->min_rpm);
      sums.high_rpm = std::max(sums.high_rpm, p->max_rpm);
    }
    for (std::size_t j = 0; j < positions; ++j) {
      sums.expected[j] += p->expected[j];
      sums.missing[j] += p->missing[j];
      sums.level[j] += p->level_sum[j];
      sums.level_square[j] += p->level_square[j];
    }
  }
  return sums;
}

/// Events, traces and the sound's quality, which hold whatever the verdict.
void describe(Finding& f, std::span<const Passage* const> passages, const Listened& sound) {
  f.duration = Seconds{sound.duration_s};
  f.sample_rate_hz = sound.sample_rate_hz;
  f.input.clipped_share = sound.clipped_share;
  for (const Passage* p : passages) {
    f.speed_trace.insert(f.speed_trace.end(), p->speed_trace.begin(), p->speed_trace.end());
    // Rows of the beat matrix count through all passages.
    const std::int32_t first_cycle = f.events.empty() ? 0 : f.events.back().cycle + 1;
    for (const Event& heard_event : p->events) {
      Event e = heard_event;
      e.cycle += first_cycle;
      f.events.push_back(e);
    }
    f.input.beat = std::max(f.input.beat, p->beat);
    const bool hum_told = std::any_of(f.reasons.begin(), f.reasons.end(), [](const Reason& r) {
      return r.code == ReasonCode::mains_hum;
    });
    if (p->mains_hz != 0 && !hum_told)
      f.reasons.push_back({ReasonCode::mains_hum, 0, static_cast<double>(p->mains_hz)});
  }
  if (f.events.size() > event_limit) f.events.resize(event_limit);
  if (f.speed_trace.size() > trace_limit) f.speed_trace.resize(trace_limit);
  // Both run forward in time: a level is used where a judged event lies near.
  std::size_t next = 0;
  for (const LevelPoint& point : sound.levels) {
    if (point.time_s < sound.begin_s) continue;
    f.level_strip.push_back(point);
    constexpr float near_s = 0.25F;
    while (next < f.events.size() && f.events[next].time_s < point.time_s - near_s) ++next;
    f.level_strip.back().used =
        next < f.events.size() && f.events[next].time_s < point.time_s + near_s;
  }
}

/// Why there is no answer, if there is none. Fills in what is known all the same.
std::optional<Reason> withheld(Finding& f, const Whole& whole, const Sums& sums,
                               const Engine& engine, const ListenerOptions& options,
                               const Listened& sound) {
  if (sound.duration_s < shortest_s) return Reason{ReasonCode::too_short, 0, sound.duration_s};
  if (whole.main != nullptr) f.input.snr_db = whole.main->snr_db;
  constexpr auto no_engine = static_cast<std::size_t>(Verdict::unclear);
  const bool other_speed =
      whole.main != nullptr && whole.speed_probability < speed_floor && whole.main->other_rpm;
  if (other_speed && options.speed_guess)
    f.reasons.push_back(
        {ReasonCode::guess_doubted, 0, options.speed_guess->value(), *whole.main->other_rpm});
  if (whole.main == nullptr || 1.0 - whole.probability[no_engine] < engine_floor) {
    if (sound.loudest_db < silent_db)
      f.reasons.push_back({ReasonCode::silence, 0, sound.loudest_db});
    return Reason{ReasonCode::no_engine_heard};
  }
  f.speed = SpeedSummary{Rpm{sums.turns / sums.known_s}, Rpm{sums.low_rpm}, Rpm{sums.high_rpm}};
  f.firing_frequency = engine.firing_frequency(f.speed->mean);
  f.order_lines = whole.main->order_lines;
  f.miss_probability = miss_probability(whole.probability);
  if (whole.cycles < fewest_cycles) return Reason{ReasonCode::too_short, 0, sums.usable_s};
  if (sound.clipped_share > clipped_limit)
    return Reason{ReasonCode::clipped, 0, sound.clipped_share};
  if (other_speed)
    return Reason{ReasonCode::speed_ambiguous, 0, whole.main->mean_rpm, *whole.main->other_rpm};
  if (whole.probability[likeliest(whole.probability)] < verdict_floor)
    return Reason{ReasonCode::too_noisy, 0, whole.main->snr_db};
  return std::nullopt;
}

/// Mean levels of the positions in units of a fired pulse, and the positions from the lowest one
/// up.
struct Levels {
  std::vector<double> mean;
  std::vector<std::size_t> rising;
};

Levels levels_of(const Sums& sums) {
  Levels out;
  for (std::size_t j = 0; j < sums.expected.size(); ++j) {
    out.mean.push_back(sums.expected[j] > 0.0 ? sums.level[j] / sums.expected[j] : 0.0);
    out.rising.push_back(j);
  }
  std::stable_sort(out.rising.begin(), out.rising.end(),
                   [&](std::size_t a, std::size_t b) { return out.mean[a] < out.mean[b]; });
  return out;
}

/// What the events mean if the cylinders of a position or two miss now and then: those cycles that
/// differ are missing.
void read_as_intermittent(Finding& f, Sums& sums, std::span<const Passage* const> passages) {
  std::fill(sums.missing.begin(), sums.missing.end(), 0.0);
  std::size_t event = 0;
  for (const Passage* p : passages) {
    for (std::size_t j = 0; j < sums.missing.size(); ++j)
      sums.missing[j] += p->missing_if_intermittent[j];
    for (const HeardEvent& e : p->events) {
      if (event < f.events.size()) f.events[event++].missing_probability = e.if_intermittent;
    }
  }
}

/// The same for the other verdicts: a dead position misses every event, an engine without a miss
/// none.
void read_as_told(Finding& f, Sums& sums, const Levels& levels, std::size_t dead) {
  if (f.verdict == Verdict::dead_miss || !is_miss(f.verdict))
    std::fill(sums.missing.begin(), sums.missing.end(), 0.0);
  if (f.verdict == Verdict::dead_miss) {
    for (std::size_t i = 0; i < dead; ++i)
      sums.missing[levels.rising[i]] = sums.expected[levels.rising[i]];
  }
  for (Event& e : f.events) {
    const auto j = static_cast<std::size_t>(e.position - 1);
    if (f.verdict == Verdict::dead_miss)
      e.missing_probability = sums.missing[j] > 0.0 ? 1.0F : 0.0F;
    if (!is_miss(f.verdict)) e.missing_probability = 0.0F;
  }
}

/// The share of missing events, its intervals, and the positions. `judged_ratio`: what single
/// events say of the share.
void count(Finding& f, const Whole& whole, const Sums& sums, const Levels& levels,
           double judged_ratio) {
  const double expected = total(sums.expected);
  const double missing = total(sums.missing);
  f.expected_events = std::llround(expected);
  f.missing_events = std::llround(missing);
  f.missing_event_ratio = expected > 0.0 ? missing / expected : 0.0;
  // As sure of the verdict as the answer says it is.
  const std::size_t best = likeliest(whole.probability);
  VerdictProbabilities believed = whole.probability;
  for (double& p : believed)
    p *= (1.0 - *f.confidence) / std::max(1e-9, 1.0 - whole.probability[best]);
  believed[best] = *f.confidence;
  Interval share = ratio_interval(believed, judged_ratio, sums.expected.size(), whole.main->dead);
  share.low = std::min(share.low, *f.missing_event_ratio);
  share.high = std::max(share.high, *f.missing_event_ratio);
  f.missing_event_ratio_interval = share;
  f.underlying_rate_interval = wilson(missing, expected);
  for (std::size_t j = 0; j < sums.expected.size(); ++j) {
    const double n = sums.expected[j];
    const double mean = levels.mean[j];
    PositionFinding position;
    position.position = static_cast<int>(j) + 1;
    position.level = mean;
    position.level_spread =
        n > 1.0 ? std::sqrt(std::max(0.0, sums.level_square[j] / n - mean * mean)) : 0.0;
    position.expected = std::llround(n);
    position.missing = std::llround(sums.missing[j]);
    position.missing_ratio = n > 0.0 ? static_cast<double>(position.missing) / n : 0.0;
    position.missing_ratio_interval = wilson(static_cast<double>(position.missing), n);
    f.positions.push_back(position);
  }
}

/// What speaks for the verdict.
void say_why(Finding& f, const Sums& sums, const Levels& levels, std::size_t dead) {
  const std::size_t positions = f.positions.size();
  const auto number = [](std::size_t position) { return static_cast<int>(position) + 1; };
  const std::size_t lowest = levels.rising.front();
  switch (f.verdict) {
    case Verdict::dead_miss:
      for (std::size_t i = 0; i < dead; ++i) {
        const std::size_t j = levels.rising[i];
        f.reasons.push_back({ReasonCode::empty_position, number(j), levels.mean[j]});
      }
      if (dead * 2 == positions && positions >= 4)
        f.reasons.push_back({ReasonCode::cylinders_switched_off});
      break;
    case Verdict::intermittent_miss: {
      const auto worst = static_cast<std::size_t>(
          std::max_element(sums.missing.begin(), sums.missing.end()) - sums.missing.begin());
      f.reasons.push_back(
          {ReasonCode::misses_at_position, number(worst), f.positions[worst].missing_ratio});
      break;
    }
    case Verdict::random_miss:
      f.reasons.push_back({ReasonCode::misses_spread, 0, *f.missing_event_ratio});
      break;
    case Verdict::weak_cylinder:
      f.reasons.push_back({ReasonCode::low_position, number(lowest), levels.mean[lowest]});
      break;
    case Verdict::rough_no_miss: {
      double spread = 0.0;
      for (const PositionFinding& p : f.positions)
        spread += p.level_spread / static_cast<double>(positions);
      f.reasons.push_back({ReasonCode::levels_wander, 0, spread});
      break;
    }
    case Verdict::even:
      f.reasons.push_back(
          {ReasonCode::levels_agree, 0, levels.mean[levels.rising.back()] - levels.mean[lowest]});
      break;
    case Verdict::unclear: break;
  }
}

}  // namespace

Finding conclude(std::span<const Passage* const> heard, const Engine& engine,
                 const ListenerOptions& options, const Listened& sound) {
  Finding f;
  const std::vector<const Passage*> passages = telling(heard);
  describe(f, passages, sound);
  Sums sums = add_up(passages, engine.positions().size());
  f.input.usable_s = sums.usable_s;
  const Whole whole = combine(passages);
  if (const auto reason = withheld(f, whole, sums, engine, options, sound)) {
    f.reasons.insert(f.reasons.begin(), *reason);
    return f;
  }
  const std::size_t best = likeliest(whole.probability);
  f.verdict = static_cast<Verdict>(best);
  f.confidence = calibrated(whole.probability[best]);

  const Levels levels = levels_of(sums);
  if (f.verdict == Verdict::intermittent_miss) read_as_intermittent(f, sums, passages);
  const double judged_ratio = total(sums.missing) / std::max(1.0, total(sums.expected));
  const std::size_t dead = std::min(static_cast<std::size_t>(whole.main->dead), levels.mean.size());
  read_as_told(f, sums, levels, dead);
  count(f, whole, sums, levels, judged_ratio);
  say_why(f, sums, levels, dead);

  if (passages.size() < heard.size()) {
    f.reasons.push_back({ReasonCode::miss_in_part, 0, passages.front()->begin_s,
                         passages.back()->begin_s + passages.back()->duration_s});
  }
  if (options.known_good) f.reasons.push_back({ReasonCode::known_good_used});
  if (!is_miss(f.verdict))
    f.reasons.push_back(
        {ReasonCode::no_miss_in, 0, total(sums.expected), f.underlying_rate_interval->high});
  if (*f.confidence < thin) f.reasons.push_back({ReasonCode::thin_evidence, 0, *f.confidence});
  if (sums.high_rpm > 1.25 * sums.low_rpm) {
    f.reasons.push_back({ReasonCode::speed_moved, 0, sums.low_rpm, sums.high_rpm});
    const bool comes_and_goes =
        f.verdict == Verdict::intermittent_miss || f.verdict == Verdict::random_miss;
    if (comes_and_goes) f.speed_bands = bands_of(f.events, f.speed_trace);
  }
  if (sums.masked_s > 0.2 * sound.duration_s && sums.masked_s > 1.0)
    f.reasons.push_back({ReasonCode::stretches_masked, 0, sums.masked_s});
  return f;
}

}  // namespace pipebeat::core
