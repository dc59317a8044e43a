#include "core/signals.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>
#include <numeric>
#include <tuple>

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

// Zeros of two high-passes' and two low-passes' numerators that all bands share: one second difference and
// the fourth power of a sum of neighbours. (The other second difference comes after the first poles, lest
// the slow bands drown in rounding.)
constexpr std::size_t zeros_reach = 6;

struct Section {
  double gain, a1, a2;
};

// Audio EQ Cookbook (R. Bristow-Johnson), low-pass (sign 1) and high-pass (sign -1), Q of a Butterworth filter;
// numerator gain (1 + 2 sign z^-1 + z^-2).
Section section_of(double sign, double cutoff_hz, double rate_hz) {
  const double w = 2.0 * std::numbers::pi * cutoff_hz / rate_hz;
  const double alpha = std::sin(w) / std::numbers::sqrt2;
  const double a0 = 1.0 + alpha;
  return {(1.0 - sign * std::cos(w)) / 2.0 / a0, -2.0 * std::cos(w) / a0, (1.0 - alpha) / a0};
}

}  // namespace

void Decimator::design(int factor, double cutoff) {
  factor_ = static_cast<std::size_t>(factor);
  std::vector<double> taps{1.0};
  double sum = 1.0;
  if (factor > 1) {
    // Blackman-windowed sinc; about 10 taps per output sample give 60 dB beyond 1.5 x the cutoff.
    const int count = 10 * factor + 1;
    taps.clear();
    sum = 0.0;
    for (int i = 0; i < count; ++i) {
      const double t = i - (count - 1) / 2.0;
      const double sinc = t == 0.0 ? cutoff : std::sin(std::numbers::pi * cutoff * t) / (std::numbers::pi * t);
      const double x = 2.0 * std::numbers::pi * (i + 0.5) / count;
      taps.push_back(sinc * (0.42 - 0.5 * std::cos(x) + 0.08 * std::cos(2.0 * x)));
      sum += taps.back();
    }
  }
  taps_.assign((taps.size() + 7) / 8 * 8, 0.0F);
  const std::size_t padding = taps_.size() - taps.size();
  for (std::size_t i = 0; i < taps.size(); ++i) taps_[padding + i] = static_cast<float>(taps[i] / sum);
  // The first output comes with the sample that completes `factor`.
  samples_.assign(taps_.size(), 0.0F);
  waiting_ = taps_.size() - factor_;
}

float* Decimator::room(std::size_t count) {
  if (samples_.size() < waiting_ + count) samples_.resize(waiting_ + count);
  return samples_.data() + waiting_;
}

std::size_t Decimator::yields(std::size_t count) const {
  const std::size_t all = waiting_ + count;
  return all < taps_.size() ? 0 : (all - taps_.size()) / factor_ + 1;
}

PIPEBEAT_WIDE void Decimator::push(std::size_t count, float* out) {
  const std::size_t yielded = yields(count);
  const float* const x = samples_.data();
  std::size_t i = 0;
  for (; i + 4 <= yielded; i += 4) four_dots(taps_.data(), x + i * factor_, factor_, taps_.size(), out + i);
  for (; i < yielded; ++i) out[i] = dot(taps_.data(), x + i * factor_, taps_.size());
  std::copy(x + yielded * factor_, x + waiting_ + count, samples_.data());
  waiting_ = waiting_ + count - yielded * factor_;
}

bool Decimator::at_rest() const {
  return std::all_of(samples_.data(), samples_.data() + waiting_, [](float x) { return x == 0.0F; });
}

void Decimator::push_zeros(std::size_t count) {
  waiting_ = waiting_ + count - yields(count) * factor_;
  std::fill_n(samples_.begin(), waiting_, 0.0F);
}

Signals at_half_rate(const Signals& signals) {
  Signals out;
  out.rate_hz = signals.rate_hz / 2.0;
  for (std::size_t m = 0; m < signal_count; ++m) {
    const auto& in = signals.value[m];
    Decimator decimator;
    decimator.design(2, 0.8 / 2.0);
    constexpr std::size_t late = 10;  // samples: half the filter
    std::copy(in.begin(), in.end(), decimator.room(in.size() + late));
    std::fill_n(decimator.room(in.size() + late) + in.size(), late, 0.0F);
    std::vector<float> slow(decimator.yields(in.size() + late));
    decimator.push(in.size() + late, slow.data());
    slow.erase(slow.begin(), slow.begin() + late / 2);
    out.value[m] = std::move(slow);
  }
  return out;
}

SignalBank::SignalBank(double sample_rate_hz) : sample_rate_hz_{sample_rate_hz} {
  const int to_mid = factor_for(sample_rate_hz, wanted_mid_rate_hz);
  mid_rate_hz_ = sample_rate_hz / to_mid;
  to_mid_.design(to_mid, 0.9 / to_mid);
  mid_factor_ = factor_for(mid_rate_hz_, wanted_signal_rate_hz);
  signal_rate_hz_ = mid_rate_hz_ / mid_factor_;
  to_low_.design(mid_factor_, 0.8 / mid_factor_);
  for (std::size_t b = 0; b < band_edges.size(); ++b) {
    const double low = band_edges[b][0];
    const double high = std::min(band_edges[b][1], 0.45 * mid_rate_hz_);
    if (high <= 1.2 * low) continue;  // the gain stays 0, and so does the band
    const auto design = [&](std::array<Poles, 2>& sections, const Section& section) {
      for (Poles& poles : sections) {
        poles.a1[b] = static_cast<float>(section.a1);
        poles.a2[b] = static_cast<float>(section.a2);
      }
      return section.gain * section.gain;
    };
    const double gain = design(bands_.high_pass, section_of(-1.0, low, mid_rate_hz_)) *
                        design(bands_.low_pass, section_of(1.0, high, mid_rate_hz_));
    bands_.power_gain[b] = static_cast<float>(gain * gain / mid_factor_);
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
    float* const cleaned = to_mid_.room(part.size());
    clean(part, cleaned);
    if (part.size() == left) finish_strip_point(strip);
    const std::size_t mids = to_mid_.yields(part.size());
    const std::size_t lows = to_low_.yields(mids);
    const bool silent = std::all_of(cleaned, cleaned + part.size(), [](float x) { return x == 0.0F; });
    if (silent && at_rest()) {
      // A muted microphone may run for a day: where nothing moves, zeros cost next to nothing.
      to_mid_.push_zeros(part.size());
      to_low_.push_zeros(mids);
      mid_phase_ = static_cast<int>((static_cast<std::size_t>(mid_phase_) + mids) % static_cast<std::size_t>(mid_factor_));
      for (auto& value : out.value) value.insert(value.end(), lows, 0.0F);
      continue;
    }
    float* const mid = to_low_.room(mids);
    to_mid_.push(part.size(), mid);
    filter_bands(mid, mids, out);
    auto& low = out.value[0];
    low.resize(low.size() + lows);
    to_low_.push(mids, low.data() + low.size() - lows);
  }
}

bool SignalBank::at_rest() const {
  const auto still = [](const Lanes& y) { return y[0] == 0.0F && y[1] == 0.0F && y[2] == 0.0F && y[3] == 0.0F; };
  const auto all_still = [&](const std::array<Poles, 2>& sections) {
    return std::all_of(sections.begin(), sections.end(), [&](const Poles& poles) { return still(poles.y1) && still(poles.y2); });
  };
  return to_mid_.at_rest() && to_low_.at_rest() && still(band_power_) && all_still(bands_.high_pass) && all_still(bands_.low_pass);
}

void SignalBank::finish_strip_point(std::vector<LevelPoint>& strip) {
  const double mean = std::accumulate(strip_power_.begin(), strip_power_.end(), 0.0) / static_cast<double>(strip_period_);
  const std::int64_t middle = seen_ - strip_period_ / 2;
  strip.push_back({static_cast<float>(static_cast<double>(middle) / sample_rate_hz_),
                   static_cast<float>(10.0 * std::log10(mean + 1e-12)), strip_clipped_, false});
  loudest_db_ = std::max(loudest_db_, strip.back().rms_db);
  strip_power_ = {};
  strip_clipped_ = false;
}

PIPEBEAT_WIDE void SignalBank::clean(std::span<const float> samples, float* x) {
  const std::size_t n = samples.size();
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
  // Samples go into the sums by turns, counted from the recording's first, so that the sums do not depend
  // on how the samples were cut.
  constexpr std::size_t lanes = std::tuple_size_v<decltype(strip_power_)>;
  std::size_t i = 0;
  const auto add_one = [&] {
    strip_power_[static_cast<std::size_t>(seen_) % lanes] += x[i] * x[i];
    ++seen_;
    ++i;
  };
  while (i < n && static_cast<std::size_t>(seen_) % lanes != 0) add_one();
  auto power = strip_power_;  // in registers
  for (; i + lanes <= n; i += lanes, seen_ += std::int64_t{lanes}) {
    for (std::size_t l = 0; l < lanes; ++l) power[l] += x[i + l] * x[i + l];
  }
  strip_power_ = power;
  while (i < n) add_one();
}

PIPEBEAT_WIDE void SignalBank::filter_bands(const float* mid, std::size_t n, Signals& out) {
  // Second differences first: of a slow wave they are nearly exact.
  const float* const x = mid - zeros_reach;
  if (shaped_.size() < n + zeros_reach - 2) shaped_.resize(n + zeros_reach - 2);
  for (std::size_t i = 0; i < n + zeros_reach - 2; ++i) shaped_[i] = (x[i + 2] - x[i + 1]) - (x[i + 1] - x[i]);
  for (std::size_t i = 0; i < n; ++i) {
    shaped_[i] = (shaped_[i] + shaped_[i + 4]) + 4.0F * (shaped_[i + 1] + shaped_[i + 3]) + 6.0F * shaped_[i + 2];
  }

  const std::size_t begun = out.value[1].size();
  const std::size_t yielded = (static_cast<std::size_t>(mid_phase_) + n) / static_cast<std::size_t>(mid_factor_);
  std::array<float*, 4> to;
  for (std::size_t b = 0; b < 4; ++b) {
    out.value[b + 1].resize(begun + yielded);
    to[b] = out.value[b + 1].data() + begun;
  }

  Bands bands = bands_;  // in registers
  auto& [high, low, power_gain] = bands;
  std::size_t done = 0;
  Lanes power = band_power_;
  for (std::size_t i = 0; i < n;) {
    const std::size_t end = std::min(n, i + static_cast<std::size_t>(mid_factor_ - mid_phase_));
    mid_phase_ += static_cast<int>(end - i);
    for (; i < end; ++i) {
      const Lanes shaped = {shaped_[i], shaped_[i], shaped_[i], shaped_[i]};
      const Lanes before = high[0].y1 - high[0].y2;
      const Lanes passed = high[0].step(shaped);
      Lanes y = high[1].step((passed - high[0].y2) - before);
      y = low[1].step(low[0].step(y));
      power += y * y;
    }
    if (mid_phase_ < mid_factor_) break;
    mid_phase_ = 0;
    for (std::size_t b = 0; b < 4; ++b) to[b][done] = power[b];
    ++done;
    power = Lanes{};
    // Filters that ring down in silence would end in denormal numbers, which are slow.
    constexpr float silent = 1e-15F;
    for (Poles* poles : {&high[0], &high[1], &low[0], &low[1]}) {
      poles->y1 = ((poles->y1 < silent) & (poles->y1 > -silent)) ? Lanes{} : poles->y1;
      poles->y2 = ((poles->y2 < silent) & (poles->y2 > -silent)) ? Lanes{} : poles->y2;
    }
  }
  for (std::size_t b = 0; b < 4; ++b) {
    for (std::size_t i = 0; i < yielded; ++i) to[b][i] = std::sqrt(to[b][i] * power_gain[b]);
  }
  bands_ = bands;
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
/// fades in and out. `on_block`: told the spectrum of every second block, one behind the other, that is filled.
template <std::size_t n_bases, class OnBlock>
std::array<Hum, n_bases> find_hum(std::span<const float> x, double rate, const std::array<double, n_bases>& bases, const RealFft& fft,
                                  std::span<const float> window, OnBlock on_block) {
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
    const auto first = static_cast<std::size_t>(std::max<std::ptrdiff_t>(0, -begin));  // of the block that lies in the sound
    const auto last = std::min(length, static_cast<std::size_t>(static_cast<std::ptrdiff_t>(n) - begin));
    std::fill(block.begin(), block.end(), 0.0F);
    double filled = 1e-9;
    for (std::size_t i = first; i < last; ++i) {
      block[i] = x[static_cast<std::size_t>(begin + static_cast<std::ptrdiff_t>(i))] * window[i];
      filled += window[i];
    }
    if (filled < 0.2 * length) continue;
    fft.forward(block, bins);
    if (begin % static_cast<std::ptrdiff_t>(length) == 0 && first == 0 && last == length) on_block(bins);
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

namespace {

/// Share of a block's power that its strongest line holds. `filled`: samples of the block, the rest is silence.
double strongest_line_share(std::span<const std::complex<float>> bins, std::size_t filled) {
  std::size_t peak = 1;
  double whole = 1e-30;
  for (std::size_t b = 1; b < bins.size(); ++b) {
    whole += std::norm(bins[b]);
    if (std::norm(bins[b]) > std::norm(bins[peak])) peak = b;
  }
  // A Hann line is four bins of its own length wide; a block that is partly filled widens it.
  const std::size_t reach = 2 * long_block / filled;
  double line = 0.0;
  for (std::size_t b = peak > reach ? peak - reach : 1; b <= std::min(bins.size() - 1, peak + reach); ++b) line += std::norm(bins[b]);
  return line / whole;
}

}  // namespace

SteadySound remove_mains(Signals& signals) {
  SteadySound steady;
  const std::size_t n = signals.size();
  const RealFft fft{long_block};
  double blocks = 0.0;
  const auto count = [&](std::span<const std::complex<float>> bins, std::size_t filled) {
    steady.line_share += strongest_line_share(bins, filled);
    blocks += 1.0;
  };
  // Shorter recordings cannot tell hum from an engine and are left alone.
  const bool long_enough = n >= long_block / 2;
  std::array<Hum, 2> hums;  // of 50 and of 60 Hz
  std::vector<float> window;
  if (long_enough) {
    window = hann(long_block);
    // The low band tells whether there is any, and which.
    hums = find_hum<2>(signals.value[0], signals.rate_hz, {50.0, 60.0}, fft, window,
                       [&](std::span<const std::complex<float>> bins) { count(bins, long_block); });
  }
  const std::size_t begin = n - n % long_block;
  const std::size_t filled = n - begin;
  if (filled >= long_block / 2 || (begin == 0 && filled > 0)) {
    const std::vector<float> shorter = hann(filled);
    std::vector<float> block(long_block, 0.0F);
    for (std::size_t i = 0; i < filled; ++i) block[i] = signals.value[0][begin + i] * shorter[i];
    std::vector<std::complex<float>> bins(fft.bins());
    fft.forward(block, bins);
    count(bins, filled);
  }
  steady.line_share /= std::max(1.0, blocks);

  const bool is_sixty = hums[1].votes > hums[0].votes;
  const Hum& best = is_sixty ? hums[1] : hums[0];
  const auto hops = static_cast<int>(n / (long_block / 2)) + 1;
  if (!long_enough || best.votes < std::max(2, hops)) return steady;
  steady.mains_hz = is_sixty ? 60 : 50;
  const auto subtract = [&](std::size_t m, const Hum& hum) {
    for (std::size_t i = 0; i < n; ++i) signals.value[m][i] -= hum.sound[i];
  };
  subtract(0, best);
  for (std::size_t m = 1; m < signal_count; ++m) {
    subtract(m, find_hum<1>(signals.value[m], signals.rate_hz, {static_cast<double>(steady.mains_hz)}, fft, window, [](const auto&) {})[0]);
  }
  return steady;
}

}  // namespace pipebeat::core
