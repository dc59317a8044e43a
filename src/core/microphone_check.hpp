// Is this sound worth recording? What is wrong with the microphone, its place or its settings.
#pragma once

#include <cstdint>
#include <deque>
#include <span>
#include <vector>

#include "pipebeat/units.hpp"

namespace pipebeat::core {

enum class MicrophoneFault {
  silent,                   ///< nothing but zeros: muted, or the wrong input
  clipping,                 ///< value: share of samples at full scale
  too_quiet,                ///< value: level in dB of full scale
  wind,                     ///< value: dB of what is below 12 Hz over the sound above 20 Hz
  low_frequencies_missing,  ///< value: dB of the noise at 20 to 50 Hz over 120 to 300 Hz
  gain_pumping,             ///< value: swing in dB that all of the sound shares
  mains_hum,                ///< value: 50 or 60 Hz
};
inline constexpr int microphone_fault_count = 7;

struct MicrophoneRemark {
  MicrophoneFault fault;
  double value = 0.0;
};

/// Watches the last 5 s of sound.
///
/// What it can't hear: a gain control quick enough to follow single pulses (it levels the beat away
/// without moving the mean level), and wind behind a steep low-cut.
class MicrophoneCheck {
 public:
  /// `sample_rate`: 4 to 400 kHz.
  explicit MicrophoneCheck(Hertz sample_rate);

  void push(std::span<const float> samples);

  /// What is wrong, worst first; empty when all is well, and before 2 s were heard.
  [[nodiscard]] std::vector<MicrophoneRemark> remarks() const;

 private:
  /// A tenth of a second, measured as it passes.
  struct Block {
    double power = 0.0;       ///< mean square
    double low_power = 0.0;   ///< of roughly 100 Hz to 1 kHz
    double high_power = 0.0;  ///< above roughly 1.5 kHz
    std::int64_t clipped = 0;
  };
  struct Band {
    double low_hz;
    double high_hz;
  };
  class Spectrum;
  struct Levels {
    std::vector<double> both;   ///< dB, mean of the two bands, every 0.1 s
    std::vector<double> apart;  ///< dB, low over high
  };

  [[nodiscard]] Levels levels() const;
  void look_at_spectrum(std::vector<MicrophoneRemark>& found) const;
  void look_at_swing(std::vector<MicrophoneRemark>& found) const;

  double rate_;
  std::size_t block_length_;
  std::size_t in_block_ = 0;
  Block block_;
  std::deque<Block> blocks_;
  int at_full_scale_ = 0;  ///< samples in a row

  // One-pole filters for the two bands.
  double a100_, a1000_, a1500_;
  double y100_ = 0.0, y1000_ = 0.0, y1500_ = 0.0, z1500_ = 0.0;

  // The slow signal, about 1 kHz: every `factor_` samples, weighted by a triangle twice as long.
  std::size_t factor_;
  std::size_t in_slow_ = 0;
  double this_slow_ = 0.0, next_slow_ = 0.0;
  std::deque<float> slow_;
};

}  // namespace pipebeat::core
