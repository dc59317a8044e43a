// For every command that listens: keep what it found in the job that --job names.
//
//   if (!note_in_job(options.engine.job, "locate", {take}, json, !options.json)) status = ExitStatus::trouble;
//
// EngineOptions::add_to adds --job, EngineOptions::engine() reads the engine from it.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace pipebeat::cli {

/// Adds one finding to a job folder; nothing happens when `job` is empty.
/// `command` is the command's name, `recordings` what it heard (they are copied into the job),
/// `json` the object its --json prints; `tell`: says on standard output that it was kept, and what comes next.
/// False when it could not be kept; standard error says why.
[[nodiscard]] bool note_in_job(const std::string& job, std::string_view command,
                               const std::vector<std::string>& recordings, std::string_view json, bool tell);

}  // namespace pipebeat::cli
