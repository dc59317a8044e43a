// Miss shape: what single misses of one recording have in common.
//
// What a missed pulse leaves behind depends on pipe, microphone and place, and no table knows it.
// But it is the same for all misses of a recording: of all ways in which events differ from the
// cycles around them, it is one that some events have and the others don't.
#pragma once

#include <cstddef>
#include <vector>

#include "core/signals.hpp"

namespace pipebeat::core {

/// What every event has beside what its cycles have in common: a row of samples, signal after
/// signal.
struct EventRows {
  std::size_t per_signal = 0;      ///< samples of one signal
  std::vector<float> value;        ///< rows x (signal_count x per_signal)
  std::vector<std::size_t> cycle;  ///< of every row; rises

  [[nodiscard]] std::size_t width() const { return per_signal * signal_count; }
  [[nodiscard]] std::size_t rows() const { return cycle.size(); }
  [[nodiscard]] const float* row(std::size_t r) const { return value.data() + r * width(); }
};

/// Two kinds of events that lie apart along one shape; one of them may be the misses.
struct MissShape {
  double gain = 0.0;  ///< log likelihood of two kinds along the shape against one, nats, all events
  double gap = 0.0;   ///< distance of the kinds, standard deviations within them
  double steady = 0.0;  ///< log ratio of the variance of the kind that is looked for to the other's
  double in_low = 0.0;  ///< log of the low band's part in the shape
  std::vector<float> missing;  ///< per row: probability of being of the kind that is looked for
};

/// Shapes worth weighing; none where there are too few events. At most some hundred events teach
/// them.
std::vector<MissShape> miss_shapes(const EventRows& events);

}  // namespace pipebeat::core
