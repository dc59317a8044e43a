#include "pipebeat/listener.hpp"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <random>
#include <string>
#include <vector>

#include "show/json.hpp"

using namespace pipebeat;

namespace {

constexpr double rate = 16000.0;

Engine four() { return *Engine::make({4, 4, {}, {}, {}}); }

/// Decaying 90 Hz thumps of a four in a little noise; every fourth has this strength.
std::vector<float> four_with_one_dead(double seconds, double strength = 0.0, double rpm = 700.0) {
  std::vector<float> sound(static_cast<std::size_t>(seconds * rate));
  std::mt19937 random{7};
  std::uniform_real_distribution<float> noise{-0.01f, 0.01f};
  const double slot = rate * 120.0 / rpm / 4.0;
  for (std::size_t i = 0; i < sound.size(); ++i) {
    const double phase = static_cast<double>(i) / slot;
    const double since = (phase - std::floor(phase)) * slot / rate;
    const double thump = 0.4 * (static_cast<int>(phase) % 4 != 2 ? 1.0 : strength) *
                         std::exp(-since / 0.01) * std::sin(2.0 * std::numbers::pi * 90.0 * since);
    sound[i] = static_cast<float>(thump) + noise(random);
  }
  return sound;
}

Listener listener(const ListenerOptions& options = {}) {
  auto made = Listener::create(four(), Hertz{rate}, options);
  REQUIRE(made);
  return std::move(*made);
}

std::string json_of(const Listener& l) {
  const Engine engine = four();
  const Finding finding = l.finding();
  return show::to_json({"sound", engine, finding});
}

}  // namespace

TEST_CASE("The answer does not depend on how the sound is cut into blocks") {
  const std::vector<float> sound = four_with_one_dead(8.0);
  std::string first;
  for (std::size_t block : {std::size_t{4096}, std::size_t{1}, std::size_t{7}, std::size_t{64},
                            std::size_t{300}, sound.size()}) {
    CAPTURE(block);
    Listener l = listener();
    for (std::size_t i = 0; i < sound.size(); i += block) {
      l.push(std::span{sound}.subspan(i, std::min(block, sound.size() - i)));
    }
    const std::string json = json_of(l);
    if (first.empty()) first = json;
    CHECK(json == first);
  }
  CHECK(first.find("\"duration_s\":8.0") != std::string::npos);
}

TEST_CASE("A miss that went away is not averaged away") {
  ListenerOptions options;
  options.speed_guess = Rpm{700.0};
  Listener l = listener(options);
  l.push(four_with_one_dead(120.0));
  l.push(four_with_one_dead(300.0, 0.93));
  const Finding f = l.finding();
  CHECK(is_miss(f.verdict));
  const auto part = std::find_if(f.reasons.begin(), f.reasons.end(), [](const Reason& r) { return r.code == ReasonCode::miss_in_part; });
  REQUIRE(part != f.reasons.end());
  CHECK(part->value == doctest::Approx(0.0).epsilon(1.0));
  CHECK(part->value2 == doctest::Approx(120.0).epsilon(0.1));
}

TEST_CASE("Cycles count through a recording that is heard in passages") {
  Listener l = listener();
  l.push(four_with_one_dead(130.0));
  const Finding f = l.finding();
  REQUIRE(f.events.size() > 4 * 700);
  CHECK(f.events.back().time_s > 120.0F);
  for (std::size_t i = 1; i < f.events.size(); ++i) {
    const Event& before = f.events[i - 1];
    const Event& event = f.events[i];
    const bool next = event.position == 1;
    REQUIRE(event.cycle >= before.cycle + (next ? 1 : 0));
    REQUIRE((next || event.cycle == before.cycle));
  }
}

TEST_CASE("A dead cylinder is one position through all passages") {
  Listener l = listener();
  l.push(four_with_one_dead(130.0, 0.0, 713.0));  // 60 s, where a passage ends, are 356 and a half cycles
  const Finding f = l.finding();
  REQUIRE(f.verdict == Verdict::dead_miss);
  const auto dead = std::min_element(f.positions.begin(), f.positions.end(), [](const auto& a, const auto& b) { return a.level < b.level; });
  for (const PositionFinding& p : f.positions) {
    CAPTURE(p.position);
    CHECK(p.missing == (p.position == dead->position ? p.expected : 0));
    if (p.position == dead->position) {
      CHECK(p.level < 0.3);
    } else {
      CHECK(p.level > 0.7);
    }
  }
  for (const Event& e : f.events) CHECK((e.level < 0.5F) == (e.position == dead->position));
}

TEST_CASE("Asking on the way does not change the answer") {
  const std::vector<float> sound = four_with_one_dead(8.0);
  Listener asked = listener();
  Listener quiet = listener();
  for (std::size_t i = 0; i < sound.size(); i += 16000) {
    const auto block = std::span{sound}.subspan(i, std::min<std::size_t>(16000, sound.size() - i));
    asked.push(block);
    quiet.push(block);
    const Finding on_the_way = asked.finding();
    CHECK(on_the_way.duration.value() > 0.0);
  }
  CHECK(json_of(asked) == json_of(quiet));
}

TEST_CASE("Nothing, silence and broken samples are unclear, with a reason first") {
  const std::vector<float> silence(static_cast<std::size_t>(5 * rate), 0.0f);
  const std::vector<float> broken(static_cast<std::size_t>(5 * rate),
                                  std::numeric_limits<float>::quiet_NaN());
  for (const auto& sound : {std::vector<float>{}, silence, broken}) {
    Listener l = listener();
    l.push(sound);
    const Finding f = l.finding();
    CHECK(f.verdict == Verdict::unclear);
    REQUIRE_FALSE(f.reasons.empty());
    CHECK(static_cast<int>(f.reasons.front().code) < unclear_reason_count);
    CHECK_FALSE(f.missing_event_ratio.has_value());
    CHECK_FALSE(l.as_known_good().has_value());
  }
}

TEST_CASE("Impossible sample rates and speed guesses are refused") {
  for (double hz : {0.0, -48000.0, 3999.0, 400001.0, std::nan("")}) {
    const auto l = Listener::create(four(), Hertz{hz});
    REQUIRE_FALSE(l);
    CHECK(l.error().code == ErrorCode::bad_argument);
  }
  for (double rpm : {0.0, -700.0, std::nan("")}) {
    ListenerOptions options;
    options.speed_guess = Rpm{rpm};
    CHECK_FALSE(Listener::create(four(), Hertz{rate}, options));
  }
}
