// The parts of `pipebeat job`; each adds its subcommands.
#pragma once

#include <CLI/CLI.hpp>

#include "cli/command.hpp"

namespace pipebeat::cli {

/// read
void add_job_read(CLI::App& job, Action& chosen);
/// next, show, sheet, table
void add_job_views(CLI::App& job, Action& chosen);
/// gap
void add_job_gap(CLI::App& job, Action& chosen);

}  // namespace pipebeat::cli
