#include "core/signals.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>

#include "core/fft.hpp"
#include "core/sums.hpp"

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
constexpr std::size_t flat_run = 3;  // repeats of one value that are a limiter's

int factor_for(double rate, double wanted) {
  return std::max(1, static_cast<int>(std::lround(rate / wanted)));
}

struct Section {
  double b0, b1, b2, a1, a2;
};

// Audio EQ Cookbook (R. Bristow-Johnson), low-pass and high-pass sections, Q of a Butterworth filter.
Section section_of(double sign, double cutoff_hz, double rate_hz) {
  const double w = 2.0 * std::numbers::pi * cutoff_hz / rate_hz;
  const double alpha = std::sin(w) / std::numbers::sqrt2;
  const double a0 = 1.0 + alpha;
  const double b = (1.0 - sign * std::cos(w)) / 2.0 / a0;
  return {b, 2.0 * sign * b, b, -2.0 * std::cos(w) / a0, (1.0 - alpha) / a0};
}
Section low_pass(double cutoff_hz, double rate_hz) { return section_of(1.0, cutoff_hz, rate_hz); }
Section high_pass(double cutoff_hz, double rate_hz) { return section_of(-1.0, cutoff_hz, rate_hz); }

}  // namespace

void SignalBank::Decimator::design(int factor, double cutoff) {
  factor_ = static_cast<std::size_t>(factor);
  if (factor == 1) return;
  // Blackman-windowed sinc; about 10 taps per output sample give 60 dB beyond 1.5 x the cutoff.
  const int count = 10 * factor + 1;
  std::vector<double> taps;
  double sum = 0.0;
  for (int i = 0; i < count; ++i) {
    const double t = i - (count - 1) / 2.0;
    const double sinc = t == 0.0 ? cutoff : std::sin(std::numbers::pi * cutoff * t) / (std::numbers::pi * t);
    const double x = 2.0 * std::numbers::pi * (i + 0.5) / count;
    taps.push_back(sinc * (0.42 - 0.5 * std::cos(x) + 0.08 * std::cos(2.0 * x)));
    sum += taps.back();
  }
  taps_.assign((taps.size() + 7) / 8 * 8, 0.0F);
  const std::size_t padding = taps_.size() - taps.size();
  for (std::size_t i = 0; i < taps.size(); ++i) taps_[padding + i] = static_cast<float>(taps[i] / sum);
  // The first output comes with the sample that completes `factor`.
  waiting_.assign(taps_.size() - factor_, 0.0F);
}

PIPEBEAT_WIDE void SignalBank::Decimator::push(std::span<const float> in, std::vector<float>& out) {
  if (factor_ == 1) {
    out.insert(out.end(), in.begin(), in.end());
    return;
  }
  waiting_.insert(waiting_.end(), in.begin(), in.end());
  const std::size_t yielded = waiting_.size() < taps_.size() ? 0 : (waiting_.size() - taps_.size()) / factor_ + 1;
  const std::size_t before = out.size();
  out.resize(before + yielded);
  std::size_t i = 0;
  for (; i + 4 <= yielded; i += 4) four_dots(taps_.data(), waiting_.data() + i * factor_, factor_, taps_.size(), out.data() + before + i);
  for (; i < yielded; ++i) out[before + i] = dot(taps_.data(), waiting_.data() + i * factor_, taps_.size());
  waiting_.erase(waiting_.begin(), waiting_.begin() + static_cast<std::ptrdiff_t>(yielded * factor_));
}

bool SignalBank::Decimator::at_rest() const {
  return std::all_of(waiting_.begin(), waiting_.end(), [](float x) { return x == 0.0F; });
}

std::size_t SignalBank::Decimator::push_zeros(std::size_t count) {
  if (factor_ == 1) return count;
  const std::size_t all = waiting_.size() + count;
  const std::size_t yielded = all < taps_.size() ? 0 : (all - taps_.size()) / factor_ + 1;
  waiting_.resize(all - yielded * factor_);
  return yielded;
}

SignalBank::SignalBank(double sample_rate_hz) : sample_rate_hz_{sample_rate_hz}, cleaned_(flat_run, 0.0F) {
  const int to_mid = factor_for(sample_rate_hz, wanted_mid_rate_hz);
  mid_rate_hz_ = sample_rate_hz / to_mid;
  to_mid_.design(to_mid, 0.9 / to_mid);
  mid_factor_ = factor_for(mid_rate_hz_, wanted_signal_rate_hz);
  signal_rate_hz_ = mid_rate_hz_ / mid_factor_;
  to_low_.design(mid_factor_, 0.8 / mid_factor_);
  for (std::size_t b = 0; b < band_edges.size(); ++b) {
    const double low = band_edges[b][0];
    const double high = std::min(band_edges[b][1], 0.45 * mid_rate_hz_);
    if (high <= 1.2 * low) continue;  // the coefficients stay 0, and so does the band
    for (std::size_t s = 0; s < sections_.size(); ++s) {
      const Section section = s < 2 ? high_pass(low, mid_rate_hz_) : low_pass(high, mid_rate_hz_);
      sections_[s].b0[b] = static_cast<float>(section.b0);
      sections_[s].b1[b] = static_cast<float>(section.b1);
      sections_[s].b2[b] = static_cast<float>(section.b2);
      sections_[s].a1[b] = static_cast<float>(section.a1);
      sections_[s].a2[b] = static_cast<float>(section.a2);
    }
  }
  strip_period_ = std::max<std::int64_t>(1, std::llround(sample_rate_hz / 10.0));
}

void SignalBank::push(std::span<const float> samples, Signals& out, std::vector<LevelPoint>& strip) {
  constexpr std::size_t block = 4096;
  out.rate_hz = signal_rate_hz_;
  while (!samples.empty()) {
    const auto left = static_cast<std::size_t>(strip_period_ - seen_ % strip_period_);
    const auto part = samples.first(std::min({block, left, samples.size()}));
    samples = samples.subspan(part.size());
    clean(part);
    if (part.size() == left) finish_strip_point(strip);
    const bool silent = std::all_of(cleaned_.begin(), cleaned_.end(), [](float x) { return x == 0.0F; });
    if (silent && at_rest()) {
      // A muted microphone may run for a day: where nothing moves, zeros cost next to nothing.
      const std::size_t mids = to_mid_.push_zeros(part.size());
      const std::size_t lows = to_low_.push_zeros(mids);
      mid_phase_ = static_cast<int>((static_cast<std::size_t>(mid_phase_) + mids) % static_cast<std::size_t>(mid_factor_));
      for (auto& value : out.value) value.insert(value.end(), lows, 0.0F);
      continue;
    }
    mid_.clear();
    to_mid_.push(std::span{cleaned_}.subspan(flat_run), mid_);
    to_low_.push(mid_, out.value[0]);
    filter_bands(out);
  }
}

bool SignalBank::at_rest() const {
  const auto still = [](const Lanes& z) { return z[0] == 0.0F && z[1] == 0.0F && z[2] == 0.0F && z[3] == 0.0F; };
  return to_mid_.at_rest() && to_low_.at_rest() && still(band_power_) &&
         std::all_of(sections_.begin(), sections_.end(), [&](const Biquads& s) { return still(s.z1) && still(s.z2); });
}

void SignalBank::finish_strip_point(std::vector<LevelPoint>& strip) {
  const double mean = (strip_power_[0] + strip_power_[1] + strip_power_[2] + strip_power_[3]) / static_cast<double>(strip_period_);
  const std::int64_t middle = seen_ - strip_period_ / 2;
  strip.push_back({static_cast<float>(static_cast<double>(middle) / sample_rate_hz_),
                   static_cast<float>(10.0 * std::log10(mean + 1e-12)), strip_clipped_, false});
  loudest_db_ = std::max(loudest_db_, strip.back().rms_db);
  strip_power_ = {};
  strip_clipped_ = false;
}

PIPEBEAT_WIDE void SignalBank::clean(std::span<const float> samples) {
  const std::size_t n = samples.size();
  std::copy(cleaned_.end() - flat_run, cleaned_.end(), cleaned_.begin());
  cleaned_.resize(flat_run + n);
  float* const x = cleaned_.data() + flat_run;
  int clipped = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const bool finite = std::abs(samples[i]) <= std::numeric_limits<float>::max();
    clipped += finite ? 0 : 1;
    x[i] = finite ? std::clamp(samples[i], -4.0F, 4.0F) : 0.0F;
  }
  // Clipping: at full scale, or stuck at one high value (a limiter below full scale).
  for (std::size_t i = 0; i < n; ++i) {
    const float size = std::abs(x[i]);
    const float* const before = x + i - flat_run;
    const bool flat = (before[0] == before[1]) & (before[1] == before[2]) & (before[2] == x[i]) & (size > 0.25F);
    clipped += static_cast<int>((size >= clip_level) | flat);
  }
  clipped_ += clipped;
  strip_clipped_ = strip_clipped_ || clipped > 0;
  // Every fourth sample into the same sum, counted from the recording's first, so that the sums do
  // not depend on how the samples were cut.
  std::size_t i = 0;
  const auto add_one = [&] {
    strip_power_[static_cast<std::size_t>(seen_ % 4)] += static_cast<double>(x[i]) * x[i];
    ++seen_;
    ++i;
  };
  while (i < n && seen_ % 4 != 0) add_one();
  for (; i + 4 <= n; i += 4, seen_ += 4) {
    for (std::size_t l = 0; l < 4; ++l) strip_power_[l] += static_cast<double>(x[i + l]) * x[i + l];
  }
  while (i < n) add_one();
}

PIPEBEAT_WIDE void SignalBank::filter_bands(Signals& out) {
  auto sections = sections_;  // in registers
  Lanes power = band_power_;
  for (std::size_t i = 0; i < mid_.size();) {
    const std::size_t end = std::min(mid_.size(), i + static_cast<std::size_t>(mid_factor_ - mid_phase_));
    mid_phase_ += static_cast<int>(end - i);
    for (; i < end; ++i) {
      Lanes y = {mid_[i], mid_[i], mid_[i], mid_[i]};
      for (Biquads& section : sections) y = section.step(y);
      power += y * y;
    }
    if (mid_phase_ < mid_factor_) break;
    mid_phase_ = 0;
    for (std::size_t b = 0; b < 4; ++b) {
      out.value[b + 1].push_back(std::sqrt(power[b] / static_cast<float>(mid_factor_)));
    }
    power = Lanes{};
    // Filters that ring down in silence would end in denormal numbers, which are slow.
    constexpr float silent = 1e-15F;
    for (Biquads& section : sections) {
      section.z1 = ((section.z1 < silent) & (section.z1 > -silent)) ? Lanes{} : section.z1;
      section.z2 = ((section.z2 < silent) & (section.z2 > -silent)) ? Lanes{} : section.z2;
    }
  }
  sections_ = sections;
  band_power_ = power;
}

namespace {

// Blocks of about 8 s resolve 0.25 Hz (Hann).
constexpr std::size_t long_block = 16384;

/// Lines at multiples of one frequency in one signal: how often they were found, and the sound of
/// them all.
struct Hum {
  int votes = 0;
  std::vector<float> sound;
};

/// Looks for lines at multiples of each of the base frequencies. Blocks overlap by half, so that the sound
/// fades in and out.
template <std::size_t n_bases>
std::array<Hum, n_bases> find_hum(std::span<const float> x, double rate, const std::array<double, n_bases>& bases, const RealFft& fft,
                                  std::span<const float> window) {
  constexpr std::size_t length = long_block;
  constexpr std::size_t hop = length / 2;
  constexpr double narrow = 12.0;  // line power over the mean of its surroundings, 0.5 to 2 Hz off
  const std::size_t n = x.size();
  const double bin_hz = rate / static_cast<double>(length);
  std::vector<float> block(length);
  std::vector<std::complex<float>> bins(fft.bins());
  std::array<Hum, n_bases> found;
  for (Hum& hum : found) hum.sound.assign(n, 0.0F);
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
    for (std::size_t which = 0; which < n_bases; ++which) {
      const double base = bases[which];
      Hum& hum = found[which];
      for (int multiple = 1; multiple * base < 0.45 * rate; ++multiple) {
        const double f = multiple * base;
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
        ++hum.votes;
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
            hum.sound[static_cast<std::size_t>(at)] += window[i] * static_cast<float>((amplitude * back).real());
          }
          back *= std::conj(step);
        }
      }
    }
  }
  return found;
}

}  // namespace

double steadiest_line_share(const Signals& signals) {
  constexpr std::size_t length = long_block;
  const auto& x = signals.value[0];
  const RealFft fft{length};
  std::vector<float> block(length);
  std::vector<std::complex<float>> bins(fft.bins());
  std::vector<float> window;
  double share = 0.0;
  double blocks = 0.0;
  for (std::size_t begin = 0; begin < x.size(); begin += length) {
    const std::size_t filled = std::min(length, x.size() - begin);
    if (begin > 0 && filled < length / 2) break;
    std::fill(block.begin(), block.end(), 0.0F);
    if (window.size() != filled) window = hann(filled);
    for (std::size_t i = 0; i < filled; ++i) block[i] = x[begin + i] * window[i];
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
  // Shorter recordings cannot tell hum from an engine and are left alone.
  const std::size_t n = signals.size();
  if (n < long_block / 2) return 0;
  const RealFft fft{long_block};
  const std::vector<float> window = hann(long_block);
  const auto subtract = [&](std::size_t m, const Hum& hum) {
    for (std::size_t i = 0; i < n; ++i) signals.value[m][i] -= hum.sound[i];
  };
  // The low band tells whether there is any, and which.
  const auto [fifty, sixty] = find_hum<2>(signals.value[0], signals.rate_hz, {50.0, 60.0}, fft, window);
  const Hum& best = sixty.votes > fifty.votes ? sixty : fifty;
  const int mains_hz = sixty.votes > fifty.votes ? 60 : 50;
  const auto blocks = static_cast<int>(n / (long_block / 2)) + 1;
  if (best.votes < std::max(2, blocks)) return 0;
  subtract(0, best);
  for (std::size_t m = 1; m < signal_count; ++m) subtract(m, find_hum<1>(signals.value[m], signals.rate_hz, {static_cast<double>(mains_hz)}, fft, window)[0]);
  return mains_hz;
}

}  // namespace pipebeat::core
