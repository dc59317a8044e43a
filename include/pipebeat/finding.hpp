// What the listener found: numbers and codes, no text. src/show turns it into words and pictures.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string_view>
#include <vector>

#include "pipebeat/engine.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat {

/// The verdicts, in order of precedence (unclear stands apart).
enum class Verdict {
  dead_miss,          ///< a position misses 95 % or more of its events
  intermittent_miss,  ///< one or two positions carry the misses
  random_miss,        ///< misses spread over more positions
  weak_cylinder,      ///< a position fires, with a small pulse
  rough_no_miss,      ///< uneven, but every event fires
  even,               ///< every event fires and the levels agree
  unclear,            ///< the sound does not carry an answer
};
inline constexpr std::size_t verdict_count = 7;

/// True for the three verdicts that say events are missing.
[[nodiscard]] constexpr bool is_miss(Verdict v) {
  return v == Verdict::dead_miss || v == Verdict::intermittent_miss || v == Verdict::random_miss;
}

/// Contract word: "dead_miss", "even", ... (stable, scripts read it).
[[nodiscard]] std::string_view to_string(Verdict v);

/// Closed interval, 95 % unless said otherwise.
struct Interval {
  double low = 0.0;
  double high = 0.0;
};

/// Why the finding is what it is. The first six explain `unclear`; their contract words are stable.
enum class ReasonCode {
  no_engine_heard,
  too_short,          ///< value: seconds usable
  speed_not_found,
  speed_ambiguous,    ///< value: one rpm, value2: the other
  clipped,            ///< value: share of samples clipped
  too_noisy,          ///< value: SNR in dB
  layout_needed,
  // What speaks for the verdict:
  empty_position,     ///< position; value: its level, 1 is the mean of the others
  silent_pair,        ///< two positions empty
  cylinders_switched_off,  ///< half the positions empty, evenly: may be on purpose
  misses_at_position, ///< position; value: missing ratio
  misses_spread,      ///< value: missing ratio over all positions
  low_position,       ///< position; value: level
  levels_wander,      ///< value: relative spread of levels
  levels_agree,       ///< value: relative spread of levels
  no_miss_in,         ///< value: events judged; value2: the rate that could still hide (3/n)
  thin_evidence,      ///< value: confidence
  // What the recording lacks or had to be masked:
  speed_moved,        ///< value: lowest rpm, value2: highest
  stretches_masked,   ///< value: seconds left out
  low_frequencies_missing,  ///< value: corner in Hz
  gain_pumping,       ///< value: swing in dB
  mains_hum,          ///< value: Hz
  wind,
  miss_in_part,       ///< value, value2: seconds between which the answer holds; elsewhere no miss
  known_good_used,
  silence,            ///< value: RMS level of the loudest tenth of a second, dB of full scale
  guess_doubted,      ///< value: the speed guess in rpm; value2: the speed heard without it
  count_doubted,      ///< value: another number of cylinders that would explain the sound better; value2: the engine's
};
inline constexpr int unclear_reason_count = 7;

/// Contract word of a reason: "no_engine_heard", ...
[[nodiscard]] std::string_view to_string(ReasonCode code);

struct Reason {
  ReasonCode code;
  int position = 0;    ///< 1-based firing position, 0 where none is meant
  double value = 0.0;  ///< as the code's comment says
  double value2 = 0.0;
};

/// One exhaust event as judged. Compact: an hour of a V8 holds some 200,000.
struct Event {
  float time_s;                ///< in the recording, centre of the pulse
  std::int32_t cycle;          ///< 0-based row of the beat matrix
  std::int16_t position;       ///< 1-based column
  float level;                 ///< 1 is a typical fired pulse of this engine, about 0 none
  float missing_probability;   ///< that the cylinder did not fire
};

struct PositionFinding {
  int position = 0;           ///< 1-based
  double level = 1.0;         ///< mean level, 1 is the mean of the fired positions
  double level_spread = 0.0;  ///< standard deviation from cycle to cycle
  std::int64_t expected = 0;
  std::int64_t missing = 0;
  double missing_ratio = 0.0;
  Interval missing_ratio_interval;  ///< binomial, Wilson 95 %
};

/// Crank speed at a moment; NaN where no running engine was heard.
struct SpeedPoint {
  float time_s;
  float rpm;
};

/// A pulse that went missing, or came back, inside the time that a finding is about, and stayed so.
struct PulseChange {
  double time_s = 0.0;  ///< in the recording, to half a cycle
  bool lost = false;    ///< it went missing; otherwise it came back
};

/// What the sound was like, whatever the verdict.
struct InputQuality {
  double usable_s = 0.0;        ///< seconds of running engine that were judged
  double clipped_share = 0.0;   ///< of all samples
  std::optional<double> snr_db; ///< beat over what does not repeat with the cycle
  double beat = 0.0;            ///< 0..1, share of pulse-strength power that repeats each cycle;
                                ///< ranks the channels of one recording
};

/// Level over time for the level strip: one point per 0.1 s.
struct LevelPoint {
  float time_s;
  float rms_db;   ///< dB of full scale
  bool clipped;
  bool used;      ///< inside a judged run
};

/// Line strengths at multiples of half a crank order for the order spectrum, in dB over the floor.
struct OrderLine {
  float order;       ///< crank order (k/2 for cycle line k of a four-stroke)
  float level_db;
  float expected;    ///< |S_k| of the healthy layout, 0..1
};

struct SpeedSummary {
  Rpm mean;
  Rpm min;
  Rpm max;
};

/// Misses at a part of the speeds that were heard.
struct SpeedBand {
  Rpm low;
  Rpm high;
  std::int64_t expected = 0;
  std::int64_t missing = 0;
  Interval missing_ratio_interval;  ///< binomial, Wilson 95 %
};

/// Everything a listener has to say. Optional numbers are empty where they cannot be given.
struct Finding {
  Verdict verdict = Verdict::unclear;
  std::optional<double> confidence;        ///< calibrated probability that the verdict is right
  std::optional<double> miss_probability;  ///< that this engine misses at all; ranks recordings
  std::optional<double> missing_event_ratio;
  std::optional<Interval> missing_event_ratio_interval;  ///< judging errors only
  std::optional<Interval> underlying_rate_interval;      ///< the engine's own rate, Wilson 95 %
  std::optional<std::int64_t> expected_events;
  std::optional<std::int64_t> missing_events;
  std::optional<SpeedSummary> speed;
  std::optional<Hertz> firing_frequency;
  std::vector<PositionFinding> positions;  ///< one per heard position, empty when unclear early
  std::vector<Reason> reasons;             ///< with `unclear` an unclear code comes first
  /// Slowest first; only of misses that come and go, where the speed varied by a quarter and more.
  /// Counts the first `event_limit` events.
  std::vector<SpeedBand> speed_bands;
  std::optional<PulseChange> change;       ///< of Listener::recent only
  InputQuality input;
  Seconds duration{0.0};
  double sample_rate_hz = 0.0;

  // For pictures and event lists; bounded whatever the length of the recording.
  std::vector<Event> events;            ///< the first event_limit events
  std::vector<SpeedPoint> speed_trace;
  std::vector<LevelPoint> level_strip;
  std::vector<OrderLine> order_lines;
};

}  // namespace pipebeat
