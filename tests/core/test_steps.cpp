// The steps of the listening, each on a sound whose truth is known.
#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <functional>
#include <limits>
#include <numbers>
#include <optional>
#include <random>
#include <vector>

#include "core/comb.hpp"
#include "core/fft.hpp"
#include "core/fold.hpp"
#include "core/line_pattern.hpp"
#include "core/passage.hpp"
#include "core/scatter.hpp"
#include "core/signals.hpp"
#include "core/speed.hpp"
#include "core/statistics.hpp"
#include "pipebeat/listener.hpp"
#include "thumps.hpp"

using namespace pipebeat;
using namespace pipebeat::core;

namespace {

Engine four() { return *Engine::make({4, 4, {}, {}, {}}); }

Signals reduced(const std::vector<float>& sound) {
  SignalBank bank{rate};
  Signals signals;
  std::vector<LevelPoint> strip;
  bank.push(sound, signals, strip);
  return signals;
}

bool always(int) { return true; }

/// Lines of forty cycles that are an impulse of its strength for every position, evenly spaced.
CycleLines lines_of_train(const std::vector<double>& strength, std::size_t lines) {
  constexpr std::size_t cycles = 40;
  const std::size_t positions = strength.size();
  Folded folded;
  folded.cycles = cycles;
  folded.per_cycle = 16 * positions;
  for (auto& v : folded.value) {
    v.assign(cycles * folded.per_cycle, 0.0F);
    for (std::size_t i = 0; i < cycles * positions; ++i) v[16 * i] = static_cast<float>(strength[i % positions]);
  }
  for (std::size_t c = 0; c <= cycles; ++c) folded.start_s.push_back(0.1 * static_cast<double>(c));
  return cycle_lines(folded, lines);
}

}  // namespace

TEST_CASE("the fast transform equals the slow exact one") {
  // X_k = sum x_i exp(-2 pi i k i / n), the definition of the discrete Fourier transform.
  for (const std::size_t n : {2UL, 4UL, 8UL, 16UL, 32UL, 64UL, 1024UL, 2048UL}) {
    CAPTURE(n);
    std::mt19937 random{static_cast<unsigned>(n)};
    std::uniform_real_distribution<float> uniform{-1.0F, 1.0F};
    std::vector<float> x(n);
    for (float& v : x) v = uniform(random);
    const RealFft fft{n};
    std::vector<std::complex<float>> fast(fft.bins());
    fft.forward(x, fast);
    for (std::size_t k = 0; k < fft.bins(); ++k) {
      std::complex<double> slow{};
      for (std::size_t i = 0; i < n; ++i) {
        slow += static_cast<double>(x[i]) * std::polar(1.0, -2.0 * pi * static_cast<double>(k * i % n) / static_cast<double>(n));
      }
      CHECK(std::abs(std::complex<double>(fast[k]) - slow) < 1e-4 * std::sqrt(static_cast<double>(n)));
    }
  }
}

TEST_CASE("an envelope is the RMS of what its band lets through") {
  // Two Butterworth sections of second order at either edge, |H|^2 = 1 / (1 + (edge / f)^4) each (S. Butterworth,
  // Experimental Wireless 7, 1930), at frequencies bent by the bilinear transform.
  constexpr double tone_rate = 48'000.0;
  constexpr double mid_rate = 16'000.0;
  constexpr std::array<std::array<double, 2>, 4> edges{{{120.0, 400.0}, {400.0, 1000.0}, {1000.0, 2500.0}, {2500.0, 7000.0}}};
  const auto bent = [](double f) { return std::tan(pi * f / mid_rate); };
  for (const double f : {90.0, 200.0, 400.0, 640.0, 1500.0, 2600.0, 4000.0}) {
    CAPTURE(f);
    std::vector<float> tone(static_cast<std::size_t>(tone_rate));
    for (std::size_t i = 0; i < tone.size(); ++i) tone[i] = static_cast<float>(0.5 * std::sin(2.0 * pi * f * static_cast<double>(i) / tone_rate));
    SignalBank bank{tone_rate};
    Signals signals;
    std::vector<LevelPoint> strip;
    bank.push(tone, signals, strip);
    for (std::size_t b = 0; b < edges.size(); ++b) {
      CAPTURE(b);
      const double low = std::pow(bent(edges[b][0]) / bent(f), 4.0);
      const double high = std::pow(bent(f) / bent(edges[b][1]), 4.0);
      const double expected = 0.5 / std::numbers::sqrt2 / ((1.0 + low) * (1.0 + high));
      double power = 0.0;
      const auto& envelope = signals.value[b + 1];
      for (std::size_t i = envelope.size() / 2; i < envelope.size(); ++i) power += static_cast<double>(envelope[i]) * envelope[i];
      const double rms = std::sqrt(power / static_cast<double>(envelope.size() - envelope.size() / 2));
      CHECK(std::abs(rms - expected) < 0.01 * expected + 1e-5);
    }
  }
}

TEST_CASE("half the rate keeps what lies below a third of it") {
  struct Tone {
    double hz, off;
  };
  for (const Tone tone : {Tone{20.0, 0.01}, {150.0, 0.02}, {330.0, 0.22}}) {  // 2.1 dB at the end
    const double f = tone.hz;
    CAPTURE(f);
    Signals signals;
    signals.rate_hz = 2000.0;
    for (auto& value : signals.value) {
      for (int i = 0; i < 4001; ++i) value.push_back(static_cast<float>(std::sin(2.0 * pi * f * i / 2000.0)));
    }
    const Signals slow = at_half_rate(signals);
    CHECK(slow.rate_hz == 1000.0);
    REQUIRE(slow.size() == 2000);
    // Sample i is that of 2 i + 1: half a millisecond late.
    for (std::size_t i = 50; i < 1950; ++i) {
      const double expected = std::sin(2.0 * pi * f * (2.0 * static_cast<double>(i) + 1.0) / 2000.0);
      REQUIRE(std::abs(static_cast<double>(slow.value[3][i]) - expected) < tone.off);
    }
  }
}

TEST_CASE("mains hum is taken out and the beat is left") {
  auto sound = four_cylinders(16.0, [](double t) { return 700.0 + 8.0 * std::sin(2.0 * t); }, always);
  Signals clean = reduced(sound);
  for (std::size_t i = 0; i < sound.size(); ++i) {
    sound[i] += static_cast<float>(0.2 * std::sin(2.0 * pi * 50.0 * static_cast<double>(i) / rate) +
                                   0.1 * std::sin(2.0 * pi * 150.0 * static_cast<double>(i) / rate));
  }
  Signals hummed = reduced(sound);
  CHECK(remove_mains(clean).mains_hz == 0);
  CHECK(remove_mains(hummed).mains_hz == 50);
  double left = 0.0;
  double beat = 0.0;
  for (std::size_t i = 4000; i + 4000 < clean.size(); ++i) {
    left += std::pow(hummed.value[0][i] - clean.value[0][i], 2.0);
    beat += std::pow(clean.value[0][i], 2.0);
  }
  CHECK(left < 0.05 * beat);
}

TEST_CASE("a tone is one steady line, an engine is not") {
  std::vector<float> tone(static_cast<std::size_t>(10.0 * rate));
  for (std::size_t i = 0; i < tone.size(); ++i) {
    tone[i] = static_cast<float>(0.3 * std::sin(2.0 * pi * 440.0 * static_cast<double>(i) / rate));
  }
  Signals tonal = reduced(tone);
  CHECK(remove_mains(tonal).line_share > 0.99);
  Signals beating = reduced(four_cylinders(10.0, [](double) { return 700.0; }, always));
  CHECK(remove_mains(beating).line_share < 0.8);
}

std::vector<SpeedCandidate> speeds_in(const Signals& signals, const Engine& engine, std::optional<Rpm> guess = {}) {
  return find_speed(signals, RunningSums{signals}, engine, guess);
}

TEST_CASE("speed is found without a guess, at idle, raised and moving") {
  const Engine engine = four();
  for (const double rpm : {640.0, 810.0, 1500.0}) {
    CAPTURE(rpm);
    const auto found = speeds_in(reduced(four_cylinders(8.0, [&](double t) { return rpm * (1.0 + 0.01 * std::sin(t)); },
                                                        [](int n) { return n % 4 != 1; })),
                                 engine);
    REQUIRE(!found.empty());
    CHECK(found.front().mean_rpm == doctest::Approx(rpm).epsilon(0.01));
  }
  // A blip to nearly twice the speed is followed, not skipped.
  const auto blip = [](double t) { return 750.0 + 650.0 * std::exp(-std::pow((t - 4.0) / 0.6, 2.0)); };
  const auto found = speeds_in(reduced(four_cylinders(9.0, blip, always)), engine);
  REQUIRE(!found.empty());
  CHECK(engine.speed(Hertz{found.front().phase.frequency(4.0)}).value() == doctest::Approx(1400.0).epsilon(0.05));
  CHECK(engine.speed(Hertz{found.front().phase.frequency(1.5)}).value() == doctest::Approx(750.0).epsilon(0.02));
}

TEST_CASE("the long window alone tells the same speed as strongly as both") {
  const Engine engine = four();
  const Signals signals = reduced(four_cylinders(6.0, [](double) { return 800.0; }, [](int) { return 1.0; }));
  const auto hz = [&](double rpm) { return engine.cycle_frequency(Rpm{rpm}).value(); };
  CombSearch both = CombSearch::quick(signals, engine, hz(620.0), hz(1040.0), CombSearch::Windows::both);
  CombSearch wide = CombSearch::quick(signals, engine, hz(620.0), hz(1040.0), CombSearch::Windows::wide);
  for (std::size_t frame = 10; frame < 50; frame += 4) {
    const std::vector<float> a = both.row(frame);
    const std::vector<float> b = wide.row(frame);
    const auto best = std::max_element(a.begin(), a.end());
    const auto alone = std::max_element(b.begin(), b.end());
    CHECK(std::abs((best - a.begin()) - (alone - b.begin())) <= 1);
    CHECK(both.cycle_hz()[static_cast<std::size_t>(best - a.begin())] == doctest::Approx(hz(800.0)).epsilon(0.01));
    CHECK(*alone == doctest::Approx(*best).epsilon(0.25));
  }
}

TEST_CASE("a phase track never runs backwards") {
  const auto found = speeds_in(reduced(four_cylinders(8.0, [](double t) { return 700.0 + 60.0 * std::sin(3.0 * t); }, always)), four());
  REQUIRE(!found.empty());
  const auto& cycles = found.front().phase.cycles;
  for (std::size_t i = 1; i < cycles.size(); ++i) CHECK(cycles[i] > cycles[i - 1]);
  const double middle = 0.5 * found.front().phase.end_s();
  CHECK(found.front().phase.time_of(found.front().phase.at(middle)) == doctest::Approx(middle));
}

TEST_CASE("the line pattern tells a dead cylinder from a healthy engine") {
  const auto misfit = [](const std::function<double(int)>& strength) {
    const Engine engine = four();
    const Signals signals = reduced(four_cylinders(12.0, [](double t) { return 720.0 + 5.0 * std::sin(t); }, strength));
    const auto found = speeds_in(signals, engine, Rpm{720.0});
    REQUIRE(!found.empty());
    const Folded folded = fold(signals, found.front().phase, 96);
    const CycleLines lines = cycle_lines(folded, 24, found.front().running);
    return std::pair{pattern_misfit(lines, 0, engine), null_level(lines, 0, engine, 1.0, 2.0)};
  };
  // No engine is perfectly even.
  const auto [even, even_null] = misfit([](int n) { return n % 4 == 0 ? 0.92 : n % 4 == 1 ? 1.06 : 1.0; });
  const auto [dead, dead_null] = misfit([](int n) { return n % 4 != 2; });
  CHECK(even.healthy < even.one_dead);
  CHECK(dead.one_dead < dead.healthy);
  // One whole pulse reads about 0 dB, and a healthy engine far less.
  CHECK(dead_null > -6.0);
  CHECK(even_null < -12.0);
  const auto [weak, weak_null] = misfit([](int n) { return n % 4 == 2 ? 0.5 : 1.0; });
  CHECK(even.strength > 0.85);
  CHECK(weak.strength == doctest::Approx(0.5).epsilon(0.4));
  CHECK(dead.strength < 0.15);
  CHECK(weak_null < dead_null);
}

TEST_CASE("halves that sound unlike hide no dead cylinder") {
  // A six whose halves fire in turns into pipes of their own.
  const Engine engine = *Engine::make({6, 4, {}, {}, {}});
  const auto misfit = [&](const CycleLines& lines, Halves halves) { return pattern_misfit(lines, 0, engine, halves); };
  const CycleLines unlike = lines_of_train({1.2, 0.6, 0.8, 0.3, 1.0, 0.6}, 24);
  CHECK(misfit(unlike, Halves::apart).healthy < 0.8 * misfit(unlike, Halves::alike).healthy);
  CHECK(misfit(unlike, Halves::apart).strength > misfit(unlike, Halves::alike).strength + 0.1);
  const PatternMisfit dead = misfit(lines_of_train({1.2, 0.6, 0.8, 0.3, -0.15, 0.6}, 24), Halves::apart);
  CHECK(dead.one_dead < 0.6 * dead.healthy);
  CHECK(dead.strength < 0.3);
  // Every other one dead shows on the lines that are left out, and nowhere else.
  const CycleLines every_other = lines_of_train({1.2, 0.1, 0.8, -0.2, 1.0, 0.1}, 24);
  CHECK(misfit(every_other, Halves::apart).alternating == misfit(every_other, Halves::alike).alternating);
  CHECK(misfit(every_other, Halves::apart).healthy < misfit(every_other, Halves::alike).healthy);
}

TEST_CASE("a miss that draws gas in, louder than a fired pulse, is still the miss") {
  // Position n % 4 == 3 misses every third cycle: 1/12 of all events.
  const auto strength = [](int n) { return n % 4 != 3 || (n / 4) % 3 != 0 ? 1.0 : -1.4; };
  const Signals signals = reduced(four_cylinders(14.0, [](double) { return 700.0; }, strength));
  ListenerOptions options;
  options.speed_guess = Rpm{700.0};
  const Passage passage = hear_passage(signals, 0.0, four(), options);
  REQUIRE(passage.engine_heard);
  double missing = 0.0;
  double expected = 0.0;
  for (std::size_t p = 0; p < 4; ++p) {
    missing += passage.missing_if_intermittent[p];
    expected += passage.expected[p];
  }
  CHECK(std::abs(missing / expected - 1.0 / 12.0) < 0.01);
}

TEST_CASE("the mean speed of a start counts the flare") {
  const auto rpm = [](double t) {
    if (t < 3.0) return 200.0;
    if (t < 3.45) return 250.0 + (t - 3.0) / 0.45 * 1000.0;
    return 750.0 + 500.0 * std::exp(-(t - 3.45) / 0.9);
  };
  constexpr double length = 9.0;
  std::vector<float> sound = four_cylinders(length, rpm, [](int n) { return n % 4 == 0 ? 0.85 : 1.0; });
  std::mt19937 random{5};
  std::normal_distribution<float> noise{0.0F, 0.002F};
  for (std::size_t i = 0; i < static_cast<std::size_t>(3.0 * rate); ++i) sound[i] = noise(random);
  double mean = 0.0;
  for (int i = 0; i < 1000; ++i) mean += rpm(3.0 + (length - 3.0) * i / 1000.0) / 1000.0;
  ListenerOptions options;
  options.speed_guess = Rpm{760.0};
  const Passage passage = hear_passage(reduced(sound), 0.0, four(), options);
  CHECK(passage.mean_rpm == doctest::Approx(mean).epsilon(0.02));
  CHECK(passage.max_rpm == doctest::Approx(1250.0).epsilon(0.08));
  CHECK(passage.usable_s < length - 3.0);
}

TEST_CASE("single misses of one position are counted where they fall") {
  // Position n % 4 == 3 misses every third cycle: 1/12 of all events.
  const auto fires = [](int n) { return n % 4 != 3 || (n / 4) % 3 != 0; };
  const Signals signals = reduced(four_cylinders(14.0, [](double) { return 700.0; }, fires));
  ListenerOptions options;
  options.speed_guess = Rpm{700.0};
  const Passage passage = hear_passage(signals, 0.0, four(), options);
  REQUIRE(passage.engine_heard);
  double missing = 0.0;
  double worst = 0.0;
  double expected = 0.0;
  for (std::size_t p = 0; p < 4; ++p) {
    missing += passage.missing[p];
    expected += passage.expected[p];
    worst = std::max(worst, passage.missing[p]);
  }
  CAPTURE(passage.mean_rpm);
  CAPTURE(expected);
  CAPTURE(passage.missing[0]);
  CAPTURE(passage.missing[1]);
  CAPTURE(passage.missing[2]);
  CAPTURE(passage.missing[3]);
  // Bare thumps without any noise: a few of the pulses right after a miss are taken for one, too.
  CHECK(std::abs(missing / expected - 1.0 / 12.0) < 0.02);
  CHECK(worst > 0.8 * missing);
}

TEST_CASE("what two signals agree on is the engine's scatter, not their noise") {
  // Levels of unit mean: a common part of variance s^2 and noise of n^2 in each signal. Their correlation is
  // s^2 / (s^2 + n^2) (K. Pearson, Phil. Trans. A 187, 1896, 253-318: product-moment correlation).
  constexpr std::size_t cycles = 2000;
  constexpr std::size_t positions = 4;
  const std::vector<bool> use(cycles, true);
  const auto heard = [&](const std::array<double, positions>& common, double noise) {
    PulseFit fit;
    fit.cycles = cycles;
    fit.positions = positions;
    std::mt19937 random{7};
    std::normal_distribution<double> normal;
    for (std::size_t c = 0; c < cycles; ++c) {
      const double load = 0.3 * std::sin(2.0 * pi * static_cast<double>(c) / 400.0);  // slow, and no scatter
      for (std::size_t p = 0; p < positions; ++p) {
        const double shared = common[p] * normal(random);
        for (std::size_t m = 0; m < 2; ++m) fit.signal[m].event_level.push_back(static_cast<float>(1.0 + load + shared + noise * normal(random)));
      }
    }
    return agreed_scatter(level_deviations(fit, 0, use), level_deviations(fit, 1, use), positions);
  };
  const AgreedScatter quiet = heard({0.0, 0.0, 0.0, 0.0}, 0.2);
  CHECK(std::abs(quiet.agreement) < 0.03);
  const AgreedScatter rough = heard({0.1, 0.1, 0.1, 0.1}, 0.1);
  CHECK(std::abs(rough.agreement - 0.5) < 0.03);
  CHECK(rough.most < 0.6);
  // One position alone has it: a quarter of the variance that all together have, all of it there.
  const AgreedScatter one = heard({0.0, 0.2, 0.0, 0.0}, 0.1);
  CHECK(std::abs(one.agreement - 0.5) < 0.03);
  CHECK(std::abs(one.most - 4.0 * one.agreement) < 0.1);
  std::vector<bool> none(cycles, false);
  PulseFit fit;
  fit.cycles = cycles;
  fit.positions = positions;
  fit.signal[0].event_level.assign(cycles * positions, 1.0F);
  const auto unused = level_deviations(fit, 0, none);
  CHECK(agreed_scatter(unused, unused, positions).agreement == 0.0);
}

TEST_CASE("the Wilson interval of textbook cases") {
  // scipy.stats.binomtest(k, n).proportion_ci(method="wilson"), scipy 1.10.
  const Interval none = wilson(0.0, 100.0);
  CHECK(none.low == 0.0);
  CHECK(none.high == doctest::Approx(0.0369935).epsilon(1e-5));
  const Interval half = wilson(50.0, 100.0);
  CHECK(half.low == doctest::Approx(0.4038315).epsilon(1e-5));
  CHECK(half.high == doctest::Approx(0.5961685).epsilon(1e-5));
}

TEST_CASE("A stretch of zeros is passed over without a trace") {
  const auto sound_rate = 44'100.0;
  std::vector<float> zeros = four_cylinders(6.0, [](double) { return 800.0; }, always);
  std::fill(zeros.begin() + 20'001, zeros.begin() + 75'555, 0.0F);
  // What is too small to be heard is no zero, so it goes the long way.
  std::vector<float> nearly = zeros;
  std::replace(nearly.begin() + 20'001, nearly.begin() + 75'555, 0.0F, 1e-20F);
  const auto through = [&](const std::vector<float>& sound, std::size_t block) {
    SignalBank bank{sound_rate};
    std::pair<Signals, std::vector<LevelPoint>> out;
    for (std::size_t i = 0; i < sound.size(); i += block) {
      bank.push(std::span{sound}.subspan(i, std::min(block, sound.size() - i)), out.first, out.second);
    }
    return out;
  };
  const auto [expected, expected_strip] = through(nearly, nearly.size());
  for (const std::size_t block : {std::size_t{1}, std::size_t{7}, std::size_t{4096}, zeros.size()}) {
    CAPTURE(block);
    const auto [signals, strip] = through(zeros, block);
    for (std::size_t m = 0; m < signals.value.size(); ++m) {
      REQUIRE(signals.value[m].size() == expected.value[m].size());
      for (std::size_t i = 0; i < signals.value[m].size(); ++i) {
        REQUIRE(signals.value[m][i] == doctest::Approx(expected.value[m][i]).scale(1.0).epsilon(1e-6));
      }
    }
    REQUIRE(strip.size() == expected_strip.size());
    for (std::size_t i = 0; i < strip.size(); ++i) {
      REQUIRE(strip[i].time_s == expected_strip[i].time_s);
      REQUIRE(strip[i].rms_db == doctest::Approx(expected_strip[i].rms_db));
    }
  }
}

TEST_CASE("Rounding does not choose among turns that lay a layout on itself") {
  const Engine oddfire = *Engine::make(*builtin_engine("v6-oddfire"));
  const auto sound = four_cylinders(8.0, [](double) { return 800.0; }, [](int n) { return n % 4 != 1; });
  std::mt19937 random{3};
  std::uniform_real_distribution<float> last_bit{-6e-8F, 6e-8F};
  std::optional<double> first;
  for (int i = 0; i < 6; ++i) {
    std::vector<float> same = sound;
    if (i > 0) {
      for (float& x : same) x *= 1.0F + last_bit(random);
    }
    auto listener = Listener::create(oddfire, Hertz{rate});
    REQUIRE(listener);
    listener->push(same);
    const Finding f = listener->finding();
    REQUIRE(f.miss_probability);
    if (!first) first = f.miss_probability;
    CAPTURE(i);
    CHECK(*f.miss_probability == doctest::Approx(*first).epsilon(1e-4));
  }
}

TEST_CASE("Zeros within a sound do not bring the filters to rest") {
  // Every tenth sample is zero: more than a second of them by the end, never one after the other.
  std::vector<float> sound = four_cylinders(12.0, [](double) { return 800.0; }, always);
  for (std::size_t i = 0; i < sound.size(); i += 10) sound[i] = 0.0F;
  std::vector<float> nearly = sound;
  std::replace(nearly.begin(), nearly.end(), 0.0F, 1e-20F);
  const Signals signals = reduced(sound);
  const Signals expected = reduced(nearly);
  for (std::size_t m = 0; m < signals.value.size(); ++m) {
    REQUIRE(signals.value[m].size() == expected.value[m].size());
    for (std::size_t i = 0; i < signals.value[m].size(); ++i) {
      REQUIRE(signals.value[m][i] == doctest::Approx(expected.value[m][i]).scale(1.0).epsilon(1e-6));
    }
  }
}

TEST_CASE("Samples at full scale, and stuck below it, are counted as clipped") {
  const auto clipped = [](const std::function<float(int)>& sample) {
    SignalBank bank{rate};
    Signals signals;
    std::vector<LevelPoint> strip;
    std::vector<float> sound(1000);
    for (std::size_t i = 0; i < sound.size(); ++i) sound[i] = sample(static_cast<int>(i));
    bank.push(sound, signals, strip);
    return bank.samples_clipped();
  };
  CHECK(clipped([](int i) { return i % 2 == 0 ? 0.99F : -0.99F; }) == 1000);
  CHECK(clipped([](int i) { return i % 2 == 0 ? 0.97F : -0.97F; }) == 0);
  CHECK(clipped([](int) { return 0.6F; }) == 997);  // the fourth of a run is the first to show it
  CHECK(clipped([](int) { return 0.2F; }) == 0);
  CHECK(clipped([](int) { return std::numeric_limits<float>::quiet_NaN(); }) == 1000);
}

TEST_CASE("Folding takes means: a constant stays what it is at every speed") {
  Signals signals;
  signals.rate_hz = 2000.0;
  for (auto& v : signals.value) v.assign(12'000, 0.7F);
  PhaseTrack phase;
  phase.hop_s = 0.05;
  for (int i = 0; i <= 120; ++i) phase.cycles.push_back(0.2 * i + 0.001 * i * i);
  const Folded folded = fold(signals, phase, 64);
  CHECK(folded.cycles >= 30);
  for (std::size_t m = 0; m < folded.value.size(); ++m) {
    for (const float v : folded.value[m]) REQUIRE(v == doctest::Approx(0.7).epsilon(1e-4));
  }
}

TEST_CASE("A cycle of another sound does not belong, though its neighbours do") {
  constexpr std::size_t cycles = 12;
  constexpr std::size_t per_cycle = 64;
  Folded folded;
  folded.cycles = cycles;
  folded.per_cycle = per_cycle;
  std::mt19937 random{3};
  std::normal_distribution<float> noise{0.0F, 0.05F};
  for (auto& v : folded.value) {
    for (std::size_t i = 0; i < cycles * per_cycle; ++i) {
      const double angle = 2.0 * pi * static_cast<double>(i) / per_cycle;
      const float sign = i / per_cycle == 5 ? -1.0F : 1.0F;
      v.push_back(sign * static_cast<float>(std::sin(angle) + 0.6 * std::sin(4.0 * angle)) + noise(random));
    }
  }
  for (std::size_t c = 0; c <= cycles; ++c) folded.start_s.push_back(0.1 * static_cast<double>(c));
  const CycleLines lines = cycle_lines(folded, 8);
  for (std::size_t c = 0; c < cycles; ++c) {
    CAPTURE(c);
    if (c == 5) {
      CHECK(lines.belong[c] < -0.5F);
    } else {
      CHECK(lines.belong[c] > 0.5F);
    }
  }
}

TEST_CASE("Levels that one dead cylinder makes fit that pattern alone") {
  // A flat pulse spectrum: the levels of the lines are those of the firing pattern itself, with what
  // the model adds to every pattern.
  const Engine engine = four();
  const PatternMisfit misfit = pattern_misfit(lines_of_train({1.0, 1.0, 0.0, 1.0}, 12), 0, engine);
  CHECK(misfit.one_dead < 1.0);
  CHECK(misfit.healthy > 2.0 * misfit.one_dead);
  CHECK(misfit.two_dead > misfit.one_dead);
}

TEST_CASE("A long recording is followed from minute to minute, also to half the speed") {
  // The first minute teaches 1600 rpm, at which 800 would fit every other line.
  const auto strength = [](int n) { return n % 4 == 2 ? 0.8 : 1.0; };
  auto listener = *Listener::create(four(), Hertz{rate});
  listener.push(four_cylinders(190.0, [](double t) { return (t < 62.0 ? 1600.0 : 800.0) + 10.0 * std::sin(t); }, strength));
  const Finding f = listener.finding();
  std::vector<double> error;
  for (const SpeedPoint& p : f.speed_trace) {
    const double truth = p.time_s < 62.0F ? 1600.0 : 800.0;
    if (!std::isnan(p.rpm)) error.push_back(std::abs(static_cast<double>(p.rpm) / truth - 1.0));
  }
  REQUIRE(error.size() > 1600);
  CHECK(std::count_if(error.begin(), error.end(), [](double e) { return e < 0.03; }) > 0.97 * static_cast<double>(error.size()));
}
