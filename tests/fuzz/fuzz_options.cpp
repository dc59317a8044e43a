// What is typed: engine options and interval lists, marks, readings, fault codes. One line each.
#include <cmath>

#include "cli/engine_options.hpp"
#include "cli/marks.hpp"
#include "fuzz.hpp"
#include "pipebeat/bench.hpp"

using namespace pipebeat;

namespace {

void check_engine(const Engine& engine) {
  const auto positions = engine.positions();
  fuzz::check(!positions.empty() && positions.size() <= 16, "1 to 16 positions");
  double last = -1.0;
  for (const FiringPosition& p : positions) {
    fuzz::check(p.angle.value() > last && p.angle.value() < engine.cycle().value(), "angles rise");
    fuzz::check(p.cylinder >= 1 && p.cylinder <= engine.cylinders(), "a position has its cylinder");
    last = p.angle.value();
  }
  fuzz::check(std::abs(std::abs(engine.line(0)) - 1.0) < 1e-9, "S_0 is 1");
  for (int k = 1; k < 40; ++k) fuzz::check(std::abs(engine.line(k)) <= 1.0 + 1e-9, "|S_k| is at most 1");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::Input input{data, size};
  cli::EngineOptions options;
  const std::uint8_t numbers = input.byte();
  if (const int cylinders = numbers % 19 - 1; cylinders >= 0) options.cylinders = cylinders;
  if (numbers >= 200) options.strokes = numbers % 5;
  options.name = input.line();
  options.order = input.line();
  options.intervals = input.line();
  options.heard = input.line();
  const auto engine = options.engine();
  if (engine) check_engine(*engine);

  const Engine four = *Engine::make({});
  const Engine& known = engine ? *engine : four;
  double last = -1.0;
  if (const auto marks = cli::parse_marks(input.line(), known)) {
    for (const auto& mark : *marks) {
      fuzz::check(std::isfinite(mark.at.value()) && mark.at.value() > last, "marks rise in time");
      last = mark.at.value();
    }
  }
  if (const auto mark = cli::parse_off_at(input.line(), known)) {
    fuzz::check(mark->unplugged >= 1 && mark->unplugged <= known.cylinders(), "a cylinder of this engine");
  }
  static_cast<void>(cli::parse_off_file(input.line(), known, "--off"));

  const auto kinds = reading_kinds();
  const std::string_view what = kinds[input.byte() % kinds.size()].name;
  const int cylinder = input.byte() % 8;
  const std::string text = input.line();
  if (const auto read = read_reading(what, text, cylinder, {known.cylinders(), Fuel::petrol})) {
    fuzz::check(!read->reading.value || std::isfinite(*read->reading.value), "a value is a number");
  }
  static_cast<void>(fault_code(text));
  return 0;
}
