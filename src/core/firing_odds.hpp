// Firing odds: how likely the mean cycle is if every position fires, if one is weak, if some are
// dead.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "core/fold.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/listener.hpp"

namespace pipebeat::core {

/// Log odds (nats) against all positions firing alike; 0 where there are too few cycles or lines to
/// tell.
struct FiringOdds {
  double weak = 0.0;       ///< one position fires with half a pulse
  double dead = 0.0;       ///< one position is dead
  double two_dead = 0.0;   ///< two are; as `dead` where the layout has fewer than three
  double half_dead = 0.0;  ///< every other one is; as `two_dead` where the layout has fewer than
                           ///< four or an odd number
};

/// Odds by the mean of the cycles that `use` picks (empty: all), for each of the wanted signals.
/// `spectra` holds at least four lines a position. Levels and phases of the lines count, where the
/// numbering begins does not.
std::vector<FiringOdds> firing_odds(const CycleSpectra& spectra, const std::vector<bool>& use,
                                    const Engine& engine,
                                    std::span<const std::size_t> wanted_signals);

/// Another number of cylinders, firing evenly, that would explain the mean of these cycles far
/// better than any pattern of the engine, be it healthy or with one dead; empty where none does,
/// for fewer than three positions, and where this pipe carries only some of the cylinders. The
/// numbering, and where the cycle begins, do not count.
std::optional<int> likelier_count(const HeardCycles& cycles, const Engine& engine,
                                  std::span<const std::size_t> wanted_signals);

}  // namespace pipebeat::core
