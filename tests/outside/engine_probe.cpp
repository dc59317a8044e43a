// Prints what the engine model says of a layout, so that a script can hold it against a reference.
//
//   engine_probe CYLINDERS STROKES ORDER INTERVALS HEARD RPM LAST_LINE
//
// ORDER, INTERVALS and HEARD are comma lists or "-" for the usual. First line: cycle frequency and
// firing frequency in Hz at RPM, and 1 for even firing; then "k re im" for cycle lines 0..LAST_LINE.
#include <cstdio>
#include <cstdlib>
#include <sstream>
#include <string>
#include <vector>

#include "pipebeat/engine.hpp"

namespace {

template <class Number>
std::vector<Number> numbers(const std::string& text) {
  std::vector<Number> values;
  if (text == "-") return values;
  std::istringstream in{text};
  for (std::string item; std::getline(in, item, ',');) {
    values.push_back(static_cast<Number>(std::strtod(item.c_str(), nullptr)));
  }
  return values;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 8) {
    std::fputs("engine_probe: give cylinders strokes order intervals heard rpm last-line\n", stderr);
    return 2;
  }
  const auto engine = pipebeat::Engine::make({std::atoi(argv[1]), std::atoi(argv[2]),
                                              numbers<int>(argv[3]), numbers<double>(argv[4]),
                                              numbers<int>(argv[5])});
  if (!engine) {
    std::fprintf(stderr, "engine_probe: %s\n", engine.error().what.c_str());
    return 2;
  }
  const pipebeat::Rpm speed{std::atof(argv[6])};
  std::printf("%.12g %.12g %d\n", engine->cycle_frequency(speed).value(),
              engine->firing_frequency(speed).value(), engine->even_fire() ? 1 : 0);
  for (int k = 0; k <= std::atoi(argv[7]); ++k) {
    const auto line = engine->line(k);
    std::printf("%d %.12g %.12g\n", k, line.real(), line.imag());
  }
  return 0;
}
