#include "pipebeat/engine.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <vector>
#include <numeric>
#include <set>
#include <string>

using namespace pipebeat;

namespace {

Engine made(const EngineSpec& spec) {
  auto engine = Engine::make(spec);
  REQUIRE_MESSAGE(engine, (engine ? "" : engine.error().what));
  return *engine;
}

Engine named(std::string_view name) {
  const auto spec = builtin_engine(name);
  REQUIRE(spec);
  return made(*spec);
}

/// Strength of a crank order (four-stroke: line 2 x order).
double at_order(const Engine& e, double order) {
  return std::abs(e.line(static_cast<int>(std::lround(2.0 * order))));
}

const auto about = [](double value) { return doctest::Approx(value).epsilon(0.001); };
constexpr double nothing = 1e-9;

void refused(const EngineSpec& spec, std::string_view word) {
  const auto engine = Engine::make(spec);
  REQUIRE_FALSE(engine);
  CHECK(engine.error().code == ErrorCode::bad_argument);
  CHECK(engine.error().what.find(word) != std::string::npos);
  CHECK(engine.error().what.find('\n') == std::string::npos);
  CHECK_FALSE(engine.error().hint.empty());
}

}  // namespace

// Line strengths: phasor sums of the firing angles, as textbooks on torsional vibration draw them
// (phase-vector diagrams; J. P. Den Hartog, Mechanical Vibrations, chapter 5; from memory).

TEST_CASE("Even fire: firing lines at full strength, nothing between them") {
  for (int n = 1; n <= 12; ++n) {
    const Engine e = made({n, 4, {}, {}, {}});
    CHECK(e.even_fire());
    for (int k = 0; k <= 3 * n; ++k) {
      CAPTURE(n);
      CAPTURE(k);
      if (k % n == 0) {
        CHECK(std::abs(e.line(k)) == about(1.0));
      } else {
        CHECK(std::abs(e.line(k)) < nothing);
      }
    }
  }
}

TEST_CASE("Even fire with one cylinder reduced by d: every line but the firing lines is d/(N-d)") {
  // The sum over all cylinders less d times one phasor of length 1: N-d on firing lines, d
  // elsewhere.
  const Engine six = made({6, 4, {}, {}, {}});
  for (double d : {0.25, 1.0, 1.3}) {
    for (int k = 1; k <= 12; ++k) {
      std::complex<double> sum = six.line(k) * 6.0;
      const double angle = six.positions()[2].angle.value();
      sum -= std::polar(d, -2.0 * std::numbers::pi * k * angle / 720.0);
      const double expected = k % 6 == 0 ? 1.0 : d / (6.0 - d);
      CHECK(std::abs(sum) / (6.0 - d) == about(expected));
    }
  }
}

TEST_CASE(
    "One bank of a cross-plane V8: 0.271/0.653/0.653/0.271, and zero at whole orders 1 to 3") {
  const Engine bank = named("v8-bank");
  REQUIRE(bank.positions().size() == 4);
  CHECK_FALSE(bank.even_fire());
  const double expected[] = {0, 90, 270, 540};
  for (std::size_t i = 0; i < 4; ++i) {
    CHECK(bank.positions()[i].angle.value() == about(expected[i]));
  }
  CHECK(at_order(bank, 0.5) == about(0.271));
  CHECK(at_order(bank, 1.5) == about(0.653));
  CHECK(at_order(bank, 2.5) == about(0.653));
  CHECK(at_order(bank, 3.5) == about(0.271));
  CHECK(at_order(bank, 4.0) == about(1.0));
  for (double order : {1.0, 2.0, 3.0}) CHECK(at_order(bank, order) < nothing);
}

TEST_CASE("Turns that lay the layout on itself: all of an even one, every second of 90/150, none else") {
  using Turns = std::vector<int>;
  CHECK(named("inline4").turns() == Turns{0, 1, 2, 3});
  CHECK(named("v6-oddfire").turns() == Turns{0, 2, 4});
  CHECK(named("v8-bank").turns() == Turns{0});
  CHECK(named("vtwin45").turns() == Turns{0});
  CHECK(named("single").turns() == Turns{0});
}

TEST_CASE("A cross-plane four sounds like one bank of a cross-plane eight") {
  const Engine four = made({4, 4, {}, {270, 180, 90, 180}, {}});
  const Engine bank = named("v8-bank");
  for (int k = 0; k <= 32; ++k) CHECK(std::abs(four.line(k)) == about(std::abs(bank.line(k))));
}

TEST_CASE("Odd-fire V6: 0.383/0.707/0.924 at orders 1.5, 3, 4.5 and nulls elsewhere") {
  const Engine v6 = named("v6-oddfire");
  CHECK_FALSE(v6.even_fire());
  CHECK(at_order(v6, 1.5) == about(0.383));
  CHECK(at_order(v6, 3.0) == about(0.707));
  CHECK(at_order(v6, 4.5) == about(0.924));
  for (int k = 1; k <= 36; ++k) {
    if (k % 3 != 0 || k == 12 || k == 36) CHECK(std::abs(v6.line(k)) < nothing);
  }
}

TEST_CASE("V-twin 315/405 has nulls only at orders 4, 12, ...; a 270-degree twin at 2, 6, ...") {
  const Engine v = named("vtwin45");
  const Engine parallel = named("twin270");
  for (int k = 1; k <= 32; ++k) {
    CAPTURE(k);
    CHECK((std::abs(v.line(k)) < nothing) == (k % 16 == 8));
    CHECK((std::abs(parallel.line(k)) < nothing) == (k % 8 == 4));
  }
}

TEST_CASE("Firing frequency is rpm/60 times cylinders, over two for four strokes") {
  // M. L. Munjal, Acoustics of Ducts and Mufflers (from memory); the figures are worked by hand.
  CHECK(named("inline4").firing_frequency(Rpm{3000}).value() == about(100.0));
  CHECK(named("inline4").firing_frequency(Rpm{700}).value() == about(23.333));
  CHECK(named("inline6").firing_frequency(Rpm{600}).value() == about(30.0));
  CHECK(named("v8").firing_frequency(Rpm{750}).value() == about(50.0));
  CHECK(named("v8-bank").firing_frequency(Rpm{750}).value() == about(25.0));
  CHECK(named("single").firing_frequency(Rpm{1200}).value() == about(10.0));
  CHECK(named("twostroke-single").firing_frequency(Rpm{1200}).value() == about(20.0));
  CHECK(named("twostroke-twin").firing_frequency(Rpm{1500}).value() == about(50.0));
}

TEST_CASE("Speed and cycle frequency undo each other") {
  for (const char* name : {"inline5", "twostroke-twin"}) {
    const Engine e = named(name);
    CHECK(e.speed(e.cycle_frequency(Rpm{812})).value() == about(812.0));
  }
  CHECK(named("inline4").cycle_frequency(Rpm{1200}).value() == about(10.0));
}

TEST_CASE("Every built-in layout is valid, has its own name and is found by it") {
  std::set<std::string_view> names;
  for (const BuiltinEngine& e : builtin_engines()) {
    CAPTURE(e.name);
    CHECK(names.insert(e.name).second);
    CHECK(Engine::make(e.spec).has_value());
    CHECK(builtin_engine(e.name).has_value());
    CHECK_FALSE(e.description.empty());
  }
  CHECK(names.size() == 20);
  CHECK_FALSE(builtin_engine("inline7").has_value());
}

TEST_CASE("Any rotation of a firing order is the same engine") {
  const Engine a = made({4, 4, {1, 3, 4, 2}, {}, {}});
  const Engine b = made({4, 4, {4, 2, 1, 3}, {}, {}});
  for (int k = 0; k <= 8; ++k) CHECK(std::abs(a.line(k)) == about(std::abs(b.line(k))));
  CHECK(b.positions()[0].cylinder == 4);
}

TEST_CASE("Angles are counted from the first firing that is heard") {
  const Engine e = made({4, 4, {1, 3, 4, 2}, {}, {2, 4}});
  REQUIRE(e.positions().size() == 2);
  CHECK(e.positions()[0].cylinder == 4);
  CHECK(e.positions()[0].angle.value() == about(0.0));
  CHECK(e.positions()[1].cylinder == 2);
  CHECK(e.positions()[1].angle.value() == about(180.0));
}

TEST_CASE("Intervals a little off in sum are scaled to the cycle") {
  const Engine e = made({3, 4, {}, {239.9, 240, 240}, {}});
  const double last = e.positions()[2].angle.value();
  CHECK(last == about((239.9 + 240.0) * 720.0 / 719.9));
}

TEST_CASE("What cannot be an engine is refused, with a word on what to do") {
  refused({0, 4, {}, {}, {}}, "0 cylinders");
  refused({17, 4, {}, {}, {}}, "17 cylinders");
  refused({-3, 4, {}, {}, {}}, "-3 cylinders");
  refused({4, 3, {}, {}, {}}, "3 strokes");
  refused({4, 4, {1, 3, 4}, {}, {}}, "1-3-4");
  refused({4, 4, {1, 3, 4, 4}, {}, {}}, "1-3-4-4");
  refused({4, 4, {1, 3, 4, 5}, {}, {}}, "1-3-4-5");
  refused({4, 4, {}, {180, 180, 180}, {}}, "intervals");
  refused({4, 4, {}, {180, 180, 180, 181}, {}}, "720");
  refused({2, 2, {}, {360, 360}, {}}, "360");
  refused({2, 4, {}, {0, 720}, {}}, "positive");
  refused({2, 4, {}, {std::nan(""), 720}, {}}, "positive");
  refused({4, 4, {}, {}, {1, 5}}, "1-5");
  refused({4, 4, {}, {}, {1, 1}}, "1-1");
  refused({4, 4, {}, {}, {0}}, "0");
}
