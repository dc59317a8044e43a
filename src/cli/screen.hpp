// The terminal while a take is made: lines drawn in place, single keys read.
#pragma once

#include <memory>
#include <optional>
#include <vector>

#include "pipebeat/result.hpp"
#include "show/live.hpp"

namespace pipebeat::cli {

/// Takes the terminal over and gives it back, as it was, when the object goes. One at a time.
class TerminalScreen {
 public:
  /// Errors: unsupported, when nothing is known of this kind of terminal.
  static Result<std::unique_ptr<TerminalScreen>> open();
  ~TerminalScreen();
  TerminalScreen(const TerminalScreen&) = delete;
  TerminalScreen& operator=(const TerminalScreen&) = delete;

  /// The size right now; follows the window.
  [[nodiscard]] show::Screen size() const;

  void draw(const std::vector<show::Line>& lines);

  /// The next key pressed within a tenth of a second; Enter is '\n'.
  std::optional<char> key();

 private:
  TerminalScreen() = default;
};

}  // namespace pipebeat::cli
