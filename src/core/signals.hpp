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
  /// Second-order section, transposed direct form II.
  struct Biquad {
    float b0, b1, b2, a1, a2;
    float z1 = 0.0F;
    float z2 = 0.0F;
    float step(float x) {
      const float y = b0 * x + z1;
      z1 = b1 * x - a1 * y + z2;
      z2 = b2 * x - a2 * y;
      return y;
    }
  };
  /// Anti-alias low-pass that yields every `factor`-th sample.
  struct Decimator {
    int factor = 1;
    std::vector<float> taps;
    std::vector<float> history;  // twice the taps, so that a window is always contiguous
    std::size_t at = 0;
    int phase = 0;
    void design(int factor_, double cutoff);
    bool push(float x, float& y);
  };
  static Biquad low_pass(double cutoff_hz, double rate_hz, double q);
  static Biquad high_pass(double cutoff_hz, double rate_hz, double q);
  void push_mid(float x, Signals& out);
  void finish_strip_point(std::vector<LevelPoint>& strip);
  void come_to_rest();
  /// What `count` zeros yield once the filters are at rest; they must not pass a strip point.
  void push_zeros(std::int64_t count, Signals& out, std::vector<LevelPoint>& strip);

  double sample_rate_hz_;
  double mid_rate_hz_;
  double signal_rate_hz_;
  Decimator to_mid_;
  Decimator to_low_;
  std::array<std::array<Biquad, 4>, signal_count - 1> bands_;
  std::array<bool, signal_count - 1> band_exists_{};
  std::array<float, signal_count - 1> band_power_{};
  int mid_factor_;
  int mid_phase_ = 0;

  std::int64_t seen_ = 0;
  std::int64_t clipped_ = 0;
  float last_ = 0.0F;
  int flat_run_ = 0;
  std::int64_t zeros_ = 0;  ///< zeros in a row up to now
  std::int64_t strip_period_;
  double strip_power_ = 0.0;
  bool strip_clipped_ = false;
  float loudest_db_ = -120.0F;
};

/// Takes mains hum out of the signals, in place: steady lines at multiples of 50 or 60 Hz that are
/// far narrower than any line of an engine, whose idle wanders by 0.5 % and more.
/// Returns 50 or 60 where hum was found, else 0.
int remove_mains(Signals& signals);

/// Share of the low band's power, 0..1, that one line narrower than 0.5 Hz holds, over blocks of
/// about 8 s. Near 1 for a tone; no engine holds its speed so well, nor has it a single line.
double steadiest_line_share(const Signals& signals);

}  // namespace pipebeat::core
