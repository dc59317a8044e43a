// Two recordings laid on each other cycle by cycle, on cycles made by hand.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <random>
#include <string_view>

#include "core/pair_cycles.hpp"
#include "core/same_sound.hpp"
#include "core/signals.hpp"
#include "pipebeat/compare.hpp"

using namespace pipebeat;

namespace {

constexpr std::size_t lines = 18;

Engine four() {
  EngineSpec spec;
  spec.cylinders = 4;
  return Engine::make(spec).value();
}

/// Cycles of an even four whose first position misses with this chance; `turn` of a cycle, `gain`
/// louder.
HeardCycles cycles_of(double missing, unsigned seed, double turn = 0.0, double gain = 1.0) {
  std::mt19937 random{seed};
  std::normal_distribution<double> noise{0.0, 0.25};
  std::uniform_real_distribution<double> chance{0.0, 1.0};
  HeardCycles out;
  out.count = 120;
  out.lines = lines;
  for (std::size_t c = 0; c < out.count; ++c) {
    const bool misses = chance(random) < missing;
    for (std::size_t m = 0; m < core::signal_count; ++m) {
      for (std::size_t k = 1; k <= lines; ++k) {
        std::complex<double> line{noise(random), noise(random)};
        for (int j = misses ? 1 : 0; j < 4; ++j) {
          line += std::polar(std::exp(-0.02 * static_cast<double>(k * k)),
                             -2.0 * std::numbers::pi * static_cast<double>(k) * (0.25 * j + turn));
        }
        out.value.emplace_back(gain * line);
      }
    }
  }
  return out;
}

template <std::size_t n>
double at(const std::array<double, n>& values, const std::array<std::string_view, n>& names,
          std::string_view name) {
  return values[static_cast<std::size_t>(std::find(names.begin(), names.end(), name) -
                                         names.begin())];
}
double of(const std::array<double, core::cycle_number_count>& side, std::string_view name) {
  return at(side, core::cycle_number_names, name);
}

Finding at_speed(double rpm, double confidence) {
  Finding f;
  f.speed = SpeedSummary{Rpm{rpm}, Rpm{rpm}, Rpm{rpm}};
  f.confidence = confidence;
  return f;
}

}  // namespace

TEST_CASE("the side that lacks a pulse is told from the one that has it") {
  const auto pair = core::pair_cycles(four(), cycles_of(1.0, 1), cycles_of(0.0, 2));
  REQUIRE(pair.has_value());
  for (const std::string_view name : {"e1_lacks", "e2_lacks", "e3_lacks", "e4_lacks"}) {
    CHECK(of(pair->before, name) > 0.5);
    CHECK(of(pair->after, name) < -0.5);
  }
  CHECK(of(pair->before, "e2_between") > of(pair->after, "e2_between") + 2.0);
  const auto same = core::pair_cycles(four(), cycles_of(1.0, 1), cycles_of(1.0, 3));
  REQUIRE(same.has_value());
  CHECK(at(pair->apart, core::cycle_distance_names, "cycles_apart") >
        at(same->apart, core::cycle_distance_names, "cycles_apart") + 1.0);
}

TEST_CASE("cycles that are like the other recording show a miss that comes now and then") {
  const auto mended = core::pair_cycles(four(), cycles_of(1.0, 1), cycles_of(0.0, 2));
  const auto seldom = core::pair_cycles(four(), cycles_of(1.0, 1), cycles_of(0.2, 2));
  REQUIRE(mended.has_value());
  REQUIRE(seldom.has_value());
  CHECK(of(mended->after, "cycles_across") == 0.0);
  CHECK(of(seldom->after, "cycles_across") > 0.1);
  CHECK(of(seldom->after, "cycles_across") < 0.3);
  CHECK(of(seldom->after, "cycles_skew") > of(mended->after, "cycles_skew") + 0.5);
  CHECK(of(seldom->after, "cycles_spread") > of(mended->after, "cycles_spread") + 0.5);
}

TEST_CASE("neither where the cycle begins nor how loud it is makes a difference") {
  const auto plain = core::pair_cycles(four(), cycles_of(1.0, 1), cycles_of(0.2, 2));
  const auto turned =
      core::pair_cycles(four(), cycles_of(1.0, 1), cycles_of(0.2, 2, 0.34375, 30.0));
  REQUIRE(plain.has_value());
  REQUIRE(turned.has_value());
  for (std::size_t i = 0; i < plain->before.size(); ++i) {
    CAPTURE(core::cycle_number_names[i]);
    CHECK(plain->before[i] == doctest::Approx(turned->before[i]).epsilon(0.2).scale(1.0));
    CHECK(plain->after[i] == doctest::Approx(turned->after[i]).epsilon(0.2).scale(1.0));
  }
}

TEST_CASE("a few cycles tell nothing") {
  HeardCycles few = cycles_of(0.0, 1);
  few.count = 8;
  CHECK_FALSE(core::pair_cycles(four(), few, cycles_of(0.0, 2)).has_value());
  CHECK_FALSE(core::pair_cycles(four(), cycles_of(0.0, 2), HeardCycles{}).has_value());
}

TEST_CASE(
    "of two speeds of one engine the slower is believed where the faster is a multiple of it") {
  const auto near = [](double rpm, double sure, double other, double other_sure) {
    const auto speed = speed_of_the_other(at_speed(rpm, sure), at_speed(other, other_sure));
    return speed ? speed->value() : 0.0;
  };
  CHECK(near(2120.0, 0.99, 700.0, 0.5) == 700.0);
  CHECK(near(700.0, 0.5, 2120.0, 0.99) == 0.0);
  CHECK(near(1400.0, 0.9, 690.0, 0.6) == 690.0);
  CHECK(near(700.0, 0.9, 780.0, 0.6) == 0.0);  // one idles faster
  CHECK(near(1050.0, 0.6, 700.0, 0.9) == 700.0);
  CHECK(near(1050.0, 0.9, 700.0, 0.6) == 0.0);  // the surer one stays
  Finding unheard;
  CHECK(speed_of_the_other(unheard, at_speed(700.0, 0.9))->value() == 700.0);
  CHECK_FALSE(speed_of_the_other(at_speed(700.0, 0.9), unheard).has_value());
}

TEST_CASE("a copy is known, at another gain, turned, cut or noisier; another take of the engine is not") {
  const HeardCycles take = cycles_of(0.1, 1);
  CHECK(core::same_sound(take, take));
  HeardCycles cut = take;
  cut.count = 50;
  cut.value.erase(cut.value.begin(), cut.value.begin() + 30 * core::signal_count * lines);
  cut.value.resize(cut.count * core::signal_count * lines);
  CHECK(core::same_sound(take, cut));
  CHECK(core::same_sound(cut, take));

  HeardCycles copy = take;
  std::mt19937 random{9};
  std::normal_distribution<float> coder{0.0F, 0.1F};
  for (std::size_t i = 0; i < copy.value.size(); ++i) {
    const auto k = static_cast<float>(i % lines + 1);
    copy.value[i] = 0.3F * copy.value[i] * std::polar(1.0F, 0.7F * k) + std::complex<float>{coder(random), coder(random)};
  }
  CHECK(core::same_sound(take, copy));

  for (unsigned seed = 2; seed < 12; ++seed) CHECK_FALSE(core::same_sound(take, cycles_of(0.1, seed)));
  // Not even with a bang in each, or the same hum behind both.
  HeardCycles bang = take;
  HeardCycles other_bang = cycles_of(0.1, 2);
  HeardCycles hum = take;
  HeardCycles other_hum = cycles_of(0.1, 2);
  for (std::size_t i = 0; i < bang.value.size(); ++i) {
    const std::size_t cycle = i / (core::signal_count * lines);
    if (cycle == 60) bang.value[i] *= 30.0F;
    if (cycle == 70) other_bang.value[i] = 30.0F * take.value[i - 10 * core::signal_count * lines];
    hum.value[i] += std::polar(0.3F, 1.3F * static_cast<float>(cycle));
    other_hum.value[i] += std::polar(0.3F, 1.3F * static_cast<float>(cycle) + 1.0F);
  }
  CHECK_FALSE(core::same_sound(bang, other_bang));
  CHECK_FALSE(core::same_sound(hum, other_hum));
  CHECK_FALSE(core::same_sound(take, HeardCycles{}));
  HeardCycles few = take;  // too little to tell
  few.count = 20;
  few.value.resize(few.count * core::signal_count * lines);
  CHECK_FALSE(core::same_sound(few, few));
}
