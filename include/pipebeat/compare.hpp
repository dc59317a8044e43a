// Before against after: is the miss gone?
#pragma once

#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/listener.hpp"

namespace pipebeat {

enum class Change {
  fixed,           ///< it missed before and does not any more
  improved,        ///< it still misses, less than before
  unchanged,       ///< as before: a miss that stayed, or none in both
  worse,           ///< it misses more than before
  cannot_compare,  ///< the two recordings do not carry an answer
};

/// Contract word: "fixed", ...
[[nodiscard]] std::string_view to_string(Change change);

enum class CompareReasonCode {
  // Why it cannot compare:
  before_unheard,     ///< no engine, or no speed, in what should be before
  after_unheard,
  not_sure_enough,    ///< value: probability of the best answer
  misses_alone,       ///< the recording after, heard by itself, may have a dead cylinder
  same_recording,     ///< one sound on both sides: of one recording each that is `unchanged`, of more no answer
  // What speaks for the answer:
  miss_gone,          ///< value: missing ratio before; value2: rate that could still hide
  no_miss_in_either,  ///< value2: rate that could still hide after
  miss_remains,       ///< value: missing ratio before; value2: after
  miss_appeared,      ///< value: missing ratio after
  weak_after,         ///< no miss after, yet heard by itself a cylinder is weak; value: how sure that is
  // What makes the two less comparable:
  other_speed,        ///< value: rpm before; value2: after
  other_sound,        ///< value: dB by which the order spectra differ: microphone or place moved
  short_after,        ///< value: seconds usable after; a rare miss could hide
  short_before,
  noisy_after,        ///< value: SNR in dB
  noisy_before,
};

[[nodiscard]] std::string_view to_string(CompareReasonCode code);

struct CompareReason {
  CompareReasonCode code;
  double value = 0.0;
  double value2 = 0.0;
};

/// One firing position before and after, aligned as well as the sound allows.
struct PositionChange {
  int position = 0;  ///< in the first recording before
  double level_before = 0.0;
  double level_after = 0.0;
  double missing_before = 0.0;
  double missing_after = 0.0;
};

struct Comparison {
  Change change = Change::cannot_compare;
  std::optional<double> confidence;        ///< probability that the answer is right
  std::optional<double> gone_probability;  ///< that no miss is left after
  std::optional<double> ratio_change;      ///< missing events, after less before
  std::optional<Interval> ratio_change_interval;  ///< 95 %
  std::optional<double> could_hide;        ///< miss rate after that these events can't exclude, 95 %
  std::vector<PositionChange> positions;
  bool miss_after = false;                 ///< a miss remains or appeared
  std::vector<CompareReason> reasons;      ///< when it cannot compare, why comes first
};

/// One recording as it was heard: Listener::finding, Listener::as_known_good and Listener::cycles.
struct ComparedRecording {
  Finding finding;
  std::optional<KnownGood> evidence;
  HeardCycles cycles{};
};
[[nodiscard]] ComparedRecording as_compared(const Listener& listener);

/// It is one engine: the speed near which a recording should be heard again, as the one on the other side
/// tells; empty when it may stay as it is.
[[nodiscard]] std::optional<Rpm> speed_of_the_other(const Finding& recording, const Finding& other);

/// What was heard near that speed takes the recording's place, if an engine was heard there.
void hear_instead(ComparedRecording& recording, ComparedRecording near_the_other);

/// True when before and after are one sound: then nothing is told of a repair.
[[nodiscard]] bool is_one_recording(const Comparison& comparison);

/// Compares recordings of one engine, at least one on each side.
///
/// Nothing depends on absolute level. Both sides share the engine's own unevenness, so they are
/// judged together: what is common to both tells less than what differs.
Comparison compare(const Engine& engine, std::span<const ComparedRecording> before,
                   std::span<const ComparedRecording> after);

}  // namespace pipebeat
