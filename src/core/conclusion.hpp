// From what the passages of a sound say to one finding.
#pragma once

#include <cstddef>
#include <span>

#include "core/passage.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/listener.hpp"

namespace pipebeat::core {

// Event lists and pictures are bounded: the first ones are kept.
inline constexpr std::size_t event_limit = 20'000;
inline constexpr std::size_t trace_limit = 20'000;

/// An answer less sure than that is said to be thin.
inline constexpr double thin = 0.7;

/// The sound that was listened to, whatever was heard in it.
struct Listened {
  double begin_s = 0.0;  ///< in the recording
  double duration_s = 0.0;
  double sample_rate_hz = 0.0;
  double clipped_share = 0.0;  ///< of all samples
  double loudest_db = 0.0;     ///< RMS level of the loudest tenth of a second, dB of full scale
  std::span<const LevelPoint> levels{};  ///< of the whole recording, forward in time
};

/// The finding on that sound, `unclear` with its reason where it does not carry an answer. Verdicts
/// are mixed over the passages by their cycles; where a good part of them plainly misses and others
/// plainly don't, the answer is about those that miss, and a reason says so. `passages`: forward in
/// time, at least one, positions numbered alike.
Finding conclude(std::span<const Passage* const> passages, const Engine& engine,
                 const ListenerOptions& options, const Listened& sound);

}  // namespace pipebeat::core
