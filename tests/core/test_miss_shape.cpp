// What misses look like: told apart among noisy events, and held against the pulses of the engine.
#include <doctest/doctest.h>

#include <algorithm>
#include <complex>
#include <numbers>
#include <random>
#include <vector>

#include "core/lost_pulse.hpp"
#include "core/miss_shape.hpp"

using namespace pipebeat;
using namespace pipebeat::core;

namespace {

constexpr std::size_t samples = 13;

/// Four events a cycle; every ninth is a miss, whose shape is `size` times the noise in two of the
/// signals.
EventRows events_of(std::size_t cycles, float size) {
  EventRows out;
  out.per_signal = samples;
  std::mt19937 random{5};
  std::normal_distribution<float> normal{0.0F, 1.0F};
  for (std::size_t e = 0; e < 4 * cycles; ++e) {
    out.cycle.push_back(e / 4);
    for (std::size_t m = 0; m < signal_count; ++m) {
      for (std::size_t i = 0; i < samples; ++i) {
        const float x = static_cast<float>(i) / samples;
        const float shape = m == 0 ? x * (1.0F - x) * 4.0F : m == 3 ? x - 0.5F : 0.0F;
        out.value.push_back(normal(random) + (e % 9 == 4 ? size * shape : 0.0F));
      }
    }
  }
  return out;
}

const MissShape& of_most_gain(const std::vector<MissShape>& shapes) {
  return *std::max_element(shapes.begin(), shapes.end(),
                           [](const MissShape& a, const MissShape& b) { return a.gain < b.gain; });
}

}  // namespace

TEST_CASE("misses of one shape are told from events that only scatter") {
  for (const std::size_t cycles : {std::size_t{40}, std::size_t{300}}) {  // more than teach, too
    const EventRows events = events_of(cycles, 3.0F);
    const auto shapes = miss_shapes(events);
    REQUIRE(!shapes.empty());
    const MissShape& shape = of_most_gain(shapes);
    int right = 0;
    int wrong = 0;
    int misses = 0;
    for (std::size_t e = 0; e < events.rows(); ++e) {
      const bool said = shape.missing[e] >= 0.5F;
      misses += e % 9 == 4 ? 1 : 0;
      (e % 9 == 4 ? right : wrong) += said ? 1 : 0;
    }
    CHECK(right >= 0.95 * misses);
    CHECK(wrong <= 0.05 * misses);
    CHECK(shape.gap > 4.0);
  }
}

TEST_CASE("what scatters alike gains little from being two kinds") {
  const auto none = miss_shapes(events_of(40, 0.0F));
  const auto some = miss_shapes(events_of(40, 3.0F));
  const double by_chance = none.empty() ? 0.0 : of_most_gain(none).gain;
  CHECK(of_most_gain(some).gain > 5.0 * by_chance);
}

TEST_CASE("a handful of events has no shape") { CHECK(miss_shapes(events_of(7, 3.0F)).empty()); }

namespace {

/// A hundred and twenty cycles of pulses that ring for two slots, with noise; the events of
/// `missing` are gone.
CycleSpectra cycles_of(const Engine& engine, const std::vector<float>& missing) {
  constexpr double turn = 2.0 * std::numbers::pi;
  const std::size_t P = engine.positions().size();
  CycleSpectra out;
  out.cycles = missing.size() / P;
  out.lines = 6 * P;
  std::mt19937 random{7};
  std::normal_distribution<double> normal{0.0, 0.2};
  for (auto& value : out.value) value.resize(out.cycles * out.lines);
  for (std::size_t c = 0; c < out.cycles; ++c) {
    for (std::size_t m = 0; m < signal_count; ++m) {
      for (std::size_t k = 1; k <= out.lines; ++k) {
        const double x = static_cast<double>(k) / static_cast<double>(P);
        const std::complex<double> response = std::polar(1.0, static_cast<double>(m)) /
                                              std::complex<double>{1.0 - 0.4 * x * x, 0.8 * x};
        std::complex<double> line{};
        for (std::size_t p = 0; p < P; ++p) {
          const double at = engine.positions()[p].angle.value() / engine.cycle().value() + 0.03;
          line += (1.0 - static_cast<double>(missing[c * P + p])) *
                  std::polar(1.0, -turn * static_cast<double>(k) * at);
        }
        const double re = normal(random);
        const double im = normal(random);
        out.value[m][c * out.lines + k - 1] =
            std::complex<float>{line * response + std::complex<double>{re, im}};
      }
    }
  }
  return out;
}

}  // namespace

TEST_CASE("a miss takes a pulse away, fired cycles taken for misses seem to add one") {
  for (const char* layout : {"inline4", "v6", "vtwin45", "v6-oddfire", "v8-bank", "single"}) {
    CAPTURE(layout);
    const Engine engine = Engine::make(builtin_engine(layout).value()).value();
    const std::size_t P = engine.positions().size();
    std::vector<float> missing(120 * P, 0.0F);
    for (std::size_t c = 0; c < 120; ++c) missing[c * P + P / 2] = (c * c) % 7 < 3 ? 1.0F : 0.0F;
    const CycleSpectra spectra = cycles_of(engine, missing);
    PulseFit pulses;
    for (auto& s : pulses.signal) s.scale.assign(120, 1.0);
    const std::vector<bool> running(120, true);
    const LostPulse lost_pulse{engine, spectra, pulses, running};
    const LostPulse::Loss loss = lost_pulse.with(missing);
    CHECK(loss.sureness > 5.0);
    CHECK(loss.low > 0.5);
    CHECK(loss.high > 0.5);
    std::vector<float> swapped(missing.size(), 0.0F);
    for (std::size_t c = 0; c < 120; ++c) swapped[c * P + P / 2] = 1.0F - missing[c * P + P / 2];
    CHECK(lost_pulse.with(swapped).sureness < -5.0);
    CHECK(lost_pulse.with(swapped).low < -0.5);
  }
}
