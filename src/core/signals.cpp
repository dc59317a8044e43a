#include "core/signals.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace pipebeat::core {

namespace {

// Rates: enough for the third harmonic of a V12's firing frequency at 3000 rpm (300 Hz), and for
// the hiss up to 7 kHz at the intermediate rate.
constexpr double wanted_mid_rate_hz = 16'000.0;
constexpr double wanted_signal_rate_hz = 2'000.0;

// Envelope bands in Hz. The blowdown pulse has its body below 400 Hz; flow noise fills 0.5 to 8 kHz.
constexpr std::array<std::array<double, 2>, signal_count - 1> band_edges{{
    {120.0, 400.0},
    {400.0, 1000.0},
    {1000.0, 2500.0},
    {2500.0, 7000.0},
}};

constexpr float clip_level = 0.985F;
constexpr double butterworth_q = std::numbers::sqrt2 / 2.0;

int factor_for(double rate, double wanted) {
  return std::max(1, static_cast<int>(std::lround(rate / wanted)));
}

}  // namespace

void SignalBank::Decimator::design(int factor_, double cutoff) {
  factor = factor_;
  if (factor == 1) return;
  // Blackman-windowed sinc; about 10 taps per output sample give 60 dB beyond 1.5 x the cutoff.
  const int count = 10 * factor + 1;
  taps.resize(static_cast<std::size_t>(count));
  double sum = 0.0;
  for (int i = 0; i < count; ++i) {
    const double t = i - (count - 1) / 2.0;
    const double sinc = t == 0.0 ? cutoff : std::sin(std::numbers::pi * cutoff * t) / (std::numbers::pi * t);
    const double x = 2.0 * std::numbers::pi * (i + 0.5) / count;
    const double window = 0.42 - 0.5 * std::cos(x) + 0.08 * std::cos(2.0 * x);
    taps[static_cast<std::size_t>(i)] = static_cast<float>(sinc * window);
    sum += sinc * window;
  }
  for (float& tap : taps) tap = static_cast<float>(tap / sum);
  history.assign(2 * taps.size(), 0.0F);
}

bool SignalBank::Decimator::push(float x, float& y) {
  if (factor == 1) {
    y = x;
    return true;
  }
  history[at] = x;
  history[at + taps.size()] = x;
  at = at + 1 == taps.size() ? 0 : at + 1;
  if (++phase < factor) return false;
  phase = 0;
  const float* window = history.data() + at;
  float sum = 0.0F;
  for (std::size_t i = 0; i < taps.size(); ++i) sum += taps[i] * window[i];
  y = sum;
  return true;
}

// Audio EQ Cookbook (R. Bristow-Johnson), low-pass and high-pass sections.
SignalBank::Biquad SignalBank::low_pass(double cutoff_hz, double rate_hz, double q) {
  const double w = 2.0 * std::numbers::pi * cutoff_hz / rate_hz;
  const double alpha = std::sin(w) / (2.0 * q);
  const double a0 = 1.0 + alpha;
  const double b = (1.0 - std::cos(w)) / 2.0 / a0;
  return {static_cast<float>(b), static_cast<float>(2.0 * b), static_cast<float>(b),
          static_cast<float>(-2.0 * std::cos(w) / a0), static_cast<float>((1.0 - alpha) / a0)};
}

SignalBank::Biquad SignalBank::high_pass(double cutoff_hz, double rate_hz, double q) {
  const double w = 2.0 * std::numbers::pi * cutoff_hz / rate_hz;
  const double alpha = std::sin(w) / (2.0 * q);
  const double a0 = 1.0 + alpha;
  const double b = (1.0 + std::cos(w)) / 2.0 / a0;
  return {static_cast<float>(b), static_cast<float>(-2.0 * b), static_cast<float>(b),
          static_cast<float>(-2.0 * std::cos(w) / a0), static_cast<float>((1.0 - alpha) / a0)};
}

SignalBank::SignalBank(double sample_rate_hz) : sample_rate_hz_{sample_rate_hz} {
  const int to_mid = factor_for(sample_rate_hz, wanted_mid_rate_hz);
  mid_rate_hz_ = sample_rate_hz / to_mid;
  to_mid_.design(to_mid, 0.9 / to_mid);
  mid_factor_ = factor_for(mid_rate_hz_, wanted_signal_rate_hz);
  signal_rate_hz_ = mid_rate_hz_ / mid_factor_;
  to_low_.design(mid_factor_, 0.8 / mid_factor_);
  for (std::size_t b = 0; b < bands_.size(); ++b) {
    const double low = band_edges[b][0];
    const double high = std::min(band_edges[b][1], 0.45 * mid_rate_hz_);
    band_exists_[b] = high > 1.2 * low;
    if (!band_exists_[b]) continue;
    bands_[b] = {high_pass(low, mid_rate_hz_, butterworth_q), high_pass(low, mid_rate_hz_, butterworth_q),
                 low_pass(high, mid_rate_hz_, butterworth_q), low_pass(high, mid_rate_hz_, butterworth_q)};
  }
  strip_period_ = std::max<std::int64_t>(1, std::llround(sample_rate_hz / 10.0));
}

void SignalBank::push(std::span<const float> samples, Signals& out, std::vector<LevelPoint>& strip) {
  out.rate_hz = signal_rate_hz_;
  for (float x : samples) {
    bool clipped = false;
    if (!std::isfinite(x)) {
      x = 0.0F;
      clipped = true;
    }
    x = std::clamp(x, -4.0F, 4.0F);
    // Clipping: at full scale, or stuck at one high value (a limiter below full scale).
    flat_run_ = (x == last_ && std::abs(x) > 0.25F) ? flat_run_ + 1 : 0;
    last_ = x;
    clipped = clipped || std::abs(x) >= clip_level || flat_run_ >= 3;
    clipped_ += clipped ? 1 : 0;
    strip_power_ += static_cast<double>(x) * x;
    strip_clipped_ = strip_clipped_ || clipped;
    ++seen_;
    if (seen_ % strip_period_ == 0) {
      const double mean = strip_power_ / static_cast<double>(strip_period_);
      strip.push_back({static_cast<float>(static_cast<double>(seen_ - strip_period_ / 2) / sample_rate_hz_),
                       static_cast<float>(10.0 * std::log10(mean + 1e-12)), strip_clipped_, false});
      strip_power_ = 0.0;
      strip_clipped_ = false;
    }
    float mid;
    if (to_mid_.push(x, mid)) push_mid(mid, out);
  }
}

void SignalBank::push_mid(float x, Signals& out) {
  for (std::size_t b = 0; b < bands_.size(); ++b) {
    if (!band_exists_[b]) continue;
    float y = x;
    for (Biquad& section : bands_[b]) y = section.step(y);
    band_power_[b] += y * y;
  }
  ++mid_phase_;
  float low;
  const bool complete = to_low_.push(x, low);
  if (!complete) return;
  out.value[0].push_back(low);
  for (std::size_t b = 0; b < bands_.size(); ++b) {
    out.value[b + 1].push_back(std::sqrt(band_power_[b] / static_cast<float>(mid_phase_)));
    band_power_[b] = 0.0F;
  }
  mid_phase_ = 0;
}

}  // namespace pipebeat::core
