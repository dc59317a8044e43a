// Running: a rough track of the speed, laid on itself until its cycles agree, and which of them are a
// running engine's. Engines are stopped, started and drowned out while we listen.
#pragma once

#include <optional>

#include "core/fold.hpp"
#include "core/lines.hpp"
#include "core/speed.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat::core {

/// Cycles of a settled track.
struct Settled {
  Folded folded;
  CycleSpectra spectra;
};

/// Lays the cycles of a rough track on each other and says which of them are an engine's. Fewer than
/// four cycles are none: `running` is then empty.
Settled settle(SpeedCandidate& candidate, const RunningSums& signals, const Engine& engine, int rounds);

/// Lays the stretches on each other between which the cycle jumps while the engine runs on, and says anew which cycles
/// are an engine's. Nothing where no such jump is found. `settled`: of the candidate.
std::optional<Settled> mend_seams(SpeedCandidate& candidate, const Settled& settled, const RunningSums& signals, const Engine& engine);

double running_seconds(const SpeedCandidate& candidate);

/// Folds with just the angle samples that the beat's lines need.
Folded fold_for_lines(const RunningSums& signals, const Engine& engine, const PhaseTrack& phase);

}  // namespace pipebeat::core
