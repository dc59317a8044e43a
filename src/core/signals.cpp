#include "core/signals.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include "core/fft.hpp"

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
  // A muted microphone may run for a day: once nothing moves any more, zeros cost next to nothing.
  const auto rest_after = static_cast<std::int64_t>(sample_rate_hz_);
  for (std::size_t i = 0; i < samples.size(); ++i) {
    float x = samples[i];
    if (x == 0.0F && zeros_ >= rest_after) {
      const auto most = static_cast<std::ptrdiff_t>(strip_period_ - seen_ % strip_period_);
      const auto ahead = samples.subspan(i).first(std::min(samples.size() - i, static_cast<std::size_t>(most)));
      const auto end = std::find_if(ahead.begin(), ahead.end(), [](float s) { return s != 0.0F; });
      push_zeros(end - ahead.begin(), out, strip);
      i += static_cast<std::size_t>(end - ahead.begin()) - 1;
      continue;
    }
    zeros_ = x == 0.0F ? zeros_ + 1 : 0;
    if (zeros_ == rest_after) come_to_rest();
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
    finish_strip_point(strip);
    float mid;
    if (to_mid_.push(x, mid)) push_mid(mid, out);
  }
}

void SignalBank::finish_strip_point(std::vector<LevelPoint>& strip) {
  if (seen_ % strip_period_ != 0) return;
  const double mean = strip_power_ / static_cast<double>(strip_period_);
  strip.push_back({static_cast<float>(static_cast<double>(seen_ - strip_period_ / 2) / sample_rate_hz_),
                   static_cast<float>(10.0 * std::log10(mean + 1e-12)), strip_clipped_, false});
  loudest_db_ = std::max(loudest_db_, strip.back().rms_db);
  strip_power_ = 0.0;
  strip_clipped_ = false;
}

void SignalBank::come_to_rest() {
  // After a second of zeros nothing is left but what rounding keeps alive.
  std::fill(to_mid_.history.begin(), to_mid_.history.end(), 0.0F);
  std::fill(to_low_.history.begin(), to_low_.history.end(), 0.0F);
  for (auto& band : bands_) {
    for (Biquad& section : band) section.z1 = section.z2 = 0.0F;
  }
  band_power_.fill(0.0F);
}

void SignalBank::push_zeros(std::int64_t count, Signals& out, std::vector<LevelPoint>& strip) {
  const auto step = [](Decimator& decimator, std::int64_t in) {
    const std::int64_t all = decimator.phase + in;
    if (decimator.factor == 1) return in;
    decimator.phase = static_cast<int>(all % decimator.factor);
    return all / decimator.factor;
  };
  const std::int64_t mids = step(to_mid_, count);
  const std::int64_t lows = step(to_low_, mids);
  mid_phase_ = lows > 0 ? to_low_.phase : mid_phase_ + static_cast<int>(mids);
  for (auto& value : out.value) value.insert(value.end(), static_cast<std::size_t>(lows), 0.0F);
  zeros_ += count;
  seen_ += count;
  last_ = 0.0F;
  flat_run_ = 0;
  finish_strip_point(strip);
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

double steadiest_line_share(const Signals& signals) {
  constexpr std::size_t length = 16384;
  const auto& x = signals.value[0];
  const RealFft fft{length};
  std::vector<float> block(length);
  std::vector<std::complex<float>> bins(fft.bins());
  double share = 0.0;
  double blocks = 0.0;
  for (std::size_t begin = 0; begin < x.size(); begin += length) {
    const std::size_t filled = std::min(length, x.size() - begin);
    if (begin > 0 && filled < length / 2) break;
    std::fill(block.begin(), block.end(), 0.0F);
    for (std::size_t i = 0; i < filled; ++i) {
      const double hann = 0.5 - 0.5 * std::cos(2.0 * std::numbers::pi * (static_cast<double>(i) + 0.5) / static_cast<double>(filled));
      block[i] = x[begin + i] * static_cast<float>(hann);
    }
    fft.forward(block, bins);
    std::size_t peak = 1;
    double whole = 1e-30;
    for (std::size_t b = 1; b < bins.size(); ++b) {
      whole += std::norm(bins[b]);
      if (std::norm(bins[b]) > std::norm(bins[peak])) peak = b;
    }
    // A Hann line is four bins of its own length wide; a block that is partly filled widens it.
    const std::size_t reach = 2 * length / filled;
    double line = 0.0;
    for (std::size_t b = peak > reach ? peak - reach : 1; b <= std::min(bins.size() - 1, peak + reach); ++b) line += std::norm(bins[b]);
    share += line / whole;
    blocks += 1.0;
  }
  return blocks > 0.0 ? share / blocks : 0.0;
}

int remove_mains(Signals& signals) {
  // Blocks of about 8 s resolve 0.25 Hz (Hann); half-overlapping, so that what is subtracted fades
  // in and out. Shorter recordings cannot tell hum from an engine and are left alone.
  constexpr std::size_t length = 16384;
  constexpr std::size_t hop = length / 2;
  constexpr double narrow = 12.0;  // line power over the mean of its surroundings, 0.5 to 2 Hz off
  const std::size_t n = signals.size();
  if (n < hop) return 0;
  const double rate = signals.rate_hz;
  const double bin_hz = rate / static_cast<double>(length);
  const RealFft fft{length};
  std::vector<float> window(length);
  for (std::size_t i = 0; i < length; ++i) {
    window[i] = static_cast<float>(0.5 - 0.5 * std::cos(2.0 * std::numbers::pi * (static_cast<double>(i) + 0.5) / length));
  }
  std::vector<float> block(length);
  std::vector<std::complex<float>> bins(fft.bins());
  std::array<int, 2> votes{};
  std::array<std::vector<float>, signal_count> hum;
  for (std::size_t family = 0; family < 2; ++family) {
    const double base = family == 0 ? 50.0 : 60.0;
    for (std::size_t m = 0; m < signal_count; ++m) {
      const auto& x = signals.value[m];
      std::vector<float> sum(n, 0.0F);
      for (std::ptrdiff_t begin = -static_cast<std::ptrdiff_t>(hop); begin < static_cast<std::ptrdiff_t>(n); begin += static_cast<std::ptrdiff_t>(hop)) {
        double filled = 1e-9;
        for (std::size_t i = 0; i < length; ++i) {
          const auto at = begin + static_cast<std::ptrdiff_t>(i);
          const bool inside = at >= 0 && at < static_cast<std::ptrdiff_t>(n);
          block[i] = inside ? x[static_cast<std::size_t>(at)] * window[i] : 0.0F;
          if (inside) filled += window[i];
        }
        if (filled < 0.2 * length) continue;
        fft.forward(block, bins);
        for (double f = base; f < 0.45 * rate; f += base) {
          const auto centre = static_cast<std::size_t>(std::lround(f / bin_hz));
          std::size_t peak = centre;
          for (std::size_t b = centre - 1; b <= centre + 1; ++b) {
            if (std::norm(bins[b]) > std::norm(bins[peak])) peak = b;
          }
          const auto near = static_cast<std::size_t>(0.5 / bin_hz) + 1;
          const auto far = static_cast<std::size_t>(2.0 / bin_hz) + 1;
          double around = 1e-20;
          for (std::size_t b = near; b <= far; ++b) {
            around += std::norm(bins[peak - b]) + std::norm(bins[peak + b]);
          }
          around /= 2.0 * static_cast<double>(far - near + 1);
          if (std::norm(bins[peak]) < narrow * around) continue;
          if (m == 0) ++votes[family];
          // Frequency to a tenth of a bin from the neighbours of the peak (Hann: Grandke's ratio).
          const double left = std::abs(bins[peak - 1]);
          const double right = std::abs(bins[peak + 1]);
          const double mid = std::abs(bins[peak]);
          const double side = std::max(left, right);
          const double ratio = side / std::max(mid, 1e-12);
          const double delta = (right > left ? 1.0 : -1.0) * (2.0 * ratio - 1.0) / (ratio + 1.0);
          const double w = 2.0 * std::numbers::pi * (static_cast<double>(peak) + delta) / static_cast<double>(length);
          std::complex<double> amplitude{};
          std::complex<double> turn{1.0, 0.0};
          const std::complex<double> step = std::polar(1.0, -w);
          for (std::size_t i = 0; i < length; ++i) {
            amplitude += static_cast<double>(block[i]) * turn;
            turn *= step;
          }
          amplitude *= 2.0 / filled;
          std::complex<double> back{1.0, 0.0};
          for (std::size_t i = 0; i < length; ++i) {
            const auto at = begin + static_cast<std::ptrdiff_t>(i);
            if (at >= 0 && at < static_cast<std::ptrdiff_t>(n)) {
              sum[static_cast<std::size_t>(at)] += window[i] * static_cast<float>((amplitude * back).real());
            }
            back *= std::conj(step);
          }
        }
      }
      if (family == 0 || votes[1] > votes[0]) hum[m] = std::move(sum);
    }
  }
  const int best = votes[1] > votes[0] ? 1 : 0;
  const auto blocks = static_cast<int>(n / hop) + 1;
  if (votes[static_cast<std::size_t>(best)] < std::max(2, blocks)) return 0;
  for (std::size_t m = 0; m < signal_count; ++m) {
    for (std::size_t i = 0; i < n; ++i) signals.value[m][i] -= hum[m][i];
  }
  return best == 0 ? 50 : 60;
}

}  // namespace pipebeat::core
