// A pulse that goes missing while we listen.
#include <doctest/doctest.h>

#include <algorithm>
#include <functional>
#include <random>
#include <vector>

#include "core/change.hpp"
#include "core/last_seconds.hpp"
#include "pipebeat/listener.hpp"
#include "render.hpp"

using namespace pipebeat;
using namespace pipebeat::core;

namespace {

constexpr std::size_t positions = 4;
constexpr std::size_t cycles = 30;
constexpr double cycle_s = 0.15;

/// Events of a steady four; `level`: by cycle and position; `cycle_length_s`: by cycle.
std::vector<HeardEvent> events_of(
    const std::function<double(std::size_t, std::size_t)>& level,
    const std::function<double(std::size_t)>& cycle_length_s = [](std::size_t) {
      return cycle_s;
    }) {
  std::vector<HeardEvent> events;
  std::mt19937 random{5};
  std::normal_distribution<double> scatter{0.0, 0.05};
  double time = 3.0;
  for (std::size_t c = 0; c < cycles; ++c) {
    for (std::size_t p = 0; p < positions; ++p) {
      HeardEvent e;
      e.time_s = static_cast<float>(time + cycle_length_s(c) * static_cast<double>(p) / positions);
      e.cycle = static_cast<std::int32_t>(c);
      e.position = static_cast<std::int16_t>(p + 1);
      e.level = static_cast<float>(level(c, p) + scatter(random));
      events.push_back(e);
    }
    time += cycle_length_s(c);
  }
  return events;
}

}  // namespace

TEST_CASE("A pulse that goes missing and stays away is a change; so is one that comes back") {
  const auto lost = find_change(
      events_of([](auto c, auto p) { return c >= 20 && p == 2 ? 0.05 : 1.0; }), positions);
  REQUIRE(lost.has_value());
  CHECK(lost->lost);
  // Position 3 fires half a cycle after its cycle begins; the step lies between two of its events.
  CHECK(lost->time_s == doctest::Approx(3.0 + 20 * cycle_s).epsilon(0.001));
  const auto back = find_change(
      events_of([](auto c, auto p) { return c < 12 && p == 0 ? -0.2 : 1.0; }), positions);
  REQUIRE(back.has_value());
  CHECK_FALSE(back->lost);
  CHECK(back->time_s == doctest::Approx(3.0 + 11.5 * cycle_s).epsilon(0.001));
}

TEST_CASE("What is no change") {
  const auto none = [](const std::vector<HeardEvent>& events) {
    return !find_change(events, positions);
  };
  CHECK(none({}));
  CHECK(none(events_of([](auto, auto) { return 1.0; })));
  CHECK(none(events_of([](auto, auto p) { return p == 1 ? 0.0 : 1.0; })));
  // It missed before, or it fired once since.
  CHECK(none(events_of([](auto c, auto p) { return (c >= 20 || c == 7) && p == 2 ? 0.0 : 1.0; })));
  CHECK(none(events_of([](auto c, auto p) { return c >= 20 && c != 25 && p == 2 ? 0.0 : 1.0; })));
  // Weaker by a third; too new to be told from a few misses in a row.
  CHECK(none(events_of([](auto c, auto p) { return c >= 20 && p == 2 ? 0.67 : 1.0; })));
  CHECK(none(events_of([](auto c, auto p) { return c >= 27 && p == 2 ? 0.0 : 1.0; })));
  // All pulses at once: the engine or the microphone did something else.
  CHECK(none(events_of([](auto c, auto) { return c >= 20 ? 0.0 : 1.0; })));
  // The engine races or winds down there.
  CHECK(none(events_of([](auto c, auto p) { return c >= 20 && p == 2 ? 0.0 : 1.0; },
                       [](std::size_t c) { return c >= 20 ? 0.7 * cycle_s : cycle_s; })));
  // Some cycles before it could not be judged.
  std::vector<HeardEvent> gap =
      events_of([](auto c, auto p) { return c >= 20 && p == 2 ? 0.0 : 1.0; });
  std::erase_if(gap, [](const HeardEvent& e) { return e.cycle >= 18 && e.cycle < 20; });
  CHECK(none(gap));
}

TEST_CASE("A pulled plug lead shows within a second and a half, wherever it is heard from") {
  synth::Scene scene;
  scene.duration_s = 11.0;
  scene.engine.layout = "inline4";
  scene.engine.idle_rpm = 780.0;
  scene.unplugged = {{8.0, 3}};
  scene.background = {"traffic"};
  scene.snr_db = 20.0;
  for (const char* view : {"tailpipe", "beside"}) {
    CAPTURE(view);
    scene.view = view;
    const synth::Recording take = synth::render(scene);
    const std::vector<float> sound{take.samples.begin(), take.samples.end()};
    auto listener =
        *Listener::create(synth::engine_of(scene.engine), Hertz{static_cast<double>(take.rate_hz)});
    const auto half = static_cast<std::size_t>(take.rate_hz) / 2;
    std::optional<double> shown_s;
    for (std::size_t at = 0; at + half <= sound.size(); at += half) {
      listener.push(std::span{sound}.subspan(at, half));
      const double now = static_cast<double>(at + half) / take.rate_hz;
      const Finding recent = listener.recent(Seconds{5.0});
      if (now <= 8.5) CHECK_FALSE(recent.change.has_value());
      if (!recent.change) continue;
      CHECK(recent.change->lost);
      CHECK(recent.change->time_s == doctest::Approx(8.1).epsilon(0.03));
      if (!shown_s) shown_s = now;
    }
    REQUIRE(shown_s.has_value());
    CHECK(*shown_s <= 9.5);
  }
}

TEST_CASE("Since a pulse went missing the engine is judged by what followed, and the change is news for 15 s") {
  synth::Scene scene;
  scene.duration_s = 25.0;
  scene.engine.layout = "inline4";
  scene.engine.idle_rpm = 780.0;
  scene.unplugged = {{8.0, 3}};
  const synth::Recording take = synth::render(scene);
  const std::vector<float> sound{take.samples.begin(), take.samples.end()};
  auto listener = *Listener::create(synth::engine_of(scene.engine), Hertz{static_cast<double>(take.rate_hz)});
  LastSeconds last;
  const auto step = static_cast<std::size_t>(0.75 * take.rate_hz);
  for (std::size_t at = 0; at + step <= sound.size(); at += step) {
    listener.push(std::span{sound}.subspan(at, step));
    const double now_s = static_cast<double>(at + step) / take.rate_hz;
    CAPTURE(now_s);
    const LastSecondsSay say = last.judge(listener, now_s);
    if (now_s < 8.0 || now_s > 23.5) CHECK_FALSE(say.change.has_value());
    if (now_s > 10.0 && now_s < 23.0) {
      REQUIRE(say.change.has_value());
      CHECK(say.change->lost);
      CHECK(say.change_ago_s == doctest::Approx(now_s - 8.1).epsilon(0.1));
      CHECK(say.now().verdict == Verdict::dead_miss);
    }
    if (now_s > 3.0 && now_s < 8.0) {
      CHECK(last.is_clear());
      CHECK(say.now().verdict == Verdict::even);
    }
  }
}

TEST_CASE("One look that says otherwise is not believed, the second is, and after a change the first") {
  const auto look = [](Verdict verdict, double confidence) {
    Finding f;
    f.verdict = verdict;
    f.confidence = confidence;
    return f;
  };
  SteadyVerdict steady;
  CHECK_FALSE(steady.instead_of(look(Verdict::dead_miss, 0.8), false));
  auto held = steady.instead_of(look(Verdict::weak_cylinder, 0.6), false);
  REQUIRE(held);
  CHECK(held->verdict == Verdict::dead_miss);
  CHECK(held->confidence == 0.8);
  CHECK_FALSE(steady.instead_of(look(Verdict::dead_miss, 0.7), false));
  held = steady.instead_of(look(Verdict::even, 0.9), false);
  REQUIRE(held);
  CHECK(held->confidence == 0.7);  // the last that said so
  CHECK_FALSE(steady.instead_of(look(Verdict::weak_cylinder, 0.6), false));  // another than the first doubt: no longer dead
  CHECK(steady.instead_of(look(Verdict::dead_miss, 0.6), false));
  CHECK_FALSE(steady.instead_of(look(Verdict::weak_cylinder, 0.6), false));

  CHECK_FALSE(steady.instead_of(look(Verdict::dead_miss, 0.6), true));
  CHECK_FALSE(steady.instead_of(look(Verdict::unclear, 0.3), false));
  CHECK_FALSE(steady.instead_of(look(Verdict::even, 0.6), false));  // nothing clear before it
}

TEST_CASE("A speed known before saves the search and changes the answer little") {
  synth::Scene scene;
  scene.duration_s = 6.0;
  scene.engine.idle_rpm = 820.0;
  const synth::Recording take = synth::render(scene);
  auto listener =
      *Listener::create(synth::engine_of(scene.engine), Hertz{static_cast<double>(take.rate_hz)});
  listener.push(std::vector<float>{take.samples.begin(), take.samples.end()});
  const Finding searched = listener.recent(Seconds{5.0});
  REQUIRE(searched.speed.has_value());
  const Finding narrow = listener.recent(Seconds{5.0}, searched.speed->mean);
  REQUIRE(narrow.speed.has_value());
  CHECK(narrow.verdict == searched.verdict);
  CHECK(narrow.speed->mean.value() == doctest::Approx(searched.speed->mean.value()).epsilon(0.002));
}

TEST_CASE("What was heard a moment ago is not heard again: the answer is the same as anew") {
  synth::Scene scene;
  scene.duration_s = 8.0;
  const synth::Recording take = synth::render(scene);
  const std::vector<float> sound{take.samples.begin(), take.samples.end()};
  const auto listener = [&] {
    return *Listener::create(synth::engine_of(scene.engine),
                             Hertz{static_cast<double>(take.rate_hz)});
  };
  const auto part = [&](double from_s, double to_s) {
    return std::span{sound}.subspan(static_cast<std::size_t>(from_s * take.rate_hz),
                                    static_cast<std::size_t>((to_s - from_s) * take.rate_hz));
  };
  Listener often = listener();
  for (double t = 0.0; t < 7.5; t += 0.5) {
    often.push(part(t, t + 0.5));
    static_cast<void>(often.recent(Seconds{5.0}));
  }
  Listener once = listener();
  once.push(part(0.0, 7.5));
  const Finding a = often.recent(Seconds{5.0});
  const Finding b = once.recent(Seconds{5.0});
  REQUIRE(a.events.size() == b.events.size());
  for (std::size_t i = 0; i < a.events.size(); ++i) {
    CHECK(a.events[i].time_s == b.events[i].time_s);
    CHECK(a.events[i].level == b.events[i].level);
  }
  CHECK(a.confidence == b.confidence);
}
