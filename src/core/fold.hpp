// Folding: from time to crank angle, so that every engine cycle lies under the one before.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <functional>
#include <span>
#include <vector>

#include "core/signals.hpp"

namespace pipebeat::core {

/// Cycle phase through time on an even grid: cycles completed since the run's first moment.
/// Monotone; strictly increasing inside a run.
struct PhaseTrack {
  double start_s = 0.0;
  double hop_s = 0.0;
  std::vector<double> cycles;
  std::vector<float> coherence;  ///< per whole cycle, 0..1: how well it lies on its neighbours
  struct Jump {
    double begin_s, end_s;
  };
  std::vector<Jump> jumps;  ///< times within which the cycle of the sound jumps: see `find_seams`

  [[nodiscard]] double end_s() const {
    return start_s + hop_s * static_cast<double>(cycles.empty() ? 0 : cycles.size() - 1);
  }
  [[nodiscard]] double total() const { return cycles.empty() ? 0.0 : cycles.back(); }
  /// Phase at a time (linear between grid points, clamped at the ends).
  [[nodiscard]] double at(double time_s) const;
  /// Time at a phase; inverse of `at`.
  [[nodiscard]] double time_of(double phase) const;
  /// Cycles per second around a time.
  [[nodiscard]] double frequency(double time_s) const;
  /// Takes off at every phase the cycles by which it is ahead there, keeps it increasing and counts from the beginning.
  void take_off(const std::function<double(double phase)>& ahead);
};

/// One run of the engine in the angle domain.
struct Folded {
  std::size_t cycles = 0;      ///< whole cycles
  std::size_t per_cycle = 0;   ///< angle samples per cycle, a power of two
  /// signal m, cycle c, angle sample a: value[m][c * per_cycle + a]
  std::array<std::vector<float>, signal_count> value;
  std::vector<double> start_s; ///< time at which each cycle begins; cycles + 1 entries
};

/// Complex line values of every cycle, as they stand in the fold: divided by the samples per cycle.
struct CycleSpectra {
  std::size_t cycles = 0;
  std::size_t lines = 0;  ///< lines 1..lines are kept (index k-1)
  /// value[m][c * lines + k - 1]: line k of cycle c of signal m.
  std::array<std::vector<std::complex<float>>, signal_count> value;
  std::array<double, signal_count> power{};  ///< mean square of the signal, all of it
};
CycleSpectra cycle_spectra(const Folded& folded, std::size_t lines);

/// Sums of all signals from the first sample on, which every fold of the same signals needs.
class RunningSums {
 public:
  explicit RunningSums(const Signals& signals);

  [[nodiscard]] double rate_hz() const { return rate_hz_; }
  [[nodiscard]] double duration_s() const { return static_cast<double>(sum_.size() - 1) / rate_hz_; }
  /// Sum of every signal before a sample; at least two entries, one more than there are samples.
  [[nodiscard]] std::span<const std::array<double, signal_count>> sums() const { return sum_; }

 private:
  double rate_hz_;
  std::vector<std::array<double, signal_count>> sum_;
};

/// Resamples the signals on the crank angle of the phase track. Each angle sample is the mean of
/// the signal over its angle slot, so nothing aliases.
Folded fold(const RunningSums& signals, const PhaseTrack& phase, std::size_t per_cycle);
/// The same for signals that are folded only once.
Folded fold(const Signals& signals, const PhaseTrack& phase, std::size_t per_cycle);

/// Corrects a phase track until successive blocks of cycles lie on each other.
/// `lines`: how many cycle lines carry the beat (about 4 per firing position).
PhaseTrack refine(const RunningSums& signals, PhaseTrack phase, int lines, int rounds);

/// Removes what slow drift `refine` left, by laying every few cycles on the mean of the others.
/// `cycles`: of a fold along `phase`, on `anchor_grid` samples a cycle. `use`: cycles that make the mean.
PhaseTrack anchor(const CycleSpectra& cycles, PhaseTrack phase, const std::vector<bool>& use);
std::size_t anchor_grid(std::size_t lines);

/// Turns every run of cycles on the longest one: where an engine stood or was drowned out between two
/// runs, the phase was lost. `repeating`: cycles that belong to a run; what lies between takes up the turn.
PhaseTrack rejoin(const RunningSums& signals, PhaseTrack phase, int lines, const std::vector<bool>& repeating);

}  // namespace pipebeat::core
