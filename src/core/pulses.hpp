// Pulses: how strong each exhaust event was, from a fit of overlapping responses.
//
// Every event of a signal is a copy of one response h, scaled by its level: y(angle) = b + sum_e
// level_e h(angle - angle_e). Pipe resonance rings into the next slot, so levels are solved
// together, never read from a window's energy. Response and levels are fitted in turn, starting
// from "all events equal": a cylinder that never fires ends near zero, an extra tick once a cycle
// ends above one, and the two cannot be confused, as they are when only the power of the half
// orders is looked at.
#pragma once

#include <array>
#include <vector>

#include "core/fold.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat::core {

/// Angle samples per cycle that put the layout's firing angles on the grid.
std::size_t angle_grid(const Engine& engine);

struct PulseFit {
  std::size_t cycles = 0;
  std::size_t positions = 0;
  struct PerSignal {
    std::vector<double> response;   ///< h, on the angle grid
    std::vector<double> level;      ///< mean level per position; the upper half averages 1
    std::vector<double> mean;       ///< per cycle: mean value
    std::vector<double> scale;      ///< per cycle: local strength (standard deviation)
    double explained = 0.0;         ///< share of the mean cycle's power that the fit explains
    double weight = 0.0;            ///< trust in this signal, weights sum to 1
    std::vector<float> event_level; ///< cycles x positions
    double event_noise = 1.0;       ///< standard deviation of an event level from cycle to cycle
  };
  std::array<PerSignal, signal_count> signal;
  int offset = 0;                   ///< angle sample of position 1's pulse onset
  std::vector<float> event_level;   ///< combined, cycles x positions
};

/// `use`: cycles that make the response (empty: all). Levels come for all cycles.
PulseFit fit_pulses(const Folded& folded, const Engine& engine, const std::vector<bool>& use);

}  // namespace pipebeat::core
