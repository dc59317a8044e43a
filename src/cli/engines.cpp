// pipebeat engines: the built-in layouts.
#include <fmt/format.h>

#include "cli/command.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat::cli {

namespace {

template <class Range>
std::string joined(const Range& values, std::string_view separator) {
  return fmt::format("{}", fmt::join(values, separator));
}

std::string intervals_of(const EngineSpec& spec) {
  if (spec.intervals_deg.empty()) {
    return fmt::format("even, {:g}", (spec.strokes == 4 ? 720.0 : 360.0) / spec.cylinders);
  }
  return joined(spec.intervals_deg, ",");
}

ExitStatus list_engines() {
  fmt::print("{:<17}{:>4}{:>9}  {:<28}{:<24}{:<9}{}\n", "name", "cyl", "strokes", "order",
             "intervals (degrees)", "heard", "layout");
  for (const BuiltinEngine& e : builtin_engines()) {
    const std::string order = e.spec.order.empty() ? "1" : joined(e.spec.order, "-");
    const std::string heard = e.spec.heard.empty() ? "all" : joined(e.spec.heard, ",");
    fmt::print("{:<17}{:>4}{:>9}  {:<28}{:<24}{:<9}{}\n", e.name, e.spec.cylinders, e.spec.strokes,
               order, intervals_of(e.spec), heard, e.description);
  }
  return ExitStatus::no_miss;
}

}  // namespace

void add_engines(CLI::App& program, Action& chosen) {
  CLI::App* command = program.add_subcommand("engines", "List the built-in engine layouts");
  command->footer("Example: pipebeat engines");
  command->callback([&chosen] { chosen = list_engines; });
}

}  // namespace pipebeat::cli
