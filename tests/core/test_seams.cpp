// Recordings with seams: joined of pieces, or with some sound lost.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <random>
#include <vector>

#include "core/seams.hpp"
#include "pipebeat/listener.hpp"
#include "thumps.hpp"

using namespace pipebeat;
using namespace pipebeat::core;

namespace {

/// Cycles of four pulses in every signal, with noise. `late`: of a cycle, as a share of it.
template <class Late>
CycleSpectra cycles_of(const std::vector<double>& strength, std::size_t cycles, Late late) {
  CycleSpectra out;
  out.cycles = cycles;
  out.lines = 16;
  std::mt19937 random{3};
  std::normal_distribution<float> noise{0.0F, 0.15F};
  for (std::size_t m = 0; m < signal_count; ++m) {
    for (std::size_t c = 0; c < cycles; ++c) {
      for (std::size_t k = 1; k <= out.lines; ++k) {
        std::complex<double> line;
        for (std::size_t j = 0; j < strength.size(); ++j) {
          const double angle =
              static_cast<double>(j) / static_cast<double>(strength.size()) + late(c);
          line += strength[j] * std::polar(1.0, -2.0 * pi * static_cast<double>(k) * angle);
        }
        const float re = noise(random);
        const float im = noise(random);
        out.value[m].push_back(std::complex<float>{line} + std::complex<float>{re, im});
      }
    }
    out.power[m] = 1.0;
  }
  return out;
}

const std::vector<double> dead{1.0, 0.9, 0.0, 1.1};

/// A four with one dead cylinder at an idle that wanders.
std::vector<float> dead_four(double seconds) {
  return four_cylinders(
      seconds, [](double t) { return 720.0 * (1.0 + 0.01 * std::sin(1.3 * t)); },
      [](int event) { return event % 4 == 2 ? 0.0 : 1.0; });
}

Finding heard(const std::vector<float>& sound) {
  Listener listener = *Listener::create(*Engine::make({4, 4, {}, {}, {}}), Hertz{rate});
  listener.push(sound);
  return listener.finding();
}

void check_one_dead(const Finding& finding) {
  CAPTURE(finding.duration.value());
  CHECK(finding.verdict == Verdict::dead_miss);
  CHECK(finding.input.usable_s > 0.8 * finding.duration.value());
  REQUIRE(finding.positions.size() == 4);
  int empty = 0;
  for (const PositionFinding& p : finding.positions) {
    CAPTURE(p.level);
    CHECK((p.missing_ratio > 0.95 || p.missing_ratio < 0.05));
    CHECK((p.level < 0.2 || p.level > 0.8));
    if (p.missing_ratio > 0.95 && p.level < 0.2) ++empty;
  }
  CHECK(empty == 1);
}

}  // namespace

TEST_CASE("a jump of the cycle is found where it is, and by how much") {
  for (const double turn : {0.25, -0.25, 0.5, 0.11}) {
    CAPTURE(turn);
    const auto found =
        find_seams(cycles_of(dead, 60, [&](std::size_t c) { return c < 23 ? 0.0 : turn; }),
                   std::vector<bool>(60, true));
    REQUIRE(found.size() == 1);
    CHECK(found[0].from == 23);
    CHECK(found[0].to == 23);
    CHECK(std::abs(std::remainder(found[0].turn - turn, 1.0)) <= 1.0 / 64.0);
  }
}

TEST_CASE("every one of many jumps is found") {
  const auto found = find_seams(
      cycles_of(dead, 80, [](std::size_t c) { return 0.25 * static_cast<double>(c / 16); }),
      std::vector<bool>(80, true));
  REQUIRE(found.size() == 4);
  for (std::size_t i = 0; i < found.size(); ++i) {
    CHECK(found[i].from == 16 * (i + 1));
    CHECK(found[i].turn == doctest::Approx(0.25).epsilon(0.1));
  }
}

TEST_CASE("what runs through has no seam") {
  const std::vector<bool> all(60, true);
  const auto steady = [](std::size_t) { return 0.0; };
  CHECK(find_seams(cycles_of(dead, 60, steady), all).empty());
  // Nor has an engine whose cylinders are alike: it lies on itself as well after a jump of whole
  // firings.
  CHECK(find_seams(
            cycles_of({1.0, 1.0, 1.0, 1.0}, 60, [](std::size_t c) { return c < 23 ? 0.0 : 0.25; }),
            all)
            .empty());
  // Nor has one whose misses change, not its phase: now one cylinder misses, now all fire.
  CycleSpectra misses = cycles_of(dead, 60, steady);
  const CycleSpectra fires = cycles_of({1.0, 0.9, 1.0, 1.1}, 60, steady);
  for (std::size_t m = 0; m < signal_count; ++m)
    std::copy(fires.value[m].begin() + 25 * 16, fires.value[m].begin() + 45 * 16,
              misses.value[m].begin() + 25 * 16);
  CHECK(find_seams(misses, all).empty());
  // Nor one of which a lead is pulled under way: what is left could be turned, and is no more alike
  // then.
  for (const std::vector<double>& two_dead :
       {std::vector<double>{0.0, 0.9, 0.0, 1.1}, {1.0, 0.0, 0.0, 1.1}, {1.0, 0.9, 0.0, 0.0}}) {
    CycleSpectra pulled = cycles_of(dead, 60, steady);
    const CycleSpectra after = cycles_of(two_dead, 60, steady);
    for (std::size_t m = 0; m < signal_count; ++m)
      std::copy(after.value[m].begin() + 30 * 16, after.value[m].end(),
                pulled.value[m].begin() + 30 * 16);
    CHECK(find_seams(pulled, all).empty());
  }
  CHECK(find_seams(cycles_of(dead, 10, steady), std::vector<bool>(10, true)).empty());
}

TEST_CASE("a closed seam lays what follows on what came before") {
  PhaseTrack phase;
  phase.hop_s = 0.1;
  for (int i = 0; i <= 200; ++i) phase.cycles.push_back(0.5 * i);
  for (const double turn : {0.25, -0.25, 0.5}) {
    CAPTURE(turn);
    const PhaseTrack closed = close_seams(phase, {{40, 41, turn}});
    CHECK(closed.at(4.0) == doctest::Approx(20.0));
    CHECK(closed.at(16.0) == doctest::Approx(80.0 - turn));
    for (std::size_t i = 1; i < closed.cycles.size(); ++i)
      CHECK(closed.cycles[i] > closed.cycles[i - 1]);
    REQUIRE(closed.jumps.size() == 1);
    CHECK(closed.jumps[0].begin_s == doctest::Approx(7.8));
    CHECK(closed.jumps[0].end_s == doctest::Approx(8.4));
  }
}

TEST_CASE(
    "a recording joined to itself, or of which some is lost, has the dead cylinder of the whole "
    "one") {
  const std::vector<float> whole = dead_four(11.3);
  check_one_dead(heard(whole));
  std::vector<float> joined;
  for (int i = 0; i < 5; ++i) joined.insert(joined.end(), whole.begin(), whole.end());
  check_one_dead(heard(joined));
  // A recorder that loses 40, 95 and 150 ms.
  std::vector<float> lost;
  std::size_t from = 0;
  for (const auto& [at_s, length_s] :
       {std::pair{2.6, 0.04}, std::pair{5.3, 0.095}, std::pair{8.1, 0.15}}) {
    const auto at = static_cast<std::size_t>(at_s * rate);
    lost.insert(lost.end(), whole.begin() + static_cast<std::ptrdiff_t>(from),
                whole.begin() + static_cast<std::ptrdiff_t>(at));
    from = at + static_cast<std::size_t>(length_s * rate);
  }
  lost.insert(lost.end(), whole.begin() + static_cast<std::ptrdiff_t>(from), whole.end());
  check_one_dead(heard(lost));
}
