// From samples to pulse-strength signals: the slow signals in which the beat of the exhaust shows.
//
// A phone's microphone chain may remove everything below 80 to 250 Hz and pump the gain; then only
// the modulation of the flow noise still carries the beat. So: the low band itself, and the
// envelopes of four bands above it, all at one low rate.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "pipebeat/finding.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat::core {

/// Signal 0 is the low band (pressure, signed); 1..4 are band envelopes (amplitude, >= 0).
inline constexpr int signal_count = 5;

/// Equal-rate pulse-strength signals; index 0 of every vector is the same moment.
struct Signals {
  double rate_hz = 0.0;
  std::array<std::vector<float>, signal_count> value;

  [[nodiscard]] std::size_t size() const { return value[0].size(); }
};

/// Anti-alias low-pass that yields every `factor`-th sample.
class Decimator {
 public:
  void design(int factor, double cutoff);
  /// Room for the next `count` samples. Before it lie the ones before them, at least seven.
  float* room(std::size_t count);
  /// How many samples the next `count` complete.
  [[nodiscard]] std::size_t yields(std::size_t count) const;
  /// Takes the `count` samples that stand in the room now and writes what they complete to `out`.
  void push(std::size_t count, float* out);
  /// True when nothing but zeros waits. Then `push_zeros` takes `count` more, for next to nothing.
  [[nodiscard]] bool at_rest() const;
  void push_zeros(std::size_t count);

 private:
  std::size_t factor_ = 1;
  std::vector<float> taps_;     // a multiple of 8, for the sum's eight lanes
  std::vector<float> samples_;  // those that a later output needs, and the room
  std::size_t waiting_ = 0;     // of the former
};

/// The signals at half their rate, half a sample late; what lies below a third of that is kept within 2.1 dB.
Signals at_half_rate(const Signals& signals);

/// Streaming reduction of one channel to pulse-strength signals at about 2 kHz.
///
/// The output depends on the samples only, not on how they were cut into blocks.
class SignalBank {
 public:
  explicit SignalBank(double sample_rate_hz);

  /// Rate of the signals produced.
  [[nodiscard]] double rate_hz() const { return signal_rate_hz_; }

  /// Consumes `samples` and appends what they complete to `out` (and to `strip`, one point per
  /// 0.1 s). NaN and infinities count as silence and as clipped.
  void push(std::span<const float> samples, Signals& out, std::vector<LevelPoint>& strip);

  [[nodiscard]] std::int64_t samples_seen() const { return seen_; }
  [[nodiscard]] std::int64_t samples_clipped() const { return clipped_; }
  /// RMS level of the loudest tenth of a second so far, in dB of full scale; -120 at least.
  [[nodiscard]] float loudest_db() const { return loudest_db_; }

 private:
  /// Four bands side by side, so that the filters of all of them take one step together.
  using Lanes = float __attribute__((vector_size(16)));
  static_assert(signal_count - 1 == 4);
  /// Pair of poles of every band, direct form I, summed so that the next output waits for one product and one
  /// difference only: it is this wait that filtering costs.
  struct Poles {
    Lanes a1{}, a2{};
    Lanes y1{}, y2{};  // the last two outputs
    Lanes step(Lanes x) {
      const Lanes y = (x - a2 * y2) - a1 * y1;
      y2 = y1;
      y1 = y;
      return y;
    }
  };
  /// A band of one Butterworth high-pass twice and one low-pass twice. Zeros that all bands share are
  /// taken care of before the bands part.
  struct Bands {
    std::array<Poles, 2> high_pass, low_pass;
    Lanes power_gain{};  // of all that the zeros and poles let out too strong
  };
  void clean(std::span<const float> samples, float* x);
  void filter_bands(const float* mid, std::size_t count, Signals& out);
  void finish_strip_point(std::vector<LevelPoint>& strip);
  [[nodiscard]] bool at_rest() const;

  double sample_rate_hz_;
  double mid_rate_hz_;
  double signal_rate_hz_;
  Decimator to_mid_;
  Decimator to_low_;
  Bands bands_;
  Lanes band_power_{};
  int mid_factor_;
  int mid_phase_ = 0;
  std::vector<float> shaped_;  // a block at the intermediate rate, through the shared zeros

  std::int64_t seen_ = 0;
  std::int64_t clipped_ = 0;
  std::int64_t strip_period_;
  std::array<float, 16> strip_power_{};
  bool strip_clipped_ = false;
  float loudest_db_ = -120.0F;
};

/// What a sound holds that is steadier than any engine.
struct SteadySound {
  /// Share of the low band's power, 0..1, that one line narrower than 0.5 Hz holds, over blocks of about 8 s. Near 1
  /// for a tone; no engine holds its speed so well, nor has it a single line.
  double line_share = 0.0;
  int mains_hz = 0;  ///< 50 or 60 where hum was found, else 0
};

/// Takes mains hum out of the signals, in place: steady lines at multiples of 50 or 60 Hz that are
/// far narrower than any line of an engine, whose idle wanders by 0.5 % and more.
/// Returns what there was before.
SteadySound remove_mains(Signals& signals);

}  // namespace pipebeat::core
