// Seams: where a recording was joined of pieces, or its recorder lost some sound, the engine cycle
// jumps though the engine runs on. What follows is then counted to other positions: a dead cylinder
// would be two that miss now and then.
#pragma once

#include <cstddef>
#include <vector>

#include "core/fold.hpp"

namespace pipebeat::core {

/// A jump of the cycle: cycles before `from` lie on one phase, those from `to` on another, and what
/// lies between on neither.
struct Seam {
  std::size_t from, to;
  double turn;  ///< the latter come late by this share of a cycle, -0.5..0.5; 0 where it is not
                ///< known or makes no difference
};

/// Jumps between cycles that lie on the mean cycle far better when turned. By how many firings the
/// cycle of an engine jumped whose cylinders are all alike can't be heard, and need not be. `use`:
/// cycles that are an engine's, one entry each.
std::vector<Seam> find_seams(const CycleSpectra& cycles, const std::vector<bool>& use);

/// Turns what follows each seam back onto what came before, and notes where that was in
/// `PhaseTrack::jumps`.
PhaseTrack close_seams(PhaseTrack phase, const std::vector<Seam>& seams);

}  // namespace pipebeat::core
