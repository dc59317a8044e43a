// Finding to text for people at a terminal.
#pragma once

#include <string>

#include "show/paragraphs.hpp"
#include "show/report.hpp"

namespace pipebeat::show {

struct TextOptions {
  bool colour = false;          ///< ANSI colours: only for a terminal
  bool beat_map = false;        ///< a small beat map in characters
  int columns = usual_columns;  ///< of the terminal, where there is one
};

/// Several lines, ending with a line feed: the verdict first, then figures, positions, reasons,
/// what to do next and, wherever that can hurt, a caution. No line is wider than `columns` but for
/// names and commands that are: those can be copied whole.
[[nodiscard]] std::string to_text(const Report& report, const TextOptions& options = {});

}  // namespace pipebeat::show
