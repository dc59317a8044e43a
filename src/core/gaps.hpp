// Gaps: which cylinders are off, read from which firing positions are empty.
//
// The listener numbers positions from an arbitrary cylinder. Within one piece of sound the numbering
// stays; between pieces it may turn, by any step that lays the layout on itself. Every question of
// the workshop (which one is dead, did unplugging change anything) becomes: how well do these levels
// fit "these cylinders are off", whatever the turn?
#pragma once

#include <span>
#include <vector>

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"

namespace pipebeat::core {

/// Mean levels of a stretch of running, per position; 1 is a fired pulse. `error`: standard error
/// of each.
struct LevelRow {
  std::vector<double> level;
  std::vector<double> error;
};

/// Mean levels of these events. `own_unit`: in units of a fired pulse of their own, so that the upper
/// half of the positions averages 1; else as the listener gave them.
LevelRow level_row(std::span<const Event> events, std::size_t positions, bool own_unit = true);

/// Cylinders that do not fire, and what share of their events is missing (1: all).
struct OffCylinder {
  int cylinder;
  double missing = 1.0;
};

class GapModel {
 public:
  /// `blurred`: the levels come from a passage in which the set of firing cylinders changed. One
  /// response was fitted to both, and what it took from the wrong pulses lifts all gaps alike.
  explicit GapModel(const Engine& engine, bool blurred = false);

  /// Turns of the numbering that lay the layout on itself; 0 is one of them.
  [[nodiscard]] std::span<const int> turns() const { return turns_; }

  /// log p(rows | which cylinders are off in each row), for rows that share one numbering; the turn
  /// is integrated out. Rows of different pieces: add their values.
  ///
  /// A fired position's level is its own constant around 1 (pipes differ), the same in all rows; a
  /// gap's is another around 0.1. Gaussian, outliers limited.
  [[nodiscard]] double log_likelihood(std::span<const LevelRow> rows,
                                      std::span<const std::vector<OffCylinder>> off) const;

 private:
  [[nodiscard]] double log_likelihood_turned(std::span<const LevelRow> rows,
                                             std::span<const std::vector<OffCylinder>> off,
                                             int turn, double level_of_gap, double spread_of_gap) const;
  std::vector<int> cylinder_;  ///< per position at turn 0
  std::vector<int> turns_;
  bool blurred_;
};

}  // namespace pipebeat::core
