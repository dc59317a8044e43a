// Findings made by hand for the exporters to say.
#pragma once

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"

namespace pipebeat::test {

inline Engine four() { return *Engine::make({4, 4, {}, {}, {}}); }

inline Finding one_dead() {
  Finding f;
  f.verdict = Verdict::dead_miss;
  f.confidence = 0.97;
  f.miss_probability = 0.999;
  f.missing_event_ratio = 0.25;
  f.missing_event_ratio_interval = Interval{0.236, 0.261};
  f.underlying_rate_interval = Interval{0.203, 0.304};
  f.expected_events = 276;
  f.missing_events = 69;
  f.speed = SpeedSummary{Rpm{702.1}, Rpm{688.0}, Rpm{719.5}};
  f.firing_frequency = Hertz{23.4};
  f.positions = {{1, 1.02, 0.05, 69, 0, 0.0, {0.0, 0.053}},
                 {2, 0.98, 0.05, 69, 0, 0.0, {0.0, 0.053}},
                 {3, 0.04, 0.05, 69, 69, 1.0, {0.947, 1.0}},
                 {4, 1.0, 0.05, 69, 0, 0.0, {0.0, 0.053}}};
  f.reasons = {{ReasonCode::empty_position, 3, 0.04, 0.0}};
  f.input.usable_s = 11.8;
  f.input.snr_db = 14.2;
  f.duration = Seconds{12.0};
  f.sample_rate_hz = 48000.0;
  return f;
}

inline Finding unclear(ReasonCode code) {
  Finding f;
  f.reasons = {{code}};
  f.duration = Seconds{3.0};
  f.sample_rate_hz = 44100.0;
  return f;
}

inline constexpr int reason_count = static_cast<int>(ReasonCode::guess_doubted) + 1;

}  // namespace pipebeat::test
