// The table of likelihoods: causes, readings, tests. A data file that the owner may edit;
// likelihoods.json says in its first lines how it is read.
#pragma once

#include <array>
#include <map>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "pipebeat/bench.hpp"
#include "pipebeat/result.hpp"

namespace pipebeat::job {

/// What an engine must have; an empty list asks for nothing.
struct Needs {
  std::vector<Fuel> fuels;
  std::vector<Injection> injections;
  std::vector<Ignition> ignitions;
  std::vector<int> strokes;

  /// An engine whose ignition nobody named may have either.
  [[nodiscard]] bool met_by(const Bench& bench) const;
};

struct Cause {
  enum class Where { cylinder, pair, engine };
  std::string code;
  std::string words;
  Where where = Where::cylinder;
  std::array<double, 3> prior{};  ///< weight by Fuel; 0: that fuel has no such cause
  Needs needs;
  bool sound = false;  ///< nothing is to be repaired
  std::vector<std::string> repair;
};

/// One reading with P(outcome | cause).
struct TableReading {
  /// cylinder: rows hold at the cylinder at fault; engine: for the engine as a whole; naming: the
  /// reading names a cylinder, rows hold for whether it is the one at fault.
  enum class Where { cylinder, engine, naming };
  std::string code;
  Where where = Where::cylinder;
  std::string group;                                           ///< never empty
  std::vector<std::pair<std::string, std::string>> outcomes;   ///< code and words
  std::array<std::vector<double>, 3> limits;                   ///< by Fuel; rising
  double lowest_share = 0.0;
  std::vector<std::vector<double>> by_cause;                   ///< [cause][outcome]
  std::vector<double> otherwise;                               ///< [outcome]

  /// Index of an outcome, or -1.
  [[nodiscard]] int outcome(std::string_view code) const;
};

/// One thing to do at the engine.
struct TableTest {
  std::string code;
  std::string words;
  std::size_t gives = 0;  ///< index of the reading
  double minutes = 0.0;
  std::vector<std::string> tools;
  Needs needs;
  std::vector<std::pair<std::size_t, std::vector<int>>> after;  ///< only once these were read
  std::vector<std::string> how;
  std::vector<std::string> cautions;
  std::vector<std::string> record;
};

/// Readings that can't all be right.
struct Contradiction {
  std::vector<std::pair<std::size_t, int>> all;  ///< reading and outcome
  std::string words;
};

struct Table {
  std::vector<Cause> causes;
  std::vector<TableReading> readings;
  std::vector<TableTest> tests;
  std::vector<Contradiction> contradictions;
  std::size_t cured = 0;       ///< index of the cause that holds after work that helped
  double cured_prior = 0.0;    ///< its probability once work was done; 0: as without

  /// Index of a reading, or -1.
  [[nodiscard]] int reading(std::string_view code) const;
  /// Errors: bad_argument for a tool that no test asks for; "none" is none.
  [[nodiscard]] Result<void> know(const std::vector<std::string>& tools) const;
};

/// The text of the built-in table.
[[nodiscard]] std::string_view builtin_table_text();

/// Reads a table. Errors: damaged, naming line and column: no JSON, an unknown name, a row that does
/// not add up to 1 (0.001 is forgiven) or holds a 0, a row or a cause without source, a test
/// without caution.
Result<Table> parse_table(const std::string& name, std::string text);

/// The table to use: the named file; else the job folder's own; else the built-in one.
/// Errors: those of parse_table; not_found, no_permission.
Result<Table> load_table(const std::string& file, const std::string& folder);

}  // namespace pipebeat::job
