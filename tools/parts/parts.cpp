// What the parts of the listening cost, each on the sound of one van: an inline four at 790 rpm,
// 48 kHz. `tools/bench parts`.
#include <benchmark/benchmark.h>

#include <vector>

#include "core/fft.hpp"
#include "core/fold.hpp"
#include "core/judge.hpp"
#include "core/lines.hpp"
#include "core/passage.hpp"
#include "core/pulses.hpp"
#include "core/signals.hpp"
#include "core/speed.hpp"
#include "pipebeat/listener.hpp"
#include "render.hpp"

namespace {

using namespace pipebeat;
using namespace pipebeat::core;

constexpr double rate_hz = 48000.0;
constexpr double minute_s = 60.0;

/// The van for a minute, and what each step makes of it.
struct Van {
  Engine engine = *Engine::make({});
  std::vector<float> sound;
  Signals signals;
  SpeedCandidate speed;
  Folded folded;

  Van() {
    synth::Scene scene;
    scene.duration_s = minute_s;
    scene.engine.idle_rpm = 790.0;
    scene.background = {"traffic"};
    scene.snr_db = 25.0;
    const auto samples = synth::render(scene).samples;
    sound.assign(samples.begin(), samples.end());
    SignalBank bank{rate_hz};
    std::vector<LevelPoint> strip;
    bank.push(sound, signals, strip);
    speed = find_speed(signals, RunningSums{signals}, engine, {}).front();
    folded = fold(signals, speed.phase, angle_grid(engine));
    speed.running.resize(folded.cycles, false);
  }
};

const Van& van() {
  static const Van it;
  return it;
}

/// A counter that reads as "so many times faster than the sound runs".
void times_real_time(benchmark::State& state, double seconds) {
  state.counters["x_real_time"] = benchmark::Counter(seconds * static_cast<double>(state.iterations()), benchmark::Counter::kIsRate);
}

void transform_2048(benchmark::State& state) {
  const RealFft fft{2048};
  std::vector<std::complex<float>> bins(fft.bins());
  const auto in = std::span{van().signals.value[0]}.first(fft.length());
  for (auto _ : state) {
    fft.forward(in, bins);
    benchmark::DoNotOptimize(bins.data());
  }
}
BENCHMARK(transform_2048);

void samples_to_signals(benchmark::State& state) {
  for (auto _ : state) {
    SignalBank bank{rate_hz};
    Signals signals;
    std::vector<LevelPoint> strip;
    bank.push(van().sound, signals, strip);
    benchmark::DoNotOptimize(signals.value[0].data());
  }
  times_real_time(state, minute_s);
}
BENCHMARK(samples_to_signals)->Unit(benchmark::kMillisecond);

Signals first_seconds(double seconds) {
  Signals part;
  part.rate_hz = van().signals.rate_hz;
  const auto n = static_cast<std::ptrdiff_t>(seconds * part.rate_hz);
  for (std::size_t m = 0; m < signal_count; ++m) part.value[m].assign(van().signals.value[m].begin(), van().signals.value[m].begin() + n);
  return part;
}

void hum_search(benchmark::State& state) {
  for (auto _ : state) {
    Signals signals = van().signals;
    benchmark::DoNotOptimize(remove_mains(signals));
  }
  times_real_time(state, minute_s);
}
BENCHMARK(hum_search)->Unit(benchmark::kMillisecond);

void speed_of_16_seconds(benchmark::State& state) {
  const Signals signals = first_seconds(16.0);
  for (auto _ : state) benchmark::DoNotOptimize(find_speed(signals, RunningSums{signals}, van().engine, {}));
  times_real_time(state, 16.0);
}
BENCHMARK(speed_of_16_seconds)->Unit(benchmark::kMillisecond);

void speed_of_a_minute(benchmark::State& state) {
  for (auto _ : state) benchmark::DoNotOptimize(find_speed(van().signals, RunningSums{van().signals}, van().engine, {}));
  times_real_time(state, minute_s);
}
BENCHMARK(speed_of_a_minute)->Unit(benchmark::kMillisecond);

void speed_of_the_next_minute(benchmark::State& state) {
  const SpeedCandidate& s = van().speed;
  const KnownSpeed known{Rpm{s.mean_rpm}, s.probability, s.score, s.features[3], {}};
  for (auto _ : state) benchmark::DoNotOptimize(find_speed(van().signals, RunningSums{van().signals}, van().engine, {}, known));
  times_real_time(state, minute_s);
}
BENCHMARK(speed_of_the_next_minute)->Unit(benchmark::kMillisecond);

void folding_a_minute(benchmark::State& state) {
  const RunningSums sums{van().signals};
  for (auto _ : state) benchmark::DoNotOptimize(fold(sums, van().speed.phase, van().folded.per_cycle));
  times_real_time(state, minute_s);
}
BENCHMARK(folding_a_minute)->Unit(benchmark::kMillisecond);

void pulses_of_a_minute(benchmark::State& state) {
  for (auto _ : state) benchmark::DoNotOptimize(fit_pulses(van().folded, van().engine, van().speed.running));
  times_real_time(state, minute_s);
}
BENCHMARK(pulses_of_a_minute)->Unit(benchmark::kMillisecond);

void events_of_a_minute(benchmark::State& state) {
  const CycleSpectra spectra = cycle_spectra(van().folded, 6 * van().engine.positions().size());
  const PulseFit pulses = fit_pulses(van().folded, van().engine, van().speed.running);
  for (auto _ : state) benchmark::DoNotOptimize(judge_events(van().folded, spectra, van().engine, pulses, van().speed.running));
  times_real_time(state, minute_s);
}
BENCHMARK(events_of_a_minute)->Unit(benchmark::kMillisecond);

/// What `listen` does twice a second; `near`: the speed is known from the last time.
void last_five_seconds(benchmark::State& state, bool near) {
  auto listener = *Listener::create(van().engine, Hertz{rate_hz});
  const auto half = static_cast<std::size_t>(rate_hz) / 2;
  std::size_t at = 10 * half;
  listener.push(std::span{van().sound}.first(at));
  std::optional<Rpm> speed;
  for (auto _ : state) {
    state.PauseTiming();
    if (at + half > van().sound.size()) at = 0;
    listener.push(std::span{van().sound}.subspan(at, half));
    at += half;
    state.ResumeTiming();
    const Finding f = listener.recent(Seconds{5.0}, near ? speed : std::nullopt);
    if (f.speed) speed = f.speed->mean;
  }
}
BENCHMARK_CAPTURE(last_five_seconds, searched, false)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(last_five_seconds, near, true)->Unit(benchmark::kMillisecond);

}  // namespace

BENCHMARK_MAIN();
