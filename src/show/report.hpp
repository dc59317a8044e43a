// What every exporter takes: one finding with the names it belongs to. Findings in, characters out.
#pragma once

#include <chrono>
#include <optional>
#include <string_view>

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"

namespace pipebeat::show {

/// A finding on one recording. Refers to its parts; make it where it is used.
struct Report {
  std::string_view file;  ///< name as the user gave it, any bytes
  const Engine& engine;
  const Finding& finding;
  std::optional<Rpm> speed_guess{};  ///< the speed was looked for near this one only
  std::optional<std::chrono::sys_seconds> last_written{};  ///< the file; nothing else dates a recording
};

}  // namespace pipebeat::show
