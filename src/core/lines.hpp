// Cycle lines: what repeats from one engine cycle to the next, line by line.
#pragma once

#include <array>
#include <complex>
#include <vector>

#include "core/fold.hpp"

namespace pipebeat::core {

/// What of the lines of every cycle repeats.
struct CycleLines {
  std::size_t cycles = 0;
  std::size_t lines = 0;  ///< lines 1..lines are kept (index k-1)
  /// coherence[m][k - 1], -1..1: correlation of line k between neighbouring cycles. Independent
  /// noise gives 0 in the mean, so its excess is the share of the line's power that repeats.
  std::array<std::vector<double>, signal_count> coherence;
  /// power[m][k - 1]: mean power of line k.
  std::array<std::vector<double>, signal_count> power;
  /// repeat[c], -1..1: how well cycle c lies on its neighbours, over all lines that repeat.
  std::vector<float> repeat;
  /// belong[c], -1..1: how well cycle c lies on the mean of the others. A hum or a second engine
  /// repeats, but does not belong.
  std::vector<float> belong;
};

/// `use`: cycles to take into the averages (empty: all).
CycleLines cycle_lines(const CycleSpectra& spectra, const std::vector<bool>& use = {});
CycleLines cycle_lines(const Folded& folded, std::size_t lines, const std::vector<bool>& use = {});

}  // namespace pipebeat::core
