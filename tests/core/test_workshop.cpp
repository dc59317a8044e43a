// Comparing, locating and the drop test on findings made by hand, where every number is known.
#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <random>
#include <vector>

#include "core/drop_guide.hpp"
#include "core/gaps.hpp"
#include "core/pattern.hpp"
#include "pipebeat/clicks.hpp"
#include "pipebeat/compare.hpp"
#include "pipebeat/droptest.hpp"
#include "pipebeat/listener.hpp"
#include "render.hpp"

using namespace pipebeat;

namespace {

Engine engine_with(std::vector<int> order) {
  EngineSpec spec;
  spec.cylinders = static_cast<int>(order.size());
  spec.order = std::move(order);
  return Engine::make(spec).value();
}

/// A stretch of running whose positions are numbered from the one `turn` places on.
struct Running {
  double from_s = 0.0;
  double to_s = 10.0;
  double rpm = 750.0;
  std::vector<int> off;  ///< cylinders
};

Finding finding_of(const Engine& engine, const std::vector<Running>& runs, int turn, unsigned seed = 1) {
  std::mt19937 random{seed};
  std::normal_distribution<double> noise{0.0, 0.06};
  Finding f;
  const auto P = static_cast<int>(engine.positions().size());
  std::int32_t cycle = 0;
  double turns = 0.0;
  double time = 0.0;
  for (const Running& run : runs) {
    const double length = 1.0 / engine.cycle_frequency(Rpm{run.rpm}).value();
    for (double t = run.from_s; t + length <= run.to_s; t += length) {
      const double rpm = run.rpm * (1.0 + 0.05 * noise(random));
      f.speed_trace.push_back({static_cast<float>(t), static_cast<float>(rpm)});
      for (int j = 0; j < P; ++j) {
        const int cylinder = engine.positions()[static_cast<std::size_t>((j + turn) % P)].cylinder;
        const bool fires = std::find(run.off.begin(), run.off.end(), cylinder) == run.off.end();
        const double level = (fires ? 1.0 : 0.05) + noise(random);
        f.events.push_back({static_cast<float>(t + length * j / P), cycle, static_cast<std::int16_t>(j + 1),
                            static_cast<float>(level), fires ? 0.0F : 1.0F});
      }
      turns += rpm;
      time += 1.0;
      ++cycle;
    }
  }
  f.speed = SpeedSummary{Rpm{turns / time}, Rpm{turns / time}, Rpm{turns / time}};
  f.duration = Seconds{runs.back().to_s};
  f.input.usable_s = f.duration.value();
  return f;
}

int located(const Engine& engine, int dead, int unplugged, int turn) {
  const LocateTake take{finding_of(engine, {{0, 10, 750, {dead}}, {10, 20, 720, {dead, unplugged}}}, turn),
                        {{Seconds{10.0}, unplugged}}};
  const Location location = locate(engine, std::span{&take, 1});
  if (!location.answered || location.candidates.empty()) return 0;
  CHECK(location.phase_kept);
  return location.candidates.front().cylinder;
}

}  // namespace

TEST_CASE("one unplugging in a continuous take names the dead cylinder, however positions are counted") {
  const std::vector<std::vector<int>> orders{
      {1, 3, 2}, {1, 3, 4, 2}, {1, 2, 4, 3}, {1, 2, 4, 5, 3}, {1, 5, 3, 6, 2, 4}, {1, 8, 4, 3, 6, 5, 7, 2}};
  for (const auto& order : orders) {
    const Engine engine = engine_with(order);
    const auto n = static_cast<int>(order.size());
    for (int dead = 1; dead <= n; ++dead) {
      const int unplugged = dead % n + 1;
      for (int turn : {0, 1, n - 1}) CHECK(located(engine, dead, unplugged, turn) == dead);
    }
  }
}

TEST_CASE("a healthy engine has nothing to locate, a dead one unplugged is named itself") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const LocateTake healthy{finding_of(engine, {{0, 10, 750, {}}, {10, 20, 720, {2}}}, 1), {{Seconds{10.0}, 2}}};
  const Location none = locate(engine, std::span{&healthy, 1});
  CHECK(none.answered);
  CHECK(none.candidates.empty());
  CHECK(located(engine, 2, 2, 3) == 2);
}

TEST_CASE("separate recordings leave two candidates, a second unplugging off the half cycle settles them") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const auto off = [&](int cylinder, int turn) {
    return LocateTake{finding_of(engine, {{0, 10, 720, {3, cylinder}}}, turn, 7), {{Seconds{0.0}, cylinder}}};
  };
  // 3 is dead. 1 fires just before it and 2 just before 1: seen from 1 they lie alike.
  const LocateTake one[] = {off(1, 2)};
  const Location two = locate(engine, one);
  CHECK_FALSE(two.answered);
  CHECK_FALSE(two.phase_kept);
  REQUIRE(two.candidates.size() == 2);
  std::vector<int> names{two.candidates[0].cylinder, two.candidates[1].cylinder};
  std::sort(names.begin(), names.end());
  CHECK(names == std::vector{2, 3});
  CHECK(std::any_of(two.reasons.begin(), two.reasons.end(),
                    [](const LocateReason& r) { return r.code == LocateReasonCode::unplug_next; }));
  // 1 and 4 lie half a cycle apart: the second says nothing new.
  const LocateTake half[] = {off(1, 2), off(4, 1)};
  CHECK(locate(engine, half).candidates.size() == 2);
  const LocateTake settled[] = {off(1, 2), off(2, 0)};
  const Location answer = locate(engine, settled);
  REQUIRE(answer.answered);
  CHECK(answer.candidates.front().cylinder == 3);
}

TEST_CASE("a beat that breaks off between the stretches is said to have lost its phase") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const LocateTake take{finding_of(engine, {{0, 9, 750, {4}}, {14, 24, 720, {4, 1}}}, 0), {{Seconds{10.0}, 1}}};
  const Location location = locate(engine, std::span{&take, 1});
  CHECK_FALSE(location.phase_kept);
  CHECK(std::any_of(location.reasons.begin(), location.reasons.end(),
                    [](const LocateReason& r) { return r.code == LocateReasonCode::phase_lost; }));
}

TEST_CASE("silence locates nothing") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const LocateTake take{Finding{}, {{Seconds{10.0}, 1}}};
  const Location location = locate(engine, std::span{&take, 1});
  CHECK_FALSE(location.answered);
  CHECK(location.reasons.front().code == LocateReasonCode::no_engine);
}

TEST_CASE("the drop test names the cylinder whose unplugging changes nothing") {
  const Engine engine = engine_with({1, 3, 4, 2});
  for (int dead : {0, 1, 2, 3, 4}) {
    std::vector<DropStretch> stretches;
    const std::vector<int> faulty = dead == 0 ? std::vector<int>{} : std::vector{dead};
    stretches.push_back({0, finding_of(engine, {{0, 10, 750, faulty}}, 1, 3)});
    for (int c = 1; c <= 4; ++c) {
      std::vector<int> off = faulty;
      if (c != dead) off.push_back(c);
      stretches.push_back({c, finding_of(engine, {{0, 10, c == dead ? 751.0 : 712.0, off}}, c % 4, 10U + static_cast<unsigned>(c))});
    }
    const DropTest test = judge_drop_test(engine, stretches);
    REQUIRE(test.dead.has_value());
    CHECK(*test.dead == faulty);
    REQUIRE(test.cylinders.size() == 4);
    for (const CylinderDrop& c : test.cylinders) {
      REQUIRE(c.rpm_drop.has_value());
      CHECK(std::abs(*c.rpm_drop - (c.cylinder == dead ? -1.0 : 38.0)) < 2.0);
      CHECK((*c.contribution > 0.5) == (c.cylinder != dead));
    }
  }
}

TEST_CASE("with an idle control that holds the speed the pattern still names it") {
  const Engine engine = engine_with({1, 5, 3, 6, 2, 4});
  std::vector<DropStretch> stretches{{0, finding_of(engine, {{0, 10, 750, {6}}}, 0, 3)}};
  for (int c = 1; c <= 6; ++c) {
    stretches.push_back({c, finding_of(engine, {{0, 10, 750, {6, c}}}, c % 6, 20U + static_cast<unsigned>(c))});
  }
  const DropTest test = judge_drop_test(engine, stretches);
  REQUIRE(test.dead.has_value());
  CHECK(*test.dead == std::vector{6});
  CHECK(std::any_of(test.reasons.begin(), test.reasons.end(),
                    [](const DropReason& r) { return r.code == DropReasonCode::speed_held; }));
}

TEST_CASE("a cylinder that was unplugged more than once is told: one of them may have been another") {
  const Engine engine = engine_with({1, 3, 4, 2});
  std::vector<DropStretch> stretches{{0, finding_of(engine, {{0, 10, 750, {}}}, 0, 3)}};
  const auto again = [&] {
    const DropTest test = judge_drop_test(engine, stretches);
    std::vector<std::pair<int, double>> told;
    for (const DropReason& r : test.reasons) {
      if (r.code == DropReasonCode::unplugged_again) told.emplace_back(r.cylinder, r.value);
    }
    return told;
  };
  for (int c = 1; c <= 3; ++c) {
    stretches.push_back({c, finding_of(engine, {{0, 10, 712, {c}}}, c, 10U + static_cast<unsigned>(c))});
  }
  CHECK(again().empty());
  stretches.push_back({2, finding_of(engine, {{0, 10, 712, {4}}}, 0, 20U)});
  CHECK(again() == std::vector<std::pair<int, double>>{{2, 2.0}});
}

TEST_CASE("the guide asks for one cylinder after the other, and notices a lead that was forgotten") {
  using core::DropStep;
  const Engine engine = engine_with({1, 3, 4, 2});
  core::DropGuide guide{engine};
  double now = 0.0;
  // Dead is 3; `off` is what is really unplugged.
  const auto listen = [&](int off, unsigned seed) {
    for (int i = 0; i < 12; ++i) {
      now += 1.0;
      std::vector<int> quiet{3};
      if (off != 0) quiet.push_back(off);
      const bool drops = off != 0 && off != 3;
      guide.heard(Seconds{now}, finding_of(engine, {{0, 5, drops ? 712.0 : 750.0, quiet}}, static_cast<int>(seed % 4), seed));
    }
  };
  const std::vector<std::string> none;
  CHECK(guide.step() == DropStep::read_caution);
  CHECK(guide.confirm(Seconds{now}) == none);
  CHECK(guide.step() == DropStep::hear_all_in);
  guide.heard(Seconds{2.0}, finding_of(engine, {{0, 5, 750, {3}}}, 0));
  CHECK(guide.step() == DropStep::hear_all_in);  // not yet settled
  listen(0, 1);
  CHECK(guide.step() == DropStep::unplug);
  CHECK(guide.cylinder() == 1);
  CHECK(guide.confirm(Seconds{now}) == std::vector<std::string>{"off 1"});
  CHECK(guide.off_since()->value() == now);
  listen(1, 2);
  CHECK(guide.step() == DropStep::plug_back);
  CHECK(*guide.tried().front().rpm_drop == doctest::Approx(38.0).epsilon(0.1));
  CHECK(guide.confirm(Seconds{now}) == std::vector<std::string>{"on"});
  listen(1, 3);  // forgotten
  CHECK(guide.step() == DropStep::still_off);
  CHECK(guide.confirm(Seconds{now}) == std::vector<std::string>{"still off 1", "on"});
  listen(0, 5);
  CHECK(guide.step() == DropStep::unplug);
  CHECK(guide.cylinder() == 2);
  guide.skip();
  CHECK(guide.cylinder() == 3);
  guide.confirm(Seconds{now});
  listen(3, 6);
  guide.confirm(Seconds{now});
  listen(0, 7);  // nothing changed at all: no reason to warn
  CHECK(guide.cylinder() == 4);
  guide.confirm(Seconds{now});
  guide.heard(Seconds{now + 30.0}, Finding{});  // it stalled
  CHECK(guide.engine_lost());
  listen(4, 8);
  guide.confirm(Seconds{now});
  listen(0, 9);
  CHECK(guide.step() == DropStep::done);
  CHECK(guide.cylinder() == 0);
}

TEST_CASE("a drop test without a baseline, or at another speed, is no answer") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const DropStretch no_sound{0, Finding{}};
  CHECK_FALSE(judge_drop_test(engine, std::span{&no_sound, 1}).dead.has_value());
  std::vector<DropStretch> stretches{{0, finding_of(engine, {{0, 10, 750, {}}}, 0)}};
  for (int c = 1; c <= 4; ++c) stretches.push_back({c, finding_of(engine, {{0, 10, 1500, {c}}}, 0)});
  const DropTest test = judge_drop_test(engine, stretches);
  CHECK_FALSE(test.dead.has_value());
  CHECK(std::any_of(test.reasons.begin(), test.reasons.end(),
                    [](const DropReason& r) { return r.code == DropReasonCode::speeds_differ; }));
}

TEST_CASE("nothing heard cannot be compared, and says on which side") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const ComparedRecording silence{Finding{}, std::nullopt, {}};
  const Comparison c = compare(engine, std::span{&silence, 1}, std::span{&silence, 1});
  CHECK(c.change == Change::cannot_compare);
  CHECK(c.reasons.front().code == CompareReasonCode::before_unheard);
}

TEST_CASE("clicks are counted, missed ones too, and a silent neighbour is told from a soft one") {
  constexpr double rate = 16000.0;
  const auto recording = [&](double strength, int miss_every, unsigned seed) {
    std::mt19937 random{seed};
    std::normal_distribution<float> noise{0.0F, 0.002F};
    std::vector<float> x(static_cast<std::size_t>(10.0 * rate));
    for (float& v : x) v = noise(random);
    int cycle = 0;
    for (double t = 0.05; t < 9.9; t += 0.171, ++cycle) {  // 702 rpm
      if (miss_every > 0 && cycle % miss_every == 3) continue;
      for (int i = 0; i < 60; ++i) {
        const double s = i / rate;
        x[static_cast<std::size_t>(t * rate) + static_cast<std::size_t>(i)] += static_cast<float>(
            strength * std::exp(-s / 0.0008) * std::sin(2.0 * std::numbers::pi * 4500.0 * s));
      }
    }
    return follow_clicks(x, Hertz{rate}, Hertz{720.0 / 120.0}).value();
  };
  const std::vector<InjectorRecording> all{{1, recording(0.5, 0, 1)}, {2, recording(0.5, 5, 2)},
                                           {3, recording(0.15, 0, 3)}, {4, recording(0.02, 0, 4)},
                                           {5, recording(0.0, 0, 5)}, {6, recording(0.5, 0, 6)}};
  CHECK(*all[0].track.cycle_hz == doctest::Approx(1.0 / 0.171).epsilon(0.003));
  const auto injectors = judge_injectors(all);
  CHECK(injectors[0].state == InjectorState::clicking);
  CHECK(*injectors[0].clicks_per_cycle == doctest::Approx(1.0).epsilon(0.02));
  CHECK(*injectors[0].missed_ratio == 0.0);
  CHECK(injectors[1].state == InjectorState::clicking);
  CHECK(*injectors[1].missed_ratio == doctest::Approx(0.2).epsilon(0.1));
  CHECK(injectors[2].state == InjectorState::weak);
  CHECK(injectors[3].state == InjectorState::silent);
  CHECK(injectors[4].state == InjectorState::silent);
  CHECK_FALSE(follow_clicks({}, Hertz{100.0}, Hertz{6.0}).has_value());
  CHECK_FALSE(follow_clicks({}, Hertz{48000.0}, Hertz{0.0}).has_value());
}

TEST_CASE("no click is missed where the idle wanders") {
  constexpr double rate = 16000.0;
  std::mt19937 random{7};
  std::normal_distribution<float> noise{0.0F, 0.002F};
  std::vector<float> x(static_cast<std::size_t>(10.0 * rate));
  for (float& v : x) v = noise(random);
  std::int64_t clicks = 0;
  for (double t = 0.05; t < 9.9; t += 0.171 * (1.0 + 0.065 * std::sin(2.0 * std::numbers::pi * t / 8.0)), ++clicks) {
    for (int i = 0; i < 60; ++i) {
      const double s = i / rate;
      x[static_cast<std::size_t>(t * rate) + static_cast<std::size_t>(i)] +=
          static_cast<float>(0.2 * std::exp(-s / 0.0008) * std::sin(2.0 * std::numbers::pi * 4500.0 * s));
    }
  }
  const ClickTrack track = follow_clicks(x, Hertz{rate}, Hertz{720.0 / 120.0}).value();
  CHECK(track.cycles == clicks);
  CHECK(track.missed == 0);
}

TEST_CASE("the likelihood of a gap is the density that the model describes") {
  const Engine single = Engine::make({1, 4, {}, {}, {}}).value();
  const core::GapModel model{single};
  const auto density = [](double d, double variance) {
    // Normal density and its share of levels that mean nothing, worked out from the model's text.
    return std::log(0.94 * std::exp(-0.5 * d * d / variance) / std::sqrt(2.0 * std::numbers::pi * variance) + 0.06 * 0.4);
  };
  const auto likelihood = [&](double level, double missing) {
    const core::LevelRow row{{level}, {0.0}};
    std::vector<core::OffCylinder> off;
    if (missing > 0.0) off.push_back({1, missing});
    return model.log_likelihood(std::span{&row, 1}, std::span{&off, 1});
  };
  const double row_variance = 0.08 * 0.08;
  CHECK(likelihood(0.3, 1.0) == doctest::Approx(density(0.18, 0.18 * 0.18 + row_variance)).epsilon(1e-6));
  CHECK(likelihood(0.9, 0.0) == doctest::Approx(density(-0.1, 0.22 * 0.22 + row_variance)).epsilon(1e-6));
  CHECK(likelihood(0.56, 0.5) == doctest::Approx(density(0.0, 0.22 * 0.22 + row_variance)).epsilon(1e-6));
}

TEST_CASE("a numbering turns only by steps that lay the layout on itself") {
  const auto turns = [](std::string_view name) {
    const core::GapModel model{Engine::make(*builtin_engine(name)).value()};
    return std::vector<int>(model.turns().begin(), model.turns().end());
  };
  CHECK(turns("inline4") == std::vector{0, 1, 2, 3});
  CHECK(turns("v6-oddfire") == std::vector{0, 2, 4});
  CHECK(turns("vtwin45") == std::vector{0});
  CHECK(turns("v8-bank") == std::vector{0});
}

namespace {

/// A drop test of which only the speeds were heard; `rpm` by cylinder.
DropTest drop_test_by_speed(const std::vector<double>& rpm) {
  const Engine engine = engine_with({1, 3, 4, 2});
  const auto heard = [&](double speed, unsigned seed) {
    Finding f = finding_of(engine, {{0, 10, speed, {}}}, 0, seed);
    f.events.clear();
    return f;
  };
  std::vector<DropStretch> stretches{{0, heard(750.0, 1)}};
  for (int c = 1; c <= 4; ++c) {
    stretches.push_back({c, heard(rpm[static_cast<std::size_t>(c - 1)], 1U + static_cast<unsigned>(c))});
  }
  return judge_drop_test(engine, stretches);
}

}  // namespace

TEST_CASE("speeds alone name the cylinder whose unplugging does not slow the engine") {
  const DropTest test = drop_test_by_speed({690.0, 692.0, 750.0, 688.0});
  REQUIRE(test.dead.has_value());
  CHECK(*test.dead == std::vector{3});
  // An engine that races with a cylinder unplugged was not slowed by it: that says far less.
  const DropTest racing = drop_test_by_speed({810.0, 808.0, 750.0, 812.0});
  REQUIRE(test.confidence.has_value());
  CHECK(*test.confidence > 0.9);
  CHECK(racing.confidence.value_or(0.0) < 0.9);
}

TEST_CASE("where speed and levels say little, the count of silent positions names the dead one") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const auto heard = [&](int silent, double rpm, unsigned seed) {
    Finding f = finding_of(engine, {{0, 10, rpm, {}}}, 0, seed);
    f.events.clear();
    f.verdict = Verdict::dead_miss;
    f.miss_probability = 0.5;
    f.missing_event_ratio = 0.25 * silent;
    return f;
  };
  const auto test = [&](bool counted) {
    std::vector<DropStretch> stretches{{0, heard(1, 750.0, 1)}};
    for (int c = 1; c <= 4; ++c) {
      stretches.push_back({c, heard(counted && c != 2 ? 2 : 1, c == 2 ? 748.0 : 743.0, 1U + static_cast<unsigned>(c))});
    }
    return judge_drop_test(engine, stretches);
  };
  REQUIRE(test(true).dead.has_value());
  CHECK(*test(true).dead == std::vector{2});
  CHECK_FALSE(test(false).dead.value_or(std::vector{0}) == std::vector{2});
}

TEST_CASE("drops that do not stand out name nobody") {
  const DropTest test = drop_test_by_speed({746.0, 741.0, 749.0, 737.0});
  CHECK_FALSE(test.dead.has_value());
  CHECK_FALSE(test.confidence.has_value());
  REQUIRE_FALSE(test.reasons.empty());
  CHECK(test.reasons.front().code == DropReasonCode::nothing_stands_out);
}

namespace {

ComparedRecording compared(double rpm, std::vector<int> off, double miss_probability) {
  const Engine engine = engine_with({1, 3, 4, 2});
  Finding f = finding_of(engine, {{0, 20, rpm, std::move(off)}}, 0, 4);
  std::int64_t missing = 0;
  for (const Event& e : f.events) missing += e.missing_probability > 0.5F ? 1 : 0;
  f.miss_probability = miss_probability;
  f.expected_events = static_cast<std::int64_t>(f.events.size());
  f.missing_events = missing;
  f.missing_event_ratio = static_cast<double>(missing) / static_cast<double>(f.events.size());
  f.missing_event_ratio_interval = Interval{*f.missing_event_ratio, *f.missing_event_ratio};
  f.verdict = missing > 0 ? Verdict::dead_miss : Verdict::even;
  f.input.snr_db = 12.0;
  // All else is alike on both sides.
  return {f, KnownGood{std::vector<double>(core::evidence_count, 0.0)}, {}};
}

/// A four as a microphone at the tailpipe hears it.
ComparedRecording recorded(bool dead, std::uint64_t seed) {
  synth::Scene scene;
  scene.seed = seed;
  scene.duration_s = 8.0;
  scene.engine.layout = "inline4";
  if (dead) scene.trouble = {.condition = "dead", .cylinders = {3}};
  const synth::Recording take = synth::render(scene);
  auto listener = *Listener::create(engine_with({1, 3, 4, 2}), Hertz{static_cast<double>(take.rate_hz)});
  listener.push(std::vector<float>{take.samples.begin(), take.samples.end()});
  return as_compared(listener);
}

bool says(const Comparison& comparison, CompareReasonCode code) {
  return std::any_of(comparison.reasons.begin(), comparison.reasons.end(),
                     [code](const CompareReason& r) { return r.code == code; });
}

}  // namespace

TEST_CASE("a comparison turned round is turned round, and what did not change stays what it is") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const ComparedRecording dead = recorded(true, 5);
  const ComparedRecording healthy = recorded(false, 6);
  const auto of = [&](const ComparedRecording& before, const ComparedRecording& after) {
    return compare(engine, {&before, 1}, {&after, 1});
  };
  CHECK(of(dead, healthy).change == Change::fixed);
  CHECK(of(healthy, dead).change == Change::worse);
  CHECK(*of(dead, healthy).gone_probability > 5.0 * *of(healthy, dead).gone_probability);
  const Comparison still_dead = of(dead, dead);
  CHECK(still_dead.change == Change::unchanged);
  CHECK(still_dead.miss_after);
  const Comparison still_healthy = of(healthy, healthy);
  CHECK(still_healthy.change == Change::unchanged);
  CHECK_FALSE(still_healthy.miss_after);
  CHECK_FALSE(says(of(dead, healthy), CompareReasonCode::weak_after));
  ComparedRecording weak = healthy;
  weak.finding.verdict = Verdict::weak_cylinder;
  CHECK(says(of(dead, weak), CompareReasonCode::weak_after));
  weak = dead;
  weak.finding.verdict = Verdict::weak_cylinder;
  CHECK_FALSE(says(of(dead, weak), CompareReasonCode::weak_after));  // it misses
}

TEST_CASE("one sound on both sides is said to be one, and no change is read into it") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const ComparedRecording dead = recorded(true, 5);
  const ComparedRecording healthy = recorded(false, 6);
  const Comparison twice = compare(engine, {&dead, 1}, {&dead, 1});
  REQUIRE_FALSE(twice.reasons.empty());
  CHECK(twice.reasons.front().code == CompareReasonCode::same_recording);
  CHECK_FALSE(twice.ratio_change.has_value());
  CHECK_FALSE(says(compare(engine, {&dead, 1}, {&healthy, 1}), CompareReasonCode::same_recording));

  // The evidence of a repair on the same sound: still no repair.
  ComparedRecording mended = healthy;
  mended.cycles = dead.cycles;
  CHECK(compare(engine, {&dead, 1}, {&mended, 1}).change == Change::unchanged);

  // In sets the copy stands against others as well: no answer.
  const std::array before{dead, healthy};
  const Comparison sets = compare(engine, before, {&healthy, 1});
  CHECK(sets.change == Change::cannot_compare);
  CHECK(says(sets, CompareReasonCode::same_recording));
}

TEST_CASE("recordings at different speeds are said to be less comparable") {
  const Engine engine = engine_with({1, 3, 4, 2});
  const ComparedRecording idle = compared(750.0, {}, 0.05);
  const ComparedRecording same = compared(790.0, {}, 0.05);
  const ComparedRecording faster = compared(900.0, {}, 0.05);
  const ComparedRecording raised = compared(1000.0, {}, 0.05);
  CHECK_FALSE(says(compare(engine, {&idle, 1}, {&same, 1}), CompareReasonCode::other_speed));
  const Comparison near = compare(engine, {&idle, 1}, {&faster, 1});
  CHECK(says(near, CompareReasonCode::other_speed));
  CHECK(near.gone_probability.has_value());  // less comparable, and still compared
  const Comparison far = compare(engine, {&idle, 1}, {&raised, 1});
  CHECK(says(far, CompareReasonCode::other_speed));
  CHECK_FALSE(far.gone_probability.has_value());
}
