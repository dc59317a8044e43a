#include "core/microphone_check.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <numeric>
#include <utility>

#include "core/fft.hpp"

namespace pipebeat::core {

namespace {

constexpr double block_s = 0.1;
constexpr std::size_t blocks_kept = 50;
constexpr std::size_t blocks_needed = 20;
constexpr double slow_rate_hz = 1000.0;
constexpr std::size_t slow_kept = 4096;

// What is worth a remark. Common practice, no source, but for what the tests hold them against:
// synthesised engines with and without each fault.
constexpr float full_scale = 0.999F;
constexpr int clipped_run = 3;         // samples in a row; one alone may be a peak that just fits
constexpr double clipped_share = 1e-4;
constexpr double quiet_db = -50.0;
constexpr double wind_over_sound_db = 0.0;
constexpr double gusts_over_sound_db = -28.0;  // when the level swings as well
constexpr double gusts_swing_db = 5.0;
constexpr double lows_missing_db = -11.0;
constexpr double pumping_db = 6.0;
constexpr double same_sound_db = 1.5;  // a block sounds like the usual one: its bands stand as usual
constexpr double same_sound_share = 0.6;
constexpr double hum_tone_db = 15.0;   // over what lies close beside it
constexpr int hum_tones = 2;

double decibels(double power) { return 10.0 * std::log10(power + 1e-20); }

/// Share of the way to its input that a one-pole low-pass goes each sample.
double pole(double corner_hz, double rate) {
  return 1.0 - std::exp(-2.0 * std::numbers::pi * corner_hz / rate);
}

double swing(std::vector<double> x) {
  std::sort(x.begin(), x.end());
  const auto at = [&](double share) {
    return x[static_cast<std::size_t>(share * static_cast<double>(x.size() - 1))];
  };
  return at(0.9) - at(0.1);
}

}  // namespace

/// Power spectrum of the slow signal (Hann window, no scale), the triangle's droop taken out.
class MicrophoneCheck::Spectrum {
 public:
  Spectrum(const std::deque<float>& slow, std::size_t length, double rate)
      : step_hz_{rate / static_cast<double>(length)}, power_(length / 2 + 1) {
    std::vector<float> x(length);
    const std::size_t first = slow.size() - length;
    for (std::size_t i = 0; i < length; ++i) {
      const double phase = 2.0 * std::numbers::pi * static_cast<double>(i) / static_cast<double>(length);
      x[i] = static_cast<float>(static_cast<double>(slow[first + i]) * (0.5 - 0.5 * std::cos(phase)));
    }
    std::vector<std::complex<float>> bins(length / 2 + 1);
    RealFft{length}.forward(x, bins);
    for (std::size_t k = 0; k < bins.size(); ++k) {
      const double u = std::numbers::pi * static_cast<double>(k) / static_cast<double>(length);
      const double droop = k == 0 ? 1.0 : std::pow(std::sin(u) / u, 4.0);
      power_[k] = static_cast<double>(std::norm(bins[k])) / droop;
    }
  }

  [[nodiscard]] double sum(Band band) const {
    return std::accumulate(power_.begin() + index(band.low_hz), power_.begin() + index(band.high_hz) + 1, 0.0);
  }

  /// Density of what lies between the lines: the middle of all bins.
  [[nodiscard]] double floor(Band band) const {
    std::vector<double> bins(power_.begin() + index(band.low_hz), power_.begin() + index(band.high_hz) + 1);
    const auto middle = bins.begin() + static_cast<std::ptrdiff_t>(bins.size() / 2);
    std::nth_element(bins.begin(), middle, bins.end());
    return *middle;
  }

  /// How far a steady tone at `hz` stands over everything close beside it, in dB. An engine's line
  /// wanders, so it fills the neighbourhood as well.
  [[nodiscard]] double tone_db(double hz, double tolerance_hz) const {
    const double peak = largest({hz - tolerance_hz, hz + tolerance_hz});
    const double beside = std::max(largest({hz - 3.0, hz - tolerance_hz - 0.7}),
                                   largest({hz + tolerance_hz + 0.7, hz + 3.0}));
    return decibels(peak) - decibels(beside);
  }

 private:
  [[nodiscard]] double largest(Band band) const {
    return *std::max_element(power_.begin() + index(band.low_hz), power_.begin() + index(band.high_hz) + 1);
  }
  [[nodiscard]] std::ptrdiff_t index(double hz) const {
    return std::clamp<std::ptrdiff_t>(std::lround(hz / step_hz_), 0,
                                      static_cast<std::ptrdiff_t>(power_.size()) - 1);
  }

  double step_hz_;
  std::vector<double> power_;
};

MicrophoneCheck::MicrophoneCheck(Hertz sample_rate)
    : rate_{sample_rate.value()},
      block_length_{static_cast<std::size_t>(std::lround(block_s * rate_))},
      a100_{pole(100.0, rate_)},
      a1000_{pole(1000.0, rate_)},
      a1500_{pole(1500.0, rate_)},
      factor_{std::max<std::size_t>(1, static_cast<std::size_t>(rate_ / slow_rate_hz))} {}

void MicrophoneCheck::push(std::span<const float> samples) {
  const double per_slow = 1.0 / static_cast<double>(factor_);
  for (const float sample : samples) {
    const double x = std::isfinite(sample) ? static_cast<double>(sample) : 0.0;
    y100_ += a100_ * (x - y100_);
    y1000_ += a1000_ * (x - y100_ - y1000_);
    y1500_ += a1500_ * (x - y1500_);
    const double once = x - y1500_;
    z1500_ += a1500_ * (once - z1500_);
    const double high = once - z1500_;
    block_.power += x * x;
    block_.low_power += y1000_ * y1000_;
    block_.high_power += high * high;
    at_full_scale_ = std::abs(sample) >= full_scale ? std::min(at_full_scale_ + 1, clipped_run + 1) : 0;
    if (at_full_scale_ == clipped_run) block_.clipped += clipped_run;
    if (at_full_scale_ > clipped_run) ++block_.clipped;

    const double rising = (static_cast<double>(in_slow_) + 0.5) * per_slow;
    this_slow_ += x * (1.0 - rising) * per_slow;
    next_slow_ += x * rising * per_slow;
    if (++in_slow_ == factor_) {
      slow_.push_back(static_cast<float>(this_slow_));
      if (slow_.size() > slow_kept) slow_.pop_front();
      this_slow_ = std::exchange(next_slow_, 0.0);
      in_slow_ = 0;
    }
    if (++in_block_ == block_length_) {
      const auto n = static_cast<double>(block_length_);
      block_.power /= n;
      block_.low_power /= n;
      block_.high_power /= n;
      blocks_.push_back(std::exchange(block_, {}));
      if (blocks_.size() > blocks_kept) blocks_.pop_front();
      in_block_ = 0;
    }
  }
}

std::vector<MicrophoneRemark> MicrophoneCheck::remarks() const {
  std::vector<MicrophoneRemark> found;
  if (blocks_.size() < blocks_needed) return found;
  double power = 0.0;
  double clipped = 0.0;
  for (const Block& b : blocks_) {
    power += b.power;
    clipped += static_cast<double>(b.clipped);
  }
  power /= static_cast<double>(blocks_.size());
  const double share = clipped / static_cast<double>(blocks_.size() * block_length_);
  if (power == 0.0) return {{MicrophoneFault::silent}};
  if (share > clipped_share) found.push_back({MicrophoneFault::clipping, share});
  if (decibels(power) < quiet_db) found.push_back({MicrophoneFault::too_quiet, decibels(power)});
  look_at_spectrum(found);
  look_at_swing(found);
  return found;
}

void MicrophoneCheck::look_at_spectrum(std::vector<MicrophoneRemark>& found) const {
  const std::size_t length = slow_.size() >= slow_kept ? slow_kept : slow_kept / 4;
  if (slow_.size() < length) return;
  const Spectrum spectrum{slow_, length, rate_ / static_cast<double>(factor_)};
  // Below 12 Hz an engine has little to say: half orders of an idle, radiated badly. Moving air has
  // most of its pressure there, and comes in gusts.
  const double wind = decibels(spectrum.sum({2.0, 12.0})) - decibels(spectrum.sum({20.0, 300.0}));
  const bool windy = wind > wind_over_sound_db ||
                     (wind > gusts_over_sound_db && swing(levels().both) > gusts_swing_db);
  if (windy) found.push_back({MicrophoneFault::wind, wind});
  // Between an engine's lines lies noise that falls towards the highs, whatever the speed; where
  // it falls towards the lows, something cut them off.
  const double lows = decibels(spectrum.floor({20.0, 50.0})) - decibels(spectrum.floor({120.0, 300.0}));
  if (lows < lows_missing_db) found.push_back({MicrophoneFault::low_frequencies_missing, lows});
  if (length < slow_kept) return;  // too coarse to tell a steady tone from an engine's line
  for (const double base : {50.0, 60.0}) {
    int tones = 0;
    for (int harmonic = 1; harmonic <= 4; ++harmonic) {
      // Grids hold their frequency to 0.2 Hz in normal operation.
      if (spectrum.tone_db(base * harmonic, 0.15 + 0.1 * harmonic) > hum_tone_db) ++tones;
    }
    if (tones >= hum_tones) found.push_back({MicrophoneFault::mains_hum, base});
  }
}

MicrophoneCheck::Levels MicrophoneCheck::levels() const {
  constexpr std::size_t smooth = 3;
  Levels out;
  for (std::size_t i = 0; i + smooth <= blocks_.size(); ++i) {
    double low = 0.0;
    double high = 0.0;
    for (std::size_t k = i; k < i + smooth; ++k) {
      low += blocks_[k].low_power;
      high += blocks_[k].high_power;
    }
    out.both.push_back(0.5 * (decibels(low) + decibels(high)));
    out.apart.push_back(decibels(low) - decibels(high));
  }
  return out;
}

void MicrophoneCheck::look_at_swing(std::vector<MicrophoneRemark>& found) const {
  // A gain that moves takes all of the sound with it; wind, other noises and an engine that changes
  // move the bands apart. So only blocks count that sound as usual, whatever their level.
  const Levels level = levels();
  std::vector<double> sorted = level.apart;
  const auto middle = sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 2);
  std::nth_element(sorted.begin(), middle, sorted.end());
  std::vector<double> same;
  for (std::size_t i = 0; i < level.both.size(); ++i) {
    if (std::abs(level.apart[i] - *middle) < same_sound_db) same.push_back(level.both[i]);
  }
  const auto enough = same_sound_share * static_cast<double>(level.both.size());
  if (static_cast<double>(same.size()) < enough) return;
  const double shared = swing(std::move(same));
  if (shared > pumping_db) found.push_back({MicrophoneFault::gain_pumping, shared});
}

}  // namespace pipebeat::core
