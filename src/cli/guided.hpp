// The drop test live: asks for one cylinder at a time and records it all as one take with cue points.
#pragma once

#include <optional>
#include <string>

#include "audio/capture.hpp"
#include "cli/engine_options.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/result.hpp"

namespace pipebeat::cli {

/// Records the guided test in a terminal. Returns the take's path; empty when the user wants no answer or
/// nothing was unplugged. Errors: unsupported without a terminal, those of open_take, what ended the take
/// (it is kept then, and said where).
Result<std::optional<std::string>> guided_drop_test(const Engine& engine, const EngineOptions& described,
                                                    const audio::CaptureOptions& microphone,
                                                    const std::string& save);

}  // namespace pipebeat::cli
