// Line pattern: what the levels of the cycle lines say about which positions fire.
#pragma once

#include <vector>

#include "core/lines.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat::core {

/// Level in dB of what repeats of every line of signal m (index k - 1).
std::vector<double> line_levels(const CycleLines& lines, std::size_t m);

/// Mean level of the lines that a healthy layout lacks, between `low` and `high` times the firing
/// frequency, against the strong lines that bracket them: 0 dB is the strength of one whole pulse,
/// for every layout. -25 where the layout has no such line.
double null_level(const CycleLines& lines, std::size_t m, const Engine& engine, double low, double high);

/// How badly the levels differ from each pattern times a smooth pulse spectrum: root mean square
/// in dB, outliers limited, lines weighted by what repeats of them; 12 where there are too few lines
/// to tell.
struct PatternMisfit {
  double healthy = 12.0;
  double one_weak = 12.0;   ///< one position at 0.6 of a pulse
  double one_dead = 12.0;
  double two_dead = 12.0;
  double alternating = 12.0;
  double strength = 0.5;    ///< of the weakest position if all others are alike, 1 a full pulse
};

/// Whether every other position may have a pulse of its own, as where banks, or halves with manifolds
/// of their own, share a pipe; many a healthy engine sounds so. `apart` leaves the lines that only
/// such a difference needs, odd multiples of half the firing frequency, out of every pattern but
/// `alternating`: of one position or two they tell nothing then.
enum class Halves { alike, apart };

PatternMisfit pattern_misfit(const CycleLines& lines, std::size_t m, const Engine& engine,
                             Halves halves = Halves::alike);

}  // namespace pipebeat::core
