// Scatter: how pulses of one position differ from cycle to cycle, as far as two signals agree on it.
//
// Combustion that scatters is heard in every band at once; noise, in each by itself. So what two
// signals have in common is the engine's, however noisy each of them is.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "core/pulses.hpp"

namespace pipebeat::core {

struct AgreedScatter {
  double agreement = 0.0;  ///< correlation of the two signals' deviations, -1..1
  double most = 0.0;       ///< the same of the position that has most of it, counted as if all were so: where one
                           ///< cylinder misses now and then, several times the former
};

/// Levels of all events less the mean of the neighbouring cycles' at the same position, [cycle * positions +
/// position]; 0 where a cycle is not used or has hardly a neighbour.
std::vector<float> level_deviations(const PulseFit& pulses, std::size_t signal, const std::vector<bool>& use);

/// `one`, `other`: deviations of two signals.
AgreedScatter agreed_scatter(const std::vector<float>& one, const std::vector<float>& other, std::size_t positions);

}  // namespace pipebeat::core
