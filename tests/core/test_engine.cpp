#include "pipebeat/engine.hpp"

#include <doctest/doctest.h>

using namespace pipebeat;

TEST_CASE("Firing frequency of a four at 700 rpm is 23.3 Hz") {
  const auto four = Engine::make({4, 4, {}, {}, {}});
  REQUIRE(four);
  CHECK(four->firing_frequency(Rpm{700}).value() == doctest::Approx(4 * 700 / 120.0));
}
