// pipebeat engines: the built-in layouts.
#include <fmt/format.h>
#include <unistd.h>

#include <string>
#include <string_view>

#include "cli/command.hpp"
#include "pipebeat/engine.hpp"
#include "show/paragraphs.hpp"

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

/// A line a layout for programs; in a terminal, 80 columns wide as it opens, the words on a line of their own; where
/// it is narrower, every layout as a paragraph.
ExitStatus list_engines() {
  const bool terminal = ::isatty(STDOUT_FILENO) != 0;
  constexpr int of_the_table = 78;
  if (const int width = columns(STDOUT_FILENO); width < of_the_table) {
    for (const BuiltinEngine& e : builtin_engines()) {
      std::string text = fmt::format("{}; order {}, {} degrees", e.description,
                                     e.spec.order.empty() ? "1" : joined(e.spec.order, "-"), intervals_of(e.spec));
      if (!e.spec.heard.empty()) text += "; heard: " + joined(e.spec.heard, ",");
      fmt::print("{}\n{}", e.name, show::wrapped("    ", text, width));
    }
    return ExitStatus::no_miss;
  }
  const auto row = [&](std::string_view name, std::string_view cylinders, std::string_view strokes,
                       std::string_view order, std::string_view intervals, std::string_view heard,
                       std::string_view layout) {
    fmt::print("{:<16}{:>4}{:>8}  {:<26}  {:<20}", name, cylinders, strokes, order, intervals);
    if (!terminal) {
      fmt::print("  {:<9}{}\n", heard, layout);
    } else if (heard == "all" || heard == "heard") {
      fmt::print("\n{:20}{}\n", "", layout);
    } else {
      fmt::print("\n{:20}{}: {}\n", "", layout, heard);
    }
  };
  row("name", "cyl", "strokes", "order", "intervals (degrees)", "heard", "layout");
  for (const BuiltinEngine& e : builtin_engines()) {
    row(e.name, std::to_string(e.spec.cylinders), std::to_string(e.spec.strokes),
        e.spec.order.empty() ? "1" : joined(e.spec.order, "-"), intervals_of(e.spec),
        e.spec.heard.empty() ? "all" : joined(e.spec.heard, ","), e.description);
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
