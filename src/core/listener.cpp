#include "pipebeat/listener.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "core/change.hpp"
#include "core/firing_odds.hpp"
#include "core/passage.hpp"
#include "core/signals.hpp"
#include "core/statistics.hpp"

namespace pipebeat {

using core::Passage;
using core::Signals;

namespace {

// Long recordings are heard in passages: once the buffer holds `buffer_s`, its first `passage_s`
// are heard for good. What stays (at least 40 s) serves `recent` and gives the last passage a
// decent length.
constexpr double passage_s = 60.0;
constexpr double buffer_s = 100.0;
constexpr double recent_limit_s = 30.0;
constexpr std::size_t event_limit = 20'000;
constexpr std::size_t trace_limit = 20'000;

constexpr double shortest_s = 1.5;
constexpr double fewest_cycles = 8.0;
constexpr double speed_floor = 0.6;    // probability of the chosen ratio
constexpr double verdict_floor = 0.34; // probability of the chosen verdict
constexpr double engine_floor = 0.5;   // that it is an engine at all
constexpr double thin = 0.7;           // an answer less sure than that is said to be thin
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
  core::VerdictProbabilities probability{};
  double cycles = 0.0;
  double speed_probability = 0.0;
  const Passage* main = nullptr;  ///< the passage with most judged cycles
};

Whole combine(std::span<const Passage* const> passages) {
  Whole w;
  core::VerdictProbabilities log_sum{};
  for (const Passage* p : passages) {
    if (!p->engine_heard) continue;
    w.cycles += p->cycles;
    w.speed_probability += p->cycles * p->speed_probability;
    for (std::size_t v = 0; v < log_sum.size(); ++v) log_sum[v] += p->cycles * std::log(p->probability[v] + 1e-9);
    if (w.main == nullptr || p->cycles > w.main->cycles) w.main = p;
  }
  if (w.main == nullptr) return w;
  w.speed_probability /= w.cycles;
  double sum = 0.0;
  for (std::size_t v = 0; v < log_sum.size(); ++v) sum += w.probability[v] = std::exp(log_sum[v] / w.cycles);
  for (double& p : w.probability) p /= sum;
  return w;
}

double miss_probability(const core::VerdictProbabilities& p) {
  return (p[0] + p[1] + p[2]) / std::max(1e-9, 1.0 - p.back());
}

/// The passages that an answer is about: all of them, or, where a good part plainly misses and others
/// plainly don't, those that miss. A miss that came or went must not be averaged away.
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
Interval ratio_interval(const core::VerdictProbabilities& probability, double estimate, std::size_t positions, int dead) {
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

/// Misses by thirds of the range of speeds at which events were judged. Events and trace run forward in
/// time. A third with hardly an event is left out.
std::vector<SpeedBand> bands_of(std::span<const Event> events, std::span<const SpeedPoint> trace) {
  constexpr std::size_t thirds = 3;
  constexpr std::int64_t fewest = 20;
  std::vector<float> rpm;
  std::size_t next = 0;
  for (const Event& e : events) {
    while (next + 1 < trace.size() && std::abs(trace[next + 1].time_s - e.time_s) <= std::abs(trace[next].time_s - e.time_s)) ++next;
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
    band.missing_ratio_interval = core::wilson(static_cast<double>(band.missing), static_cast<double>(band.expected));
    out.push_back(band);
  }
  return out;
}

}  // namespace

struct Listener::State {
  Engine engine;
  Hertz sample_rate;
  ListenerOptions options;
  core::SignalBank bank;
  Signals buffer;
  double buffer_begin_s = 0.0;
  std::int64_t buffer_begin_sample = 0;
  std::vector<LevelPoint> strip;
  std::vector<Passage> heard;
  mutable std::optional<Passage> tail;  ///< the buffer as it is, once somebody asked
  mutable core::SpectrumMemory spectra;  ///< of what `recent` heard last

  /// What the last passage that was heard for good taught about the speed.
  [[nodiscard]] std::optional<core::KnownSpeed> known() const {
    return heard.empty() ? std::nullopt : heard.back().known;
  }
  /// What the buffer says.
  const Passage& hear_buffer() const {
    if (!tail) {
      tail = core::hear_passage(buffer, buffer_begin_s, engine, options, known());
      core::number_like(*tail, heard, engine);
    }
    return *tail;
  }
  Finding conclude(std::span<const Passage* const> passages, double begin_s, double duration_s) const;
  [[nodiscard]] double seconds_seen() const {
    return static_cast<double>(bank.samples_seen()) / sample_rate.value();
  }
};

Listener::Listener(std::unique_ptr<State> state) : state_{std::move(state)} {}
Listener::Listener(Listener&&) noexcept = default;
Listener& Listener::operator=(Listener&&) noexcept = default;
Listener::~Listener() = default;

Result<Listener> Listener::create(const Engine& engine, Hertz sample_rate,
                                  const ListenerOptions& options) {
  if (!(sample_rate.value() >= 4000.0 && sample_rate.value() <= 400'000.0)) {
    return fail(ErrorCode::bad_argument, "the sample rate is outside 4 to 400 kHz",
                "record at 44.1 or 48 kHz");
  }
  if (options.speed_guess && !(options.speed_guess->value() > 0.0)) {
    return fail(ErrorCode::bad_argument, "the speed guess is not a positive number",
                "give revolutions per minute, for example --rpm 700");
  }
  return Listener{std::make_unique<State>(
      State{engine, sample_rate, options, core::SignalBank{sample_rate.value()}, {}, 0.0, 0, {}, {}, {}, {}})};
}

void Listener::push(std::span<const float> samples) {
  // In steps of at most a second, so that passages are cut at the same samples however long the
  // pushed blocks are.
  const auto step = static_cast<std::size_t>(state_->sample_rate.value());
  auto& s = *state_;
  s.tail.reset();
  while (!samples.empty()) {
    const std::size_t into = static_cast<std::size_t>(s.bank.samples_seen()) % step;
    const std::size_t take = std::min(samples.size(), step - into);
    s.bank.push(samples.first(take), s.buffer, s.strip);
    samples = samples.subspan(take);
    const double rate = s.bank.rate_hz();
    if (static_cast<double>(s.buffer.size()) < buffer_s * rate) continue;
    const auto cut = static_cast<std::ptrdiff_t>(passage_s * rate);
    Signals passage;
    passage.rate_hz = rate;
    for (std::size_t m = 0; m < passage.value.size(); ++m) {
      auto& v = s.buffer.value[m];
      if (v.empty()) continue;
      passage.value[m].assign(v.begin(), v.begin() + cut);
      v.erase(v.begin(), v.begin() + cut);
    }
    Passage next = core::hear_passage(std::move(passage), s.buffer_begin_s, s.engine, s.options, s.known());
    core::number_like(next, s.heard, s.engine);
    next.lines_by_cycle = {};  // memory stays bounded
    s.heard.push_back(std::move(next));
    s.buffer_begin_s += static_cast<double>(cut) / rate;
    s.buffer_begin_sample += cut;
    // Pictures and event lists are bounded: the first ones are kept.
    std::size_t events = 0;
    std::size_t points = 0;
    for (Passage& p : s.heard) {
      if (events + p.events.size() > event_limit) p.events.resize(event_limit - std::min(event_limit, events));
      if (points + p.speed_trace.size() > trace_limit) p.speed_trace.resize(trace_limit - std::min(trace_limit, points));
      p.events.shrink_to_fit();
      p.speed_trace.shrink_to_fit();
      events += p.events.size();
      points += p.speed_trace.size();
    }
    if (s.strip.size() > trace_limit) s.strip.resize(trace_limit);
  }
}

Finding Listener::finding() const {
  std::vector<const Passage*> all;
  for (const Passage& p : state_->heard) all.push_back(&p);
  all.push_back(&state_->hear_buffer());
  Finding f = state_->conclude(all, 0.0, state_->seconds_seen());
  // Whoever miscounts the cylinders gets a surely dead one, or an answer that is sure of nothing.
  const bool plain = f.verdict == Verdict::unclear || (f.verdict != Verdict::dead_miss && *f.confidence >= thin);
  if (plain) return f;
  if (const auto count = core::likelier_count(all.back()->lines_by_cycle, state_->engine, core::signals_with_odds)) {
    f.reasons.insert(f.reasons.begin(), {ReasonCode::count_doubted, 0, static_cast<double>(*count), static_cast<double>(state_->engine.cylinders())});
  }
  return f;
}

Finding Listener::recent(Seconds length, std::optional<Rpm> near) const {
  const double rate = state_->bank.rate_hz();
  const auto keep = static_cast<std::size_t>(std::clamp(length.value(), 0.0, recent_limit_s) * rate);
  Signals tail;
  tail.rate_hz = rate;
  const std::size_t size = state_->buffer.size();
  const std::size_t take = std::min(size, keep);
  for (std::size_t m = 0; m < tail.value.size(); ++m) {
    const auto& v = state_->buffer.value[m];
    if (v.size() == size) tail.value[m].assign(v.end() - static_cast<std::ptrdiff_t>(take), v.end());
  }
  const double begin = state_->buffer_begin_s + static_cast<double>(size - take) / rate;
  std::optional<core::KnownSpeed> known;
  if (near) known = core::KnownSpeed{*near, 1.0, 0.0, 0.0, {}};
  const std::int64_t begin_sample = state_->buffer_begin_sample + static_cast<std::int64_t>(size - take);
  state_->spectra.forget_before(begin_sample);
  const Passage last = core::hear_passage(std::move(tail), begin, state_->engine, state_->options, known,
                                          core::Remembered{state_->spectra, begin_sample});
  const Passage* const one[] = {&last};
  Finding f = state_->conclude(one, begin, static_cast<double>(take) / rate);
  if (last.engine_heard)
    f.change = core::find_change(last.events, state_->engine.positions().size());
  return f;
}

std::optional<KnownGood> Listener::as_known_good() const {
  const Passage& last = state_->hear_buffer();
  if (!last.engine_heard) return std::nullopt;
  return KnownGood{{last.evidence.begin(), last.evidence.end()}};
}

const HeardCycles& Listener::cycles() const { return state_->hear_buffer().lines_by_cycle; }

Finding Listener::State::conclude(std::span<const Passage* const> heard_passages, double begin_s, double duration_s) const {
  Finding f;
  const std::vector<const Passage*> passages = telling(heard_passages);
  const bool in_part = passages.size() < heard_passages.size();
  f.duration = Seconds{duration_s};
  f.sample_rate_hz = sample_rate.value();
  const auto seen = static_cast<double>(bank.samples_seen());
  f.input.clipped_share = seen > 0.0 ? static_cast<double>(bank.samples_clipped()) / seen : 0.0;

  const std::size_t P = engine.positions().size();
  std::vector<double> expected(P, 0.0);
  std::vector<double> missing(P, 0.0);
  std::vector<double> level(P, 0.0);
  std::vector<double> square(P, 0.0);
  double turns = 0.0;
  double known = 0.0;
  double time = 0.0;
  double low = 1e9;
  double high = 0.0;
  double masked = 0.0;
  for (const Passage* p : passages) {
    f.speed_trace.insert(f.speed_trace.end(), p->speed_trace.begin(), p->speed_trace.end());
    masked += p->duration_s - p->usable_s;
    if (p->mean_rpm > 0.0 && p->usable_s > 0.0) {
      turns += p->mean_rpm * p->known_s;
      known += p->known_s;
      time += p->usable_s;
      low = std::min(low, p->min_rpm);
      high = std::max(high, p->max_rpm);
    }
    for (std::size_t j = 0; j < P; ++j) {
      expected[j] += p->expected[j];
      missing[j] += p->missing[j];
      level[j] += p->level_sum[j];
      square[j] += p->level_square[j];
    }
    // Rows of the beat matrix count through all passages.
    const std::int32_t first_cycle = f.events.empty() ? 0 : f.events.back().cycle + 1;
    for (const Event& heard_event : p->events) {
      Event e = heard_event;
      e.cycle += first_cycle;
      f.events.push_back(e);
    }
    f.input.beat = std::max(f.input.beat, p->beat);
    if (p->mains_hz != 0 && std::none_of(f.reasons.begin(), f.reasons.end(), [](const Reason& r) { return r.code == ReasonCode::mains_hum; })) {
      f.reasons.push_back({ReasonCode::mains_hum, 0, static_cast<double>(p->mains_hz)});
    }
  }
  if (f.events.size() > event_limit) f.events.resize(event_limit);
  if (f.speed_trace.size() > trace_limit) f.speed_trace.resize(trace_limit);
  f.input.usable_s = time;
  // Both run forward in time: a level is used where a judged event lies near.
  std::size_t next = 0;
  for (const LevelPoint& point : strip) {
    if (point.time_s < begin_s) continue;
    f.level_strip.push_back(point);
    constexpr float near_s = 0.25F;
    while (next < f.events.size() && f.events[next].time_s < point.time_s - near_s) ++next;
    f.level_strip.back().used = next < f.events.size() && f.events[next].time_s < point.time_s + near_s;
  }

  const auto unclear = [&](ReasonCode code, double value = 0.0, double value2 = 0.0) {
    f.verdict = Verdict::unclear;
    f.confidence.reset();
    f.missing_event_ratio.reset();
    f.missing_event_ratio_interval.reset();
    f.underlying_rate_interval.reset();
    f.expected_events.reset();
    f.missing_events.reset();
    f.positions.clear();
    f.reasons.insert(f.reasons.begin(), Reason{code, 0, value, value2});
    return f;
  };
  const auto no_engine_heard = [&] {
    if (bank.loudest_db() < silent_db) f.reasons.push_back({ReasonCode::silence, 0, bank.loudest_db()});
    return unclear(ReasonCode::no_engine_heard);
  };
  if (duration_s < shortest_s) return unclear(ReasonCode::too_short, duration_s);
  const Whole whole = combine(passages);
  constexpr auto no_engine = static_cast<std::size_t>(Verdict::unclear);
  if (whole.main == nullptr) return no_engine_heard();
  f.input.snr_db = whole.main->snr_db;
  if (1.0 - whole.probability[no_engine] < engine_floor) return no_engine_heard();

  f.speed = SpeedSummary{Rpm{turns / known}, Rpm{low}, Rpm{high}};
  f.firing_frequency = engine.firing_frequency(f.speed->mean);
  f.order_lines = whole.main->order_lines;
  f.miss_probability = miss_probability(whole.probability);
  if (whole.cycles < fewest_cycles) return unclear(ReasonCode::too_short, time);
  if (f.input.clipped_share > clipped_limit) return unclear(ReasonCode::clipped, f.input.clipped_share);
  if (whole.speed_probability < speed_floor && whole.main->other_rpm) {
    if (options.speed_guess) f.reasons.push_back({ReasonCode::guess_doubted, 0, options.speed_guess->value(), *whole.main->other_rpm});
    return unclear(ReasonCode::speed_ambiguous, whole.main->mean_rpm, *whole.main->other_rpm);
  }
  const auto best = static_cast<std::size_t>(std::max_element(whole.probability.begin(), whole.probability.end() - 1) - whole.probability.begin());
  if (whole.probability[best] < verdict_floor) return unclear(ReasonCode::too_noisy, *f.input.snr_db);
  f.verdict = static_cast<Verdict>(best);
  f.confidence = calibrated(whole.probability[best]);

  // Levels in units of a fired pulse: the upper half of the positions averages 1.
  std::vector<double> mean(P, 0.0);
  for (std::size_t j = 0; j < P; ++j) mean[j] = expected[j] > 0.0 ? level[j] / expected[j] : 0.0;
  std::vector<std::size_t> by_level(P);
  std::iota(by_level.begin(), by_level.end(), std::size_t{0});
  std::stable_sort(by_level.begin(), by_level.end(), [&](std::size_t a, std::size_t b) { return mean[a] < mean[b]; });

  // The verdict decides what the events mean: the dead position misses every event, an intermittent
  // one those cycles that differ, an engine without a miss none.
  if (f.verdict == Verdict::intermittent_miss) {
    std::fill(missing.begin(), missing.end(), 0.0);
    std::size_t event = 0;
    for (const Passage* p : passages) {
      for (std::size_t j = 0; j < P; ++j) missing[j] += p->missing_if_intermittent[j];
      for (const core::HeardEvent& e : p->events) {
        if (event < f.events.size()) f.events[event++].missing_probability = e.if_intermittent;
      }
    }
  }
  const double judged_ratio = std::accumulate(missing.begin(), missing.end(), 0.0) /
                              std::max(1.0, std::accumulate(expected.begin(), expected.end(), 0.0));
  if (f.verdict == Verdict::dead_miss) {
    std::fill(missing.begin(), missing.end(), 0.0);
    const auto dead = std::min<std::size_t>(static_cast<std::size_t>(whole.main->dead), P);
    for (std::size_t i = 0; i < dead; ++i) missing[by_level[i]] = expected[by_level[i]];
    for (std::size_t i = 0; i < dead; ++i) {
      f.reasons.push_back({ReasonCode::empty_position, static_cast<int>(by_level[i]) + 1, mean[by_level[i]]});
    }
    if (dead * 2 == P && P >= 4) f.reasons.push_back({ReasonCode::cylinders_switched_off});
  } else if (!is_miss(f.verdict)) {
    std::fill(missing.begin(), missing.end(), 0.0);
  }
  const double total = std::accumulate(expected.begin(), expected.end(), 0.0);
  const double misses = std::accumulate(missing.begin(), missing.end(), 0.0);
  for (Event& e : f.events) {
    const auto j = static_cast<std::size_t>(e.position - 1);
    if (f.verdict == Verdict::dead_miss) e.missing_probability = missing[j] > 0.0 ? 1.0F : 0.0F;
    if (!is_miss(f.verdict)) e.missing_probability = 0.0F;
  }
  f.expected_events = std::llround(total);
  f.missing_events = std::llround(misses);
  f.missing_event_ratio = total > 0.0 ? misses / total : 0.0;
  // As sure of the verdict as the answer says it is.
  core::VerdictProbabilities believed = whole.probability;
  for (double& p : believed) p *= (1.0 - *f.confidence) / std::max(1e-9, 1.0 - whole.probability[best]);
  believed[best] = *f.confidence;
  f.missing_event_ratio_interval = ratio_interval(believed, judged_ratio, P, whole.main->dead);
  f.missing_event_ratio_interval->low = std::min(f.missing_event_ratio_interval->low, *f.missing_event_ratio);
  f.missing_event_ratio_interval->high = std::max(f.missing_event_ratio_interval->high, *f.missing_event_ratio);
  f.underlying_rate_interval = core::wilson(misses, total);
  for (std::size_t j = 0; j < P; ++j) {
    PositionFinding position;
    position.position = static_cast<int>(j) + 1;
    position.level = mean[j];
    position.level_spread = expected[j] > 1.0 ? std::sqrt(std::max(0.0, square[j] / expected[j] - mean[j] * mean[j])) : 0.0;
    position.expected = std::llround(expected[j]);
    position.missing = std::llround(missing[j]);
    position.missing_ratio = expected[j] > 0.0 ? static_cast<double>(position.missing) / expected[j] : 0.0;
    position.missing_ratio_interval = core::wilson(static_cast<double>(position.missing), expected[j]);
    f.positions.push_back(position);
  }
  switch (f.verdict) {
    case Verdict::intermittent_miss: {
      const auto worst = static_cast<std::size_t>(std::max_element(missing.begin(), missing.end()) - missing.begin());
      f.reasons.push_back({ReasonCode::misses_at_position, static_cast<int>(worst) + 1, f.positions[worst].missing_ratio});
      break;
    }
    case Verdict::random_miss:
      f.reasons.push_back({ReasonCode::misses_spread, 0, *f.missing_event_ratio});
      break;
    case Verdict::weak_cylinder:
      f.reasons.push_back({ReasonCode::low_position, static_cast<int>(by_level[0]) + 1, mean[by_level[0]]});
      break;
    case Verdict::rough_no_miss:
      f.reasons.push_back({ReasonCode::levels_wander, 0, std::accumulate(f.positions.begin(), f.positions.end(), 0.0, [&](double s, const PositionFinding& q) { return s + q.level_spread / static_cast<double>(P); })});
      break;
    case Verdict::even:
      f.reasons.push_back({ReasonCode::levels_agree, 0, mean.empty() ? 0.0 : mean[by_level.back()] - mean[by_level.front()]});
      break;
    case Verdict::dead_miss:
    case Verdict::unclear:
      break;
  }
  if (in_part) {
    f.reasons.push_back({ReasonCode::miss_in_part, 0, passages.front()->begin_s, passages.back()->begin_s + passages.back()->duration_s});
  }
  if (options.known_good) f.reasons.push_back({ReasonCode::known_good_used});
  if (!is_miss(f.verdict)) f.reasons.push_back({ReasonCode::no_miss_in, 0, total, f.underlying_rate_interval->high});
  if (*f.confidence < thin) f.reasons.push_back({ReasonCode::thin_evidence, 0, *f.confidence});
  if (high > 1.25 * low) {
    f.reasons.push_back({ReasonCode::speed_moved, 0, low, high});
    const bool comes_and_goes = f.verdict == Verdict::intermittent_miss || f.verdict == Verdict::random_miss;
    if (comes_and_goes) f.speed_bands = bands_of(f.events, f.speed_trace);
  }
  if (masked > 0.2 * duration_s && masked > 1.0) f.reasons.push_back({ReasonCode::stretches_masked, 0, masked});
  return f;
}

}  // namespace pipebeat
