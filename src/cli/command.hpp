// What all commands share: exit statuses, how trouble is said, how a command joins the program.
#pragma once

#include <CLI/CLI.hpp>
#include <functional>
#include <span>
#include <string>
#include <string_view>

#include "pipebeat/finding.hpp"
#include "pipebeat/result.hpp"
#include "show/text.hpp"

namespace pipebeat::cli {

/// The process's answer to scripts.
enum class ExitStatus : int { no_miss = 0, miss = 1, trouble = 2, unclear = 3 };

/// The status of one finding.
[[nodiscard]] ExitStatus status_of(Verdict verdict);

/// The status of several recordings: trouble, else a miss, else unclear, else no miss.
[[nodiscard]] ExitStatus worst(ExitStatus a, ExitStatus b);

/// Says one trouble on standard error, as `tell` does: "pipebeat: WHAT; HINT".
void complain(const Error& error);

/// A sentence on standard error: broken between words in a terminal, one line for programs and files.
void tell(std::string_view first, std::string_view text);

/// The known name that a mistyped one comes nearest to, for "did you mean": a slip or two away, capitals aside.
/// Empty when none is near, or several are equally so.
[[nodiscard]] std::string nearest(std::string_view typed, std::span<const std::string> known);

/// True when a stream is a terminal where colour is wanted (NO_COLOR unset or empty).
[[nodiscard]] bool wants_colour(int fd);

/// How wide to write to a stream: as its terminal is, but no wider than usual; as usual where it is none.
[[nodiscard]] int columns(int fd);

/// How a report is written to standard output.
[[nodiscard]] show::TextOptions text_options();

/// What a command does once its options are read.
using Action = std::function<ExitStatus()>;

/// Each adds its command to the program; `chosen` becomes its action when the user calls it.
void add_check(CLI::App& program, Action& chosen);
void add_clicks(CLI::App& program, Action& chosen);
void add_compare(CLI::App& program, Action& chosen);
void add_devices(CLI::App& program, Action& chosen);
void add_droptest(CLI::App& program, Action& chosen);
void add_engines(CLI::App& program, Action& chosen);
void add_page(CLI::App& program, Action& chosen);
void add_job(CLI::App& program, Action& chosen);
void add_listen(CLI::App& program, Action& chosen);
void add_locate(CLI::App& program, Action& chosen);

}  // namespace pipebeat::cli
