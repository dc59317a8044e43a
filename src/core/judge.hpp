// Judge: every single exhaust event present or missing.
//
// A missed event shows in two independent ways: its pulse is weaker in the signals that carry the
// beat, and the crankshaft, not pushed, falls back a little, so that everything after it comes
// late. Both have a known sign on every engine, which shape-learning methods lack.
#pragma once

#include <array>
#include <vector>

#include "core/fold.hpp"
#include "core/miss_shape.hpp"
#include "core/pulses.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat::core {

/// What speaks for a miss in one event, in robust standard deviations of the recording; positive
/// speaks for a miss. 0..2: delay kink over 1, 2, 3 slots; 3..7: how far the pulse in each signal
/// stays behind the local template of its own position; 8..12: how far its level in the joint fit
/// (pulses.hpp) stays below the upper quarter of its position's.
inline constexpr std::size_t event_feature_count = 13;
using EventFeatures = std::array<float, event_feature_count>;

/// What speaks for misses of one kind of cycles at one position: gap and log scatter ratio of the
/// split, unlikeness to other positions (low band: mean and nearest; 120 to 400, 1000 to 2500 Hz), level
/// drop, delay kink, log variance ratio, rarity; of the lost pulse: sureness (log), low band, envelopes.
inline constexpr std::size_t split_cue_count = 13;
using SplitCues = std::array<double, split_cue_count>;

/// One hypothesis of an intermittent position.
struct SplitChoice {
  std::size_t position = 0;     ///< from 0
  bool second_kind = false;
  SplitCues cues{};
  double score = 0.0;           ///< log odds against the other choices
  double share = 0.0;           ///< of cycles that would be misses
  std::vector<float> missing;   ///< per cycle; zero outside running cycles
};

/// What speaks for one shape being that of a miss: log gain and gap, log share of its events, how far
/// one position has them all, log sureness of the lost pulse, score of the single events (fitted on them one
/// by one), log variance ratio, correlation of neighbouring events, the low band's part.
inline constexpr std::size_t shape_cue_count = 9;
using ShapeCues = std::array<double, shape_cue_count>;

/// One hypothesis of what scattered misses look like.
struct ShapeChoice {
  ShapeCues cues{};
  double score = 0.0;          ///< log odds against the other choices
  std::vector<float> missing;  ///< per event, cycles x positions; zero outside running cycles
};

/// What the events look like as a crowd, for the evidence row.
struct EventCrowd {
  double kink_tail = 0.0;   ///< skewness of the delay kinks
  double low_tail = 0.0;    ///< skewness of the level drops, low band
  double e1_tail = 0.0;
  double e4_tail = 0.0;
  double share = 0.0;       ///< share of events judged missing
  double gap = 0.0;         ///< mean score of those
  double excess = 0.0;      ///< share of very low scores less share of very high ones
  double focus = 0.0;       ///< share of the missing at their commonest position, less by chance
  double pairs = 0.0;       ///< share of missing followed by another at the same position
  double low_spread = 0.0;  ///< log ratio of the most scattered position to the median one
  double e1_spread = 0.0;
  double e3_spread = 0.0;
  double e4_spread = 0.0;
  double kink_spread = 0.0;
  double split_gap = 0.0;    ///< of the likeliest SplitChoice: distance of the two kinds of cycles in
                             ///< standard deviations; about 2.6 when there is one kind
  double split_ratio = 0.0;  ///< log ratio of its scatter to the median position's
  double split_share = 0.0;  ///< share of its cycles that would be misses
  double split_score = 0.0;
  double split_unlike = 0.0; ///< its misses differ from other positions more than its fired cycles do
  double split_steady = 0.0; ///< log ratio of the variance of its misses to that of its fired cycles
  double split_lost = 0.0;   ///< sureness that they lack a pulse
  ShapeCues shape{};         ///< of the likeliest ShapeChoice
};

struct Judgement {
  std::vector<EventFeatures> features;  ///< cycles x positions; zero outside running cycles
  std::vector<float> missing;           ///< probability per event, cycles x positions
  std::vector<float> if_intermittent;   ///< the same if only intermittent positions miss at all
  EventCrowd crowd;
  std::vector<SplitChoice> splits;      ///< likeliest first
  std::vector<ShapeChoice> shapes;      ///< likeliest first
  int offset = 0;  ///< angle sample at which position 1's window begins
};

/// Judges the events of the running cycles; others get 0.
/// `spectra`: of the cycles of `folded`.
Judgement judge_events(const Folded& folded, const CycleSpectra& spectra, const Engine& engine,
                       const PulseFit& pulses, const std::vector<bool>& running);

}  // namespace pipebeat::core
