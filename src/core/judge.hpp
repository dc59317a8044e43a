// Judge: every single exhaust event present or missing.
#pragma once

#include <vector>

#include "core/pattern.hpp"
#include "core/pulses.hpp"

namespace pipebeat::core {

struct Judgement {
  std::vector<float> missing;  ///< probability per event, cycles x positions
  EventCrowd crowd;
};

/// Judges the events of the running cycles; others get 0.
Judgement judge_events(const PulseFit& pulses, const std::vector<bool>& running);

}  // namespace pipebeat::core
