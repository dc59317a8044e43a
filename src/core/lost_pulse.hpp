// Lost pulse: does what a miss takes away look like a pulse of this engine?
//
// The shape of one pulse can't be read from the mean cycle of an engine that fires evenly: all
// pulses lie on each other there. But at the lines in which they add up, one miss among P positions
// takes away a P-th, whatever the shape. That gives what is supposed to be a miss a sign: where
// fired cycles are taken for misses and misses for fired, these lines seem to grow.
#pragma once

#include <complex>
#include <span>
#include <vector>

#include "core/fold.hpp"
#include "core/pulses.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat::core {

class LostPulse {
 public:
  /// Of the cycles that run. All must outlive this.
  LostPulse(const Engine& engine, const CycleSpectra& spectra, const PulseFit& pulses,
            const std::vector<bool>& running);

  struct Loss {
    double sureness =
        0.0;  ///< standard deviations by which a pulse is lost with every miss; negative: gained
    double low = 0.0;   ///< -1..1: correlation of what is lost with a pulse, low band
    double high = 0.0;  ///< the same, mean of the envelopes
  };
  /// `missing`: probability per event, cycles x positions.
  [[nodiscard]] Loss with(std::span<const float> missing) const;

 private:
  std::size_t positions_;
  std::vector<std::size_t> cycles_;  ///< the ones that count
  std::vector<std::complex<double>>
      turn_;  ///< lines x positions: where a pulse of the position stands
  std::size_t lines_ = 0;
  std::vector<std::complex<double>>
      pulse_;  ///< signals x lines: one pulse at angle zero, squared by the layout
  std::vector<std::complex<double>>
      value_;  ///< signals x lines x cycles: of a cycle and the next, about the mean
};

}  // namespace pipebeat::core
