// Each marked line is compiled on its own (-DCASE=N) and must be refused; CASE 0 has none of them.
#include "pipebeat/engine.hpp"
#include "pipebeat/units.hpp"

using namespace pipebeat;

[[maybe_unused]] static void mix(const Engine& engine) {
  [[maybe_unused]] const Rpm speed{700.0};
  [[maybe_unused]] const Hertz frequency{23.3};
  (void)engine;
#if CASE == 1
  const Rpm from_number = 700.0;  // no: 1
#elif CASE == 2
  const double number = speed;  // no: 2
#elif CASE == 3
  const Hertz from_speed{speed};  // no: 3
#elif CASE == 4
  const auto sum = speed + frequency;  // no: 4
#elif CASE == 5
  const auto hz = engine.firing_frequency(frequency);  // no: 5
#elif CASE == 6
  const bool faster = speed > frequency;  // no: 6
#elif CASE == 7
  const auto rpm = engine.speed(23.3);  // no: 7
#elif CASE == 8
  const FrameCount frames = Seconds{1.0};  // no: 8
#endif
}
