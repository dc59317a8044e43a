#include "pipebeat/listener.hpp"

#include <algorithm>
#include <cmath>

#include "core/change.hpp"
#include "core/conclusion.hpp"
#include "core/firing_odds.hpp"
#include "core/passage.hpp"
#include "core/signals.hpp"

namespace pipebeat {

using core::event_limit;
using core::Passage;
using core::Signals;
using core::trace_limit;

namespace {

// Long recordings are heard in passages: once the buffer holds `buffer_s`, its first `passage_s`
// are heard for good. What stays (at least 40 s) serves `recent` and gives the last passage a
// decent length.
constexpr double passage_s = 60.0;
constexpr double buffer_s = 100.0;
constexpr double recent_limit_s = 30.0;

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
  mutable std::optional<Passage> tail;   ///< the buffer as it is, once somebody asked
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
  [[nodiscard]] Finding conclude(std::span<const Passage* const> passages, double begin_s,
                                 double duration_s) const {
    const auto seen = static_cast<double>(bank.samples_seen());
    const double clipped = seen > 0.0 ? static_cast<double>(bank.samples_clipped()) / seen : 0.0;
    return core::conclude(
        passages, engine, options,
        {begin_s, duration_s, sample_rate.value(), clipped, bank.loudest_db(), strip});
  }
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
  return Listener{std::make_unique<State>(State{engine,
                                                sample_rate,
                                                options,
                                                core::SignalBank{sample_rate.value()},
                                                {},
                                                0.0,
                                                0,
                                                {},
                                                {},
                                                {},
                                                {}})};
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
    Passage next =
        core::hear_passage(std::move(passage), s.buffer_begin_s, s.engine, s.options, s.known());
    core::number_like(next, s.heard, s.engine);
    next.lines_by_cycle = {};  // memory stays bounded
    s.heard.push_back(std::move(next));
    s.buffer_begin_s += static_cast<double>(cut) / rate;
    s.buffer_begin_sample += cut;
    // Pictures and event lists are bounded: the first ones are kept.
    std::size_t events = 0;
    std::size_t points = 0;
    for (Passage& p : s.heard) {
      if (events + p.events.size() > event_limit)
        p.events.resize(event_limit - std::min(event_limit, events));
      if (points + p.speed_trace.size() > trace_limit)
        p.speed_trace.resize(trace_limit - std::min(trace_limit, points));
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
  const bool plain = f.verdict == Verdict::unclear ||
                     (f.verdict != Verdict::dead_miss && *f.confidence >= core::thin);
  if (plain) return f;
  if (const auto count = core::likelier_count(all.back()->lines_by_cycle, state_->engine,
                                              core::signals_with_odds)) {
    f.reasons.insert(f.reasons.begin(), {ReasonCode::count_doubted, 0, static_cast<double>(*count),
                                         static_cast<double>(state_->engine.cylinders())});
  }
  return f;
}

Finding Listener::recent(Seconds length, std::optional<Rpm> near) const {
  const double rate = state_->bank.rate_hz();
  const auto keep =
      static_cast<std::size_t>(std::clamp(length.value(), 0.0, recent_limit_s) * rate);
  Signals tail;
  tail.rate_hz = rate;
  const std::size_t size = state_->buffer.size();
  const std::size_t take = std::min(size, keep);
  for (std::size_t m = 0; m < tail.value.size(); ++m) {
    const auto& v = state_->buffer.value[m];
    if (v.size() == size)
      tail.value[m].assign(v.end() - static_cast<std::ptrdiff_t>(take), v.end());
  }
  const double begin = state_->buffer_begin_s + static_cast<double>(size - take) / rate;
  std::optional<core::KnownSpeed> known;
  if (near) known = core::KnownSpeed{*near, 1.0, 0.0, 0.0, {}};
  const std::int64_t begin_sample =
      state_->buffer_begin_sample + static_cast<std::int64_t>(size - take);
  state_->spectra.forget_before(begin_sample);
  const Passage last = core::hear_passage(std::move(tail), begin, state_->engine, state_->options,
                                          known, core::Remembered{state_->spectra, begin_sample});
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

}  // namespace pipebeat
