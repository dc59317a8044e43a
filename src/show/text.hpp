// Finding to text for people at a terminal.
#pragma once

#include <string>

#include "show/report.hpp"

namespace pipebeat::show {

struct TextOptions {
  bool colour = false;    ///< ANSI colours: only for a terminal
  bool beat_map = false;  ///< a small beat map in characters
};

/// Several lines, ending with a line feed: the verdict first, then figures, positions, reasons,
/// what to do next and, wherever that can hurt, a caution. Lines of at most 80 columns.
[[nodiscard]] std::string to_text(const Report& report, const TextOptions& options = {});

}  // namespace pipebeat::show
