// The engine on the command line: the same options for every command that listens.
#pragma once

#include <CLI/CLI.hpp>
#include <optional>
#include <string>

#include "pipebeat/engine.hpp"
#include "pipebeat/result.hpp"
#include "pipebeat/units.hpp"
#include "show/droptest.hpp"

namespace pipebeat::cli {

/// What the user said of the engine; empty where nothing was said.
struct EngineOptions {
  std::optional<int> cylinders;
  std::optional<int> strokes;
  std::string order;      ///< "1-3-4-2"
  std::string intervals;  ///< "90,150,90,150,90,150"
  std::string heard;      ///< "1,2,3,4"
  std::string name;       ///< of a built-in layout
  std::optional<double> rpm;
  std::string job;  ///< job folder that knows the engine and takes the finding (see job_note.hpp)

  /// Adds --cylinders --strokes --order --intervals --heard --engine --rpm to a command.
  void add_description_to(CLI::App& command);

  /// Adds the same and --job, which every listening command has.
  void add_to(CLI::App& command);

  /// The engine meant. A named layout or the job's engine is the start, what else is said refines
  /// it. Errors: bad_argument, when nothing says how many cylinders, a list does not parse, the name
  /// is unknown or contradicted, or Engine::make refuses; those of job::load.
  [[nodiscard]] Result<Engine> engine() const;

  /// The firing order that nobody stated; none when --order or the job states it, or there is but one possible
  /// order.
  [[nodiscard]] std::optional<show::AssumedOrder> assumed_order(const Engine& engine) const;

  /// The same before Engine::make.
  [[nodiscard]] Result<EngineSpec> spec() const;

  /// The speed guess, if one was given. Errors: bad_argument when it is no possible speed.
  [[nodiscard]] Result<std::optional<Rpm>> speed_guess() const;
};

/// On standard error, where the answer depends on it: a pipe that hears only some cylinders, and an order
/// that nobody stated.
void tell_assumed_order(const EngineOptions& options, const Engine& engine);

/// True for an engine of several cylinders; complains of another, whose one cylinder needs no name.
[[nodiscard]] bool has_others(const Engine& engine, std::string_view command);

}  // namespace pipebeat::cli
