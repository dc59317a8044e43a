// Firing odds, on cycles made of one response and known strengths.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <random>
#include <vector>

#include "core/firing_odds.hpp"
#include "core/pattern.hpp"

using namespace pipebeat;
using namespace pipebeat::core;

namespace {

constexpr double turn = 2.0 * std::numbers::pi;

Engine engine_of(int cylinders, std::vector<double> intervals = {}) {
  EngineSpec spec;
  spec.cylinders = cylinders;
  spec.intervals_deg = std::move(intervals);
  return Engine::make(spec).value();
}

/// Sixty cycles of signal 0. A pulse rises in no time, rings for two slots and comes `late` of a cycle
/// after its valve; `noise`: of a line in every cycle, the fired pulses having lines of about 1.
CycleSpectra cycles_of(const Engine& engine, const std::vector<double>& strength, double late = 0.013, double noise = 0.1) {
  CycleSpectra out;
  const auto P = static_cast<double>(engine.positions().size());
  out.cycles = 60;
  out.lines = static_cast<std::size_t>(6.0 * P);
  std::mt19937 random{7};
  std::normal_distribution<double> normal{0.0, noise};
  for (auto& value : out.value) value.assign(out.cycles * out.lines, {});
  for (std::size_t c = 0; c < out.cycles; ++c) {
    for (std::size_t k = 1; k <= out.lines; ++k) {
      const double x = static_cast<double>(k) / P;  // in firing frequencies
      const std::complex<double> response = 1.0 / std::complex<double>{1.0 - 0.4 * x * x, 0.8 * x};
      std::complex<double> line{};
      for (std::size_t p = 0; p < strength.size(); ++p) {
        const double at = engine.positions()[p].angle.value() / engine.cycle().value() + late;
        line += strength[p] * std::polar(1.0, -turn * static_cast<double>(k) * at);
      }
      const double re = normal(random);
      const double im = normal(random);
      out.value[0][c * out.lines + k - 1] = std::complex<float>{line * response + std::complex<double>{re, im}};
    }
  }
  return out;
}

FiringOdds odds(const Engine& engine, const std::vector<double>& strength, double late = 0.013, double noise = 0.1) {
  constexpr std::size_t low = 0;
  return firing_odds(cycles_of(engine, strength, late, noise), {}, engine, std::span{&low, 1}).front();
}

}  // namespace

TEST_CASE("the mean cycle of a four says whether all fire, one is weak, one is dead or two are") {
  const Engine four = engine_of(4);
  const FiringOdds even = odds(four, {1.06, 0.94, 1.0, 0.97});
  CHECK(even.weak < 0.0);
  CHECK(even.dead < even.weak);
  CHECK(even.two_dead < 0.0);
  const FiringOdds weak = odds(four, {1.0, 1.03, 0.5, 0.98});
  CHECK(weak.weak > 1.0);
  CHECK(weak.dead < weak.weak);
  const FiringOdds dead = odds(four, {1.03, 1.0, 0.97, -0.1});
  CHECK(dead.dead > 3.0);
  CHECK(dead.weak < dead.dead);
  CHECK(dead.two_dead < dead.dead);
  const FiringOdds two = odds(four, {-0.1, 0.0, 1.0, 1.03});
  CHECK(two.two_dead > two.dead);
  CHECK(two.two_dead > 3.0);
}

TEST_CASE("firing odds hold wherever the dead position lies, also where firing is uneven") {
  for (const Engine& engine : {engine_of(6), engine_of(6, {150, 90, 150, 90, 150, 90}), engine_of(4, {90, 180, 270, 180})}) {
    const std::size_t P = engine.positions().size();
    CHECK(odds(engine, std::vector<double>(P, 1.0)).dead < 0.0);
    for (std::size_t p = 0; p < P; ++p) {
      std::vector<double> strength(P, 1.0);
      strength[p] = 0.0;
      const FiringOdds found = odds(engine, strength);
      CHECK(found.dead > 0.0);
      CHECK(found.dead > found.weak);
    }
  }
}

TEST_CASE("firing odds do not depend on where a cycle begins") {
  const Engine four = engine_of(4);
  const double here = odds(four, {1.0, 0.0, 1.0, 1.0}, 0.01).dead;
  // Twelve places are tried, not all, so the odds range over a nat or two.
  for (const double late : {0.26, 0.33, 0.51, 0.9}) CHECK(odds(four, {1.0, 0.0, 1.0, 1.0}, late).dead == doctest::Approx(here).epsilon(0.1));
}

TEST_CASE("cycles of noise, and too few cycles, say hardly anything") {
  const Engine four = engine_of(4);
  CHECK(std::abs(odds(four, {0.0, 0.0, 0.0, 0.0}, 0.0, 1.0).dead) < 3.0);
  CycleSpectra few = cycles_of(four, {1.0, 0.0, 1.0, 1.0});
  few.cycles = 4;
  constexpr std::size_t low = 0;
  CHECK(firing_odds(few, {}, four, std::span{&low, 1}).front().dead == 0.0);
}

TEST_CASE("the odds count the dead positions") {
  const auto counted = [](const Engine& engine, const std::vector<double>& strength) {
    const FiringOdds found = odds(engine, strength);
    return dead_positions(std::span{&found, 1}, engine);
  };
  CHECK(counted(engine_of(4), {1.0, 0.97, 0.0, 1.0}) == 1);
  CHECK(counted(engine_of(4), {-0.1, 0.97, 0.0, 1.0}) == 2);
  CHECK(counted(engine_of(6), {1.0, 0.0, 1.0, 1.03, 1.0, 0.97}) == 1);
  CHECK(counted(engine_of(6), {1.0, 0.0, 0.0, 1.03, 1.0, 0.97}) == 2);
  CHECK(counted(engine_of(6), {1.0, 0.0, 0.97, 0.0, 1.03, 0.0}) == 3);
  CHECK(counted(engine_of(8), {1.0, 0.0, 0.97, -0.1, 1.03, 0.0, 1.0, 0.0}) == 4);
  CHECK(counted(engine_of(2), {1.0, 0.0}) == 1);
}

TEST_CASE("A wrong number of cylinders is doubted, a right one is not, dead cylinders or none") {
  // The sound of one engine, as the listener keeps it for an engine of `said`.
  const auto likelier = [](int real, const std::vector<double>& strength, int said) {
    const CycleSpectra sound = cycles_of(engine_of(real), strength);
    HeardCycles heard;
    heard.count = sound.cycles;
    heard.lines = std::min(sound.lines, static_cast<std::size_t>(4 * said));
    for (std::size_t c = 0; c < sound.cycles; ++c) {
      for (const auto& value : sound.value) {
        const auto first = value.begin() + static_cast<std::ptrdiff_t>(c * sound.lines);
        heard.value.insert(heard.value.end(), first, first + static_cast<std::ptrdiff_t>(heard.lines));
      }
    }
    constexpr std::size_t low = 0;
    return likelier_count(heard, engine_of(said), std::span{&low, 1});
  };
  CHECK(likelier(6, {1.0, 1.0, 1.0, 1.0, 1.0, 1.0}, 4) == 6);
  CHECK(likelier(6, {1.0, 0.0, 1.0, 1.0, 1.0, 1.0}, 5) == 6);
  CHECK(likelier(6, {1.0, 0.0, 1.0, 1.0, 1.0, 1.0}, 8) == 6);
  CHECK(likelier(6, {1.0, 1.0, 1.0, 1.0, 1.0, 1.0}, 8) == 6);
  for (const std::vector<double>& strength : {std::vector<double>{1.0, 1.0, 1.0, 1.0, 1.0, 1.0},
                                              {1.0, 0.0, 1.0, 1.0, 1.0, 1.0},
                                              {1.0, 0.5, 1.0, 1.0, 1.0, 1.0},
                                              {0.0, 1.0, 0.0, 1.0, 1.0, 1.0},
                                              {0.0, 1.0, 0.0, 1.0, 0.0, 1.0}}) {
    CHECK_FALSE(likelier(6, strength, 6).has_value());
  }
  CHECK_FALSE(likelier(2, {1.0, 0.0}, 2).has_value());
}
