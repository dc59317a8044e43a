// A passage: up to two minutes of signals, heard in one piece with both directions of time.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "core/fold.hpp"
#include "core/pattern.hpp"
#include "core/signals.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/listener.hpp"

namespace pipebeat::core {

/// An event, and what its missing probability is if the verdict is `intermittent_miss`.
struct HeardEvent : Event {
  float if_intermittent = 0.0F;
};

/// What one passage adds to a finding. Times are in the recording.
struct Passage {
  double begin_s = 0.0;
  double duration_s = 0.0;
  bool engine_heard = false;
  double speed_probability = 0.0;      ///< that the speed is right, against other ratios
  std::optional<KnownSpeed> known;     ///< for the passage that follows, where an engine was heard
  std::optional<double> other_rpm;     ///< the next best ratio
  Evidence evidence{};
  VerdictProbabilities probability{};
  int dead = 1;                        ///< dead positions if the verdict is `dead_miss`
  double usable_s = 0.0;               ///< running, cycle by cycle like its neighbours
  double known_s = 0.0;                ///< time over which `mean_rpm` is taken
  double cycles = 0.0;                 ///< running cycles that were judged
  double mean_rpm = 0.0;
  double min_rpm = 0.0;
  double max_rpm = 0.0;
  double snr_db = 0.0;
  double beat = 0.0;
  int mains_hz = 0;
  std::vector<double> level_sum;       ///< per position
  std::vector<double> level_square;    ///< per position
  std::vector<double> expected;        ///< per position
  std::vector<double> missing;         ///< per position, events judged missing
  std::vector<double> missing_if_intermittent;  ///< per position
  std::vector<HeardEvent> events;
  std::vector<SpeedPoint> speed_trace;
  std::vector<OrderLine> order_lines;
  HeardCycles lines_by_cycle;
};

/// Hears a passage. `signals` are consumed (mains hum is taken out in place).
/// `known`: what the passage before it taught. `remembered`: spectra of the sound that it is a part of.
Passage hear_passage(Signals signals, double begin_s, const Engine& engine, const ListenerOptions& options,
                     const std::optional<KnownSpeed>& known = {}, const std::optional<Remembered>& remembered = {});

/// Numbers the positions as the passages before do. Each passage finds a position 1 of its own, and in a layout that
/// can be laid on itself any of several may be it: the numbering whose levels are most like theirs is taken.
void number_like(Passage& passage, std::span<const Passage> before, const Engine& engine);

/// What the fit of the tables wants to know of a passage.
struct PassageDetails {
  std::vector<EventFeatures> features;  ///< of every event of Passage::events
  std::vector<SplitChoice> splits;      ///< their `missing` for the judged cycles only
  std::vector<ShapeChoice> shapes;      ///< so here
};

/// The same for one hypothesis about the speed: everything but the speed probabilities.
Passage hear_at_speed(const RunningSums& signals, const SpeedCandidate& speed, double begin_s,
                      const Engine& engine, PassageDetails* details = nullptr);

}  // namespace pipebeat::core
