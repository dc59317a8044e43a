// Trigger: a channel that pulses once a cycle, from an inductive clamp or a contact microphone on
// one cylinder's lead, as the reference for the phase of the engine cycle.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "core/fold.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat::core {

/// How often it pulses.
enum class TriggerRate {
  once_a_cycle,
  every_turn,  ///< wasted spark: a four-stroke's lead fires once a turn
  other,       ///< for instance every cylinder's spark: no reference
};

struct Trigger {
  TriggerRate rate = TriggerRate::other;
  double pulses_a_cycle = 0.0;  ///< median
  std::size_t pulses = 0;
  /// Phase of the engine cycle, whole numbers at the pulses; with every_turn, halves too. Ends
  /// where more than a few pulses in a row are missing.
  PhaseTrack phase;
};

/// Finds the pulses of one channel.
class TriggerChannel {
 public:
  explicit TriggerChannel(Hertz sample_rate);
  void push(std::span<const float> samples);

  /// `cycle`: the cycle frequency heard in the exhaust, to within a tenth or so. Empty when the
  /// channel holds no pulses that stand out.
  [[nodiscard]] std::optional<Trigger> trigger(const Engine& engine, Hertz cycle) const;

 private:
  [[nodiscard]] std::vector<double> pulse_times() const;

  double rate_;
  std::size_t slot_;  // samples
  std::size_t in_slot_ = 0;
  std::size_t best_in_slot_ = 0;  // where the slot's peak lies
  float last_ = 0.0F;
  float peak_ = 0.0F;
  std::vector<float> peaks_;  // of the slope, one a slot: an ignition pulse is steep, hum is not
  std::vector<float> at_;     // its place in the slot, samples
};

}  // namespace pipebeat::core
