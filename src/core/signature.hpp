// Signature: what two recordings of one engine have in common, whichever position comes first.
#pragma once

#include <optional>

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"

namespace pipebeat::core {

/// How much two recordings differ. Neither number depends on absolute level or on the numbering.
struct Difference {
  /// Root mean square in dB between the strengths of the cycle lines that stand out in either.
  std::optional<double> lines_db;
  /// Root mean square between the levels of the positions, at the turn where they agree best.
  std::optional<double> levels;
};
Difference difference(const Engine& engine, const Finding& a, const Finding& b);

/// log p(difference | the same cylinders fire) - log p(difference | one more or one fewer fires).
/// 0 when the recordings say nothing.
double log_odds_same(const Difference& difference);

/// Mean speed and its standard error, from the scatter of the means over about a second; empty when
/// no speed was found.
struct MeanSpeed {
  double rpm;
  double error;
};
std::optional<MeanSpeed> mean_speed(const Finding& finding);

}  // namespace pipebeat::core
