// Beat lines and triggers made by hand: the pipe's answer is random, the pulses are known.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <random>
#include <vector>

#include "core/beat_lines.hpp"
#include "core/trigger.hpp"
#include "pipebeat/droptest.hpp"

using namespace pipebeat;

namespace {

Engine builtin(std::string_view name) { return Engine::make(builtin_engine(name).value()).value(); }

/// A pipe that answers every line of every signal in its own way, and engines in front of it. `breath`: how
/// strong the pulse of a cylinder that is off is beside a fired one's.
class Pipe {
 public:
  Pipe(const Engine& engine, unsigned seed, double breath = 0.0) : engine_{engine}, random_{seed} {
    lines_ = std::min<std::size_t>(24, 2 * engine.positions().size());
    for (std::size_t i = 0; i < core::signal_count * lines_; ++i) {
      answer_.push_back({normal_(random_), normal_(random_)});
      to_breath_.push_back(breath * std::complex<double>{normal_(random_), normal_(random_)});
    }
  }

  /// 80 cycles with these cylinders off; `turn`: part of a cycle by which the recording begins later.
  StretchLines stretch(int unplugged, std::vector<int> off, double turn = 0.0, double noise = 0.3) {
    if (unplugged != 0) off.push_back(unplugged);
    StretchLines s;
    s.unplugged = unplugged;
    s.to = Seconds{13.0};
    s.cycle_frequency = Hertz{80.0 / 13.0};
    s.mean.resize(answer_.size());
    s.variance.assign(answer_.size(), 0.0);
    for (int c = 0; c < 80; ++c) {
      for (std::size_t i = 0; i < answer_.size(); ++i) {
        const auto k = static_cast<double>(i % lines_ + 1);
        std::complex<double> x{noise * normal_(random_), noise * normal_(random_)};
        for (const FiringPosition& p : engine_.positions()) {
          const bool fires = std::find(off.begin(), off.end(), p.cylinder) == off.end();
          x += (fires ? answer_[i] : to_breath_[i]) * std::polar(1.0, -2.0 * std::numbers::pi * k * (p.angle.value() / engine_.cycle().value() - turn));
        }
        s.by_cycle.push_back(std::complex<float>{x});
        s.mean[i] += x / 80.0;
        s.variance[i] += noise * noise * 2.0 / 80.0 / 80.0;
      }
    }
    return s;
  }

 private:
  const Engine& engine_;
  std::mt19937 random_;
  std::normal_distribution<double> normal_{0.0, 1.0};
  std::size_t lines_ = 0;
  std::vector<std::complex<double>> answer_;
  std::vector<std::complex<double>> to_breath_;
};

/// What the listener would have kept of a stretch.
HeardCycles cycles_of(const StretchLines& s) {
  HeardCycles heard;
  heard.lines = s.mean.size() / core::signal_count;
  heard.count = s.by_cycle.size() / s.mean.size();
  heard.value = s.by_cycle;
  return heard;
}

/// A finding that knows the speed and nothing else.
Finding speed_only(double rpm) {
  Finding f;
  f.speed = SpeedSummary{Rpm{rpm}, Rpm{rpm}, Rpm{rpm}};
  for (int i = 0; i < 100; ++i) f.speed_trace.push_back({0.1F * static_cast<float>(i), static_cast<float>(rpm)});
  return f;
}

int likeliest(const Engine& engine, const std::vector<StretchLines>& stretches) {
  int best = 0;
  double most = core::LineFit{engine, stretches, {}}.log_likelihood();
  for (const FiringPosition& p : engine.positions()) {
    const core::Suspect suspect{p.cylinder, 1.0};
    const double here = core::LineFit{engine, stretches, std::span{&suspect, 1}}.log_likelihood();
    if (here > most) {
      most = here;
      best = p.cylinder;
    }
  }
  return best;
}

/// A clamp's channel: pulses at these times in noise.
core::TriggerChannel clamp(const std::vector<double>& times, double seconds, double height = 0.4) {
  constexpr double rate = 44100.0;
  std::mt19937 random{5};
  std::normal_distribution<float> noise{0.0F, 0.002F};
  std::vector<float> x(static_cast<std::size_t>(seconds * rate));
  for (std::size_t i = 0; i < x.size(); ++i) {
    x[i] = noise(random) + 0.05F * static_cast<float>(std::sin(2.0 * std::numbers::pi * 50.0 * static_cast<double>(i) / rate));
  }
  for (const double t : times) {
    for (std::size_t i = 0; i < 60; ++i) {
      const auto at = static_cast<std::size_t>(t * rate) + i;
      if (at < x.size()) x[at] += static_cast<float>(height * std::exp(-static_cast<double>(i) / 12.0) * std::cos(0.4 * static_cast<double>(i)));
    }
  }
  core::TriggerChannel channel{Hertz{rate}};
  channel.push(x);
  return channel;
}

std::vector<double> every(double period, double seconds) {
  std::vector<double> out;
  for (double t = 0.05; t < seconds; t += period) out.push_back(t);
  return out;
}

}  // namespace

TEST_CASE("the lines before and after an unplugging name the dead cylinder, whatever the pipe does") {
  for (const char* name : {"inline3", "inline4", "inline5", "inline6", "v6", "v6-oddfire", "v8", "v8-flat", "v8-bank", "flat4", "flat6"}) {
    const Engine engine = builtin(name);
    Pipe pipe{engine, 3};
    const auto positions = engine.positions();
    for (const FiringPosition& dead : positions) {
      const int off = dead.cylinder == positions[0].cylinder ? positions[1].cylinder : positions[0].cylinder;
      CAPTURE(name);
      CHECK(likeliest(engine, {pipe.stretch(0, {dead.cylinder}), pipe.stretch(off, {dead.cylinder})}) == dead.cylinder);
      CHECK(likeliest(engine, {pipe.stretch(0, {dead.cylinder}), pipe.stretch(dead.cylinder, {dead.cylinder})}) == dead.cylinder);
    }
    CHECK(likeliest(engine, {pipe.stretch(0, {}), pipe.stretch(positions[0].cylinder, {})}) == 0);
    CHECK(core::LineFit{engine, std::vector{pipe.stretch(0, {})}, {}}.log_likelihood() == 0.0);
  }
}

TEST_CASE("a dead cylinder that breathes in louder than the others fire is named all the same") {
  for (const char* name : {"inline3", "inline4", "inline6", "v6-oddfire", "v8-flat", "v8-bank"}) {
    CAPTURE(name);
    const Engine engine = builtin(name);
    const auto positions = engine.positions();
    for (unsigned seed = 1; seed <= 5; ++seed) {
      Pipe pipe{engine, seed, 1.3};
      const int off = positions[0].cylinder;
      for (std::size_t j = 1; j < positions.size(); ++j) {
        const int dead = positions[j].cylinder;
        CHECK(likeliest(engine, {pipe.stretch(0, {dead}), pipe.stretch(off, {dead})}) == dead);
      }
      CHECK(likeliest(engine, {pipe.stretch(0, {}), pipe.stretch(off, {})}) == 0);
    }
  }
}

TEST_CASE("lines that fit no engine, as at a wrong speed, blame nobody") {
  const Engine engine = builtin("v6");
  Pipe one{engine, 5};
  Pipe other{engine, 6};
  const std::vector<StretchLines> stretches{one.stretch(0, {3}), other.stretch(1, {3})};
  std::vector<double> each{core::LineFit{engine, stretches, {}}.log_likelihood()};
  for (const FiringPosition& p : engine.positions()) {
    const core::Suspect suspect{p.cylinder, 1.0};
    each.push_back(core::LineFit{engine, stretches, std::span{&suspect, 1}}.log_likelihood());
  }
  const auto [least, most] = std::minmax_element(each.begin(), each.end());
  CHECK(*most - *least < 1.0);  // nats
}

TEST_CASE("the drop test names the dead one by its cycle lines where neither speed nor levels tell") {
  const Engine engine = builtin("inline4");
  for (const int dead : {0, 1, 2, 3, 4}) {
    CAPTURE(dead);
    Pipe pipe{engine, 11, 1.3};
    std::vector<int> off;
    if (dead != 0) off.push_back(dead);
    std::vector<DropStretch> stretches{{0, speed_only(750.0), cycles_of(pipe.stretch(0, off))}};
    for (int c = 1; c <= 4; ++c) stretches.push_back({c, speed_only(750.0), cycles_of(pipe.stretch(c, off, 0.13 * c))});
    const DropTest test = judge_drop_test(engine, stretches);
    REQUIRE(test.dead.has_value());
    CHECK(*test.dead == off);
    for (DropStretch& s : stretches) s.cycles = {};
    CHECK_FALSE(judge_drop_test(engine, stretches).dead.has_value());
  }
}

TEST_CASE("a lead that comes off inside a stretch is noticed, and when") {
  const Engine engine = builtin("inline4");
  Pipe pipe{engine, 8};
  StretchLines before = pipe.stretch(0, {2});
  const StretchLines after = pipe.stretch(1, {2});
  CHECK(core::inner_change(engine, std::vector{before, after}, {2, 1.0}).pulses < 0.4);
  // Its second half without cylinder 4 as well.
  const StretchLines more = pipe.stretch(0, {2, 4});
  const auto half = static_cast<std::ptrdiff_t>(before.by_cycle.size() / 2);
  std::copy(more.by_cycle.begin() + half, more.by_cycle.end(), before.by_cycle.begin() + half);
  const core::InnerChange change = core::inner_change(engine, std::vector{before, after}, {2, 1.0});
  CHECK(change.pulses > 0.8);
  CHECK(change.at.value() == doctest::Approx(6.5).epsilon(0.1));
}

TEST_CASE("times between marks leave out what a hand needs") {
  const Mark marks[] = {{Seconds{10.0}, 1}, {Seconds{20.0}, 0}};
  const auto times = core::marked_times(marks);
  REQUIRE(times.size() == 3);
  CHECK(times[0].to_s < 10.0);
  CHECK(times[1].from_s > 10.0);
  CHECK(times[1].unplugged == 1);
  CHECK(times[2].unplugged == 0);
  const Mark at_once[] = {{Seconds{0.0}, 1}};
  CHECK(core::marked_times(at_once).size() == 1);
}

TEST_CASE("a clamp's pulses give the phase; a few that fail are bridged") {
  const Engine four = builtin("inline4");
  const Hertz cycle{6.0};
  std::vector<double> times = every(1.0 / 6.05, 10.0);
  times.erase(times.begin() + 20);
  times.erase(times.begin() + 30, times.begin() + 32);
  const auto trigger = clamp(times, 10.0).trigger(four, cycle);
  REQUIRE(trigger.has_value());
  CHECK(trigger->rate == core::TriggerRate::once_a_cycle);
  CHECK(trigger->pulses == times.size());
  CHECK(trigger->phase.total() == doctest::Approx(60.0).epsilon(0.01));
  CHECK(trigger->phase.at(times[40]) == doctest::Approx((times[40] - times[0]) * 6.05).epsilon(0.001));
}

TEST_CASE("an engine that turns slowly at first is followed from its first pulse") {
  std::vector<double> times;
  double period = 0.26;
  for (double t = 0.05; t < 10.0; t += period) {
    times.push_back(t);
    period = std::max(0.178, 0.97 * period);
  }
  times.erase(times.begin() + 11);
  const auto trigger = clamp(times, 10.0).trigger(builtin("inline3"), Hertz{1.0 / 0.185});
  REQUIRE(trigger.has_value());
  CHECK(trigger->phase.start_s == doctest::Approx(times.front()).epsilon(0.01));
  CHECK(trigger->phase.total() == doctest::Approx(static_cast<double>(times.size())).epsilon(0.01));
}

TEST_CASE("a pulse every turn is wasted spark; one every firing, or none, is no reference") {
  const Engine four = builtin("inline4");
  const auto turn = clamp(every(1.0 / 12.0, 8.0), 8.0).trigger(four, Hertz{6.0});
  REQUIRE(turn.has_value());
  CHECK(turn->rate == core::TriggerRate::every_turn);
  CHECK(turn->phase.total() == doctest::Approx(47.5).epsilon(0.02));
  const auto coil = clamp(every(1.0 / 24.0, 8.0), 8.0).trigger(four, Hertz{6.0});
  REQUIRE(coil.has_value());
  CHECK(coil->rate == core::TriggerRate::other);
  CHECK(coil->pulses_a_cycle == doctest::Approx(4.0).epsilon(0.02));
  CHECK_FALSE(clamp({}, 8.0).trigger(four, Hertz{6.0}).has_value());
  // A two-stroke's cycle is a turn.
  const auto two = clamp(every(1.0 / 12.0, 8.0), 8.0).trigger(builtin("twostroke-twin"), Hertz{12.0});
  CHECK(two->rate == core::TriggerRate::once_a_cycle);
}

TEST_CASE("with a trigger, recordings of their own are as good as one take") {
  const Engine engine = builtin("inline4");  // 1-3-4-2
  Pipe pipe{engine, 4};
  const auto take = [&](StretchLines lines, bool every_turn) {
    LocateTake t;
    if (lines.unplugged != 0) t.marks = {{Seconds{0.0}, lines.unplugged}};
    t.lines = {std::move(lines)};
    t.triggered = true;
    t.trigger_every_turn = every_turn;
    return t;
  };
  const LocateTake good[] = {take(pipe.stretch(0, {3}), false), take(pipe.stretch(1, {3}), false)};
  const Location answer = locate(engine, good);
  REQUIRE(answer.answered);
  CHECK(answer.phase_kept);
  CHECK(answer.candidates.front().cylinder == 3);
  // Wasted spark, and the second recording begins half a cycle on. Two gaps side by side point half way
  // between them, and half a cycle from there lies no other answer.
  for (const double turn : {0.0, 0.5}) {
    const LocateTake half[] = {take(pipe.stretch(0, {3}), true), take(pipe.stretch(1, {3}, turn), true)};
    const Location open = locate(engine, half);
    REQUIRE(open.answered);
    CHECK(open.candidates.front().cylinder == 3);
    CHECK(std::any_of(open.reasons.begin(), open.reasons.end(),
                      [](const LocateReason& r) { return r.code == LocateReasonCode::trigger_every_turn; }));
  }
}
