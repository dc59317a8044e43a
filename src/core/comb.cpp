#include "core/comb.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>

#include "core/fft.hpp"
#include "core/sums.hpp"

namespace pipebeat::core {

namespace {

constexpr double comb_limit_hz = 600.0;  // lines above carry more hiss than beat
constexpr float alone = 2.0F;            // times that a window counts where another would count beside it
constexpr float moving_cost = 0.004F;    // of one column of the map from one row to the next, squared

std::vector<double> frequency_grid(double low_hz, double high_hz) {
  std::vector<double> grid;
  double f = low_hz;
  while (f <= high_hz) {
    grid.push_back(f);
    f *= 1.0 + comb_step;
  }
  return grid;
}

/// Natural logarithm of positive normal floats to 1e-4, in a form that compilers vectorise: exponent
/// bits, and a polynomial in the mantissa (least squares at Chebyshev points).
inline float quick_log(float x) {
  // The builtin behind std::bit_cast, which the page's C++ library does not have yet.
  const auto bits = __builtin_bit_cast(std::uint32_t, x);
  const auto exponent = static_cast<float>(static_cast<std::int32_t>(bits >> 23) - 127);
  const float m = __builtin_bit_cast(float, (bits & 0x007FFFFFU) | 0x3F800000U);
  const float log2_m = (m - 1.0F) * (((-0.08286070F * m + 0.5704618F) * m - 1.5700848F) * m + 2.5211217F);
  return 0.69314718F * (exponent + log2_m);
}

/// Log power spectrum less its local mean.
class Whitener {
 public:
  /// Of the first `wanted` of `bins` bins, `bin_hz` apart.
  Whitener(std::size_t wanted, std::size_t bins, double bin_hz) {
    for (std::size_t i = 0; i < wanted; ++i) around_.push_back(around(i, bins, bin_hz));
    log_power_.resize(wanted > 0 ? around_.back().high : 1);
    cumulative_.resize(log_power_.size() + 1);
  }

  /// How many of the bins are read to whiten the first `wanted`, at least one.
  static std::size_t reach(std::size_t wanted, std::size_t bins, double bin_hz) { return around(wanted - 1, bins, bin_hz).high; }

  /// How many bins `add` reads, and how many it whitens.
  [[nodiscard]] std::size_t needed() const { return log_power_.size(); }
  [[nodiscard]] std::size_t wanted() const { return around_.size(); }

  /// Adds weight * whitened level to `out`, bin by bin.
  PIPEBEAT_WIDE void add(std::span<const std::complex<float>> spectrum, float weight, std::span<float> out) {
    const std::size_t n = log_power_.size();
    for (std::size_t i = 0; i < n; ++i) log_power_[i] = quick_log(std::norm(spectrum[i]) + 1e-20F);
    double sum = 0.0;
    for (std::size_t i = 0; i < n; ++i) {
      sum += log_power_[i];
      cumulative_[i + 1] = sum;
    }
    for (std::size_t i = 0; i < around_.size(); ++i) {
      const Around& a = around_[i];
      const float mean = static_cast<float>(cumulative_[a.high] - cumulative_[a.low]) * a.share;
      out[i] += weight * std::clamp(log_power_[i] - mean, -3.0F, 5.0F);
    }
  }

 private:
  /// The bins that a bin's level is measured against.
  struct Around {
    std::uint32_t low, high;
    float share;
  };
  static Around around(std::size_t bin, std::size_t bins, double bin_hz) {
    const double f = static_cast<double>(bin) * bin_hz;
    const double half = std::max(30.0, 0.4 * f);
    const auto low = static_cast<std::uint32_t>(std::max(1.0, (f - half) / bin_hz));
    const auto high = std::min(static_cast<std::uint32_t>(bins), static_cast<std::uint32_t>((f + half) / bin_hz) + 1);
    return {low, high, 1.0F / static_cast<float>(high - low)};
  }

  std::vector<Around> around_;
  std::vector<float> log_power_;
  std::vector<double> cumulative_;
};

/// Weights of cycle lines 1..K in the comb: what a healthy engine of this layout shows, plus a
/// little for every line, since a dead cylinder fills the others.
std::vector<double> line_weights(const Engine& engine, std::size_t lines) {
  const auto P = static_cast<double>(engine.positions().size());
  std::vector<double> w(lines);
  for (std::size_t k = 1; k <= lines; ++k) {
    w[k - 1] = (std::norm(engine.line(static_cast<int>(k))) + 0.12) / (1.0 + 0.5 * static_cast<double>(k) / P);
  }
  return w;
}

/// Scores every candidate frequency against one whitened spectrum.
///
/// The spectrum is first laid on a logarithmic frequency axis, where line k of every candidate lies
/// the same distance above the candidate itself, so that the comb is a few shifted sums.
class Comb {
 public:
  Comb(const Engine& engine, std::span<const double> cycle_hz, double bin_hz) : columns_{cycle_hz.size()} {
    const auto P = static_cast<double>(engine.positions().size());
    const std::size_t K = std::max<std::size_t>(6, 4 * engine.positions().size());
    const std::vector<double> on = line_weights(engine, K);
    double on_sum = 0.0;
    double off_sum = 0.0;
    const auto off = [&](std::size_t k) { return 1.0 / (1.0 + 0.5 * static_cast<double>(k) / P); };
    for (std::size_t k = 0; k < K; ++k) {
      on_sum += on[k];
      off_sum += off(k);
    }
    std::size_t reach = 0;
    const double step = std::log1p(comb_step) / phases;
    const auto add = [&](double order, double weight) {
      const auto shift = static_cast<std::size_t>(std::lround(std::log(order / lowest_order) / step));
      teeth_.push_back({shift % phases, shift / phases, static_cast<float>(weight)});
      reach = std::max(reach, shift / phases + 1);
    };
    for (std::size_t k = 0; k < K; ++k) {
      add(static_cast<double>(k + 1), on[k] / on_sum);
      // Lines halfway between orders speak against.
      add(static_cast<double>(k) + 0.5, -0.3 * off(k) / off_sum);
    }
    for (auto& part : level_) part.assign(columns_ + reach, 0.0F);
    for (std::size_t i = 0; i < (columns_ + reach) * phases; ++i) {
      bin_of_.push_back(cycle_hz[0] * lowest_order * std::exp(static_cast<double>(i) * step) / bin_hz);
    }
  }

  /// How many bins of a spectrum `row` reads.
  [[nodiscard]] std::size_t bins() const { return static_cast<std::size_t>(bin_of_.back()) + 2; }

  /// `level`: whitened spectrum; what lies beyond its end counts as 0.
  [[nodiscard]] PIPEBEAT_WIDE std::vector<float> row(std::span<const float> level) {
    for (std::size_t i = 0; i < bin_of_.size(); ++i) {
      const auto bin = static_cast<std::size_t>(bin_of_[i]);
      if (bin + 1 >= level.size()) break;
      const float t = static_cast<float>(bin_of_[i]) - static_cast<float>(bin);
      level_[i % phases][i / phases] = level[bin] * (1.0F - t) + level[bin + 1] * t;
    }
    std::vector<float> out(columns_, 0.0F);
    for (const Tooth& tooth : teeth_) {
      const float* const at = level_[tooth.phase].data() + tooth.shift;
      for (std::size_t c = 0; c < columns_; ++c) out[c] += tooth.weight * at[c];
    }
    return out;
  }

 private:
  // The axis is three times as fine as the candidates, split in three so that each tooth reads
  // neighbouring values.
  static constexpr std::size_t phases = 3;
  static constexpr double lowest_order = 0.5;
  struct Tooth {
    std::size_t phase, shift;
    float weight;
  };
  std::size_t columns_;
  std::vector<Tooth> teeth_;
  std::vector<double> bin_of_;
  std::array<std::vector<float>, phases> level_;
};

/// Analysis frames: whitened spectra of all signals, summed.
class FrameSpectrum {
 public:
  FrameSpectrum(double rate_hz, std::size_t length)
      : fft_{length},
        rate_hz_{rate_hz},
        bin_hz_{rate_hz / static_cast<double>(length)},
        whitener_{whole(), whole(), bin_hz_},
        buffer_(fft_.length()),
        bins_(whitener_.needed()),
        level_(whitener_.wanted()) {}

  /// Only so many bins are read from now on.
  void limit_to(std::size_t bins) {
    whitener_ = Whitener{std::min(bins, whole()), whole(), bin_hz_};
    bins_.resize(whitener_.needed());
    level_.resize(whitener_.wanted());
  }

  void clear() { std::fill(level_.begin(), level_.end(), 0.0F); }
  [[nodiscard]] std::span<const float> level() const { return level_; }

  /// Adds the spectra around a moment, so many `times`. `warp` is the relative speed change per second inside the
  /// window: time is bent so that a sound of that chirp becomes steady (fan-chirp transform;
  /// Weruaga & Kepesi, Signal Processing 87, 2007).
  void add(const Signals& signals, double centre_s, std::span<const float> window, float times, double warp) {
    const std::size_t length = window.size();
    for (std::size_t m = 0; m < signal_count; ++m) {
      if (warp == 0.0) {
        cut(signals.value[m], centre_s, length);
      } else {
        cut_bent(signals.value[m], centre_s, length, warp);
      }
      const float mean = sum_of(length, [this](std::size_t i) { return buffer_[i]; }) / static_cast<float>(length);
      for (std::size_t i = 0; i < length; ++i) buffer_[i] = (buffer_[i] - mean) * window[i];
      std::fill(buffer_.begin() + static_cast<std::ptrdiff_t>(length), buffer_.end(), 0.0F);
      fft_.forward(buffer_, bins_);
      whitener_.add(bins_, times * (m == 0 ? 0.3F : 0.175F), level_);
    }
  }

 private:
  [[nodiscard]] std::size_t whole() const { return static_cast<std::size_t>(comb_limit_hz / bin_hz_); }

  void cut(std::span<const float> s, double centre_s, std::size_t length) {
    const auto n = static_cast<std::ptrdiff_t>(s.size());
    const std::ptrdiff_t begin = std::lround(centre_s * rate_hz_) - static_cast<std::ptrdiff_t>(length / 2);
    const std::ptrdiff_t first = std::clamp<std::ptrdiff_t>(begin, 0, n);
    const std::ptrdiff_t last = std::clamp<std::ptrdiff_t>(begin + static_cast<std::ptrdiff_t>(length), 0, n);
    std::fill(buffer_.begin(), buffer_.begin() + (first - begin), 0.0F);
    const auto end = std::copy(s.begin() + first, s.begin() + last, buffer_.begin() + (first - begin));
    std::fill(end, buffer_.begin() + static_cast<std::ptrdiff_t>(length), 0.0F);
  }

  void cut_bent(std::span<const float> s, double centre_s, std::size_t length, double warp) {
    const auto n = static_cast<std::ptrdiff_t>(s.size());
    const double centre = centre_s * rate_hz_;
    for (std::size_t i = 0; i < length; ++i) {
      // Bent time u(t) = t + warp t^2 / 2, inverted to first order.
      const double u = (static_cast<double>(i) - 0.5 * static_cast<double>(length)) / rate_hz_;
      const double t = u - 0.5 * warp * u * u / (1.0 + warp * u);
      const double x = centre + t * rate_hz_;
      const auto at = static_cast<std::ptrdiff_t>(std::floor(x));
      buffer_[i] = 0.0F;
      if (at < 0 || at + 1 >= n) continue;
      const auto fraction = static_cast<float>(x - static_cast<double>(at));
      const auto k = static_cast<std::size_t>(at);
      buffer_[i] = s[k] * (1.0F - fraction) + s[k + 1] * fraction;
    }
  }

  RealFft fft_;
  double rate_hz_;
  double bin_hz_;
  Whitener whitener_;
  std::vector<float> buffer_;
  std::vector<std::complex<float>> bins_;
  std::vector<float> level_;
};

/// out[c] = max over d of in[d] - cost (c - d)^2, and the d that gives it, in one pass over the
/// parabolas' upper envelope (Felzenszwalb & Huttenlocher, Distance Transforms of Sampled
/// Functions, Theory of Computing 8, 2012).
class BestMove {
 public:
  explicit BestMove(std::size_t columns) : apex_(columns), ends_(columns + 1) {}

  void find(std::span<const float> in, float cost, std::span<float> out, std::span<std::uint16_t> from) {
    const std::size_t n = in.size();
    const float scale = 0.5F / cost;
    std::size_t top = 0;
    apex_[0] = 0;
    ends_[0] = -1e9F;
    for (std::size_t c = 1; c < n; ++c) {
      float meet = 0.0F;
      for (;;) {
        const std::size_t v = apex_[top];
        // Where the parabola of c rises above that of v.
        meet = 0.5F * static_cast<float>(c + v) + scale * (in[v] - in[c]) / static_cast<float>(c - v);
        if (meet > ends_[top] || top == 0) break;
        --top;
      }
      if (meet > ends_[top]) ++top;
      apex_[top] = static_cast<std::uint16_t>(c);
      ends_[top] = top > 0 ? meet : -1e9F;
    }
    ends_[top + 1] = 1e9F;
    std::size_t k = 0;
    for (std::size_t c = 0; c < n; ++c) {
      const auto x = static_cast<float>(c);
      while (ends_[k + 1] < x) ++k;
      const auto d = x - static_cast<float>(apex_[k]);
      out[c] = in[apex_[k]] - cost * d * d;
      from[c] = apex_[k];
    }
  }

 private:
  std::vector<std::uint16_t> apex_;
  std::vector<float> ends_;
};

}  // namespace

std::span<const float> SpectrumMemory::around(std::int64_t sample) const {
  const auto found = level_.find(sample);
  return found == level_.end() ? std::span<const float>{} : std::span<const float>{found->second};
}

void SpectrumMemory::keep(std::int64_t sample, std::span<const float> level) {
  level_[sample].assign(level.begin(), level.end());
}

void SpectrumMemory::forget_before(std::int64_t sample) { level_.erase(level_.begin(), level_.lower_bound(sample)); }

struct CombSearch::State {
  static constexpr std::size_t length = 2048;  // of a window, in samples of the signals as they come

  const Signals& signals;
  std::optional<Remembered> remembered;
  std::vector<double> cycle_hz;
  double bin_hz;
  Comb comb;
  std::size_t factor;
  Windows windows;
  Signals slower;  // where no candidate has lines above what half the rate carries
  FrameSpectrum spectrum;
  std::vector<float> moving, brief, wide;

  State(const Signals& sound, const Engine& engine, std::vector<double> candidates, const std::optional<Remembered>& memory, bool quick, Windows per_row)
      : signals{sound},
        remembered{memory},
        cycle_hz{std::move(candidates)},
        bin_hz{sound.rate_hz / static_cast<double>(length)},
        comb{engine, cycle_hz, bin_hz},
        factor{quick && Whitener::reach(comb.bins(), length / 2, bin_hz) < length / 6 ? std::size_t{2} : std::size_t{1}},
        windows{per_row},
        slower{factor == 2 ? at_half_rate(sound) : Signals{}},
        spectrum{sound.rate_hz / static_cast<double>(factor), length / factor},
        moving{hann(640 / factor)},
        brief{hann(1024 / factor)},
        wide{hann(length / factor)} {
    if (!remembered) spectrum.limit_to(comb.bins());  // others may want more of what is remembered
  }

  void add(double time_s, std::span<const float> window, float times, double rate) {
    spectrum.add(factor == 2 ? slower : signals, time_s, window, times, rate);
  }
};

CombSearch::CombSearch(const Signals& signals, const Engine& engine, double low_hz, double high_hz, const std::optional<Remembered>& remembered)
    : CombSearch{std::make_unique<State>(signals, engine, frequency_grid(low_hz, high_hz), remembered, false, Windows::both)} {}
CombSearch CombSearch::quick(const Signals& signals, const Engine& engine, double low_hz, double high_hz, Windows windows) {
  return CombSearch{std::make_unique<State>(signals, engine, frequency_grid(low_hz, high_hz), std::nullopt, true, windows)};
}
CombSearch::CombSearch(std::unique_ptr<State> state) : state_{std::move(state)} {}
CombSearch::CombSearch(CombSearch&&) noexcept = default;
CombSearch::~CombSearch() = default;

const std::vector<double>& CombSearch::cycle_hz() const { return state_->cycle_hz; }

std::size_t CombSearch::frames() const {
  const Signals& signals = state_->signals;
  return static_cast<std::size_t>(static_cast<double>(signals.size()) / signals.rate_hz / comb_hop_s) + 1;
}

std::vector<float> CombSearch::row(std::size_t frame) {
  State& s = *state_;
  const double time_s = static_cast<double>(frame) * comb_hop_s;
  const std::int64_t centre = std::lround(time_s * s.signals.rate_hz);
  constexpr auto half = static_cast<std::int64_t>(State::length / 2);
  const bool shared = s.remembered && centre >= half && centre + half <= static_cast<std::int64_t>(s.signals.size());
  if (shared) {
    const auto level = s.remembered->spectra.around(s.remembered->begin + centre);
    if (!level.empty()) return s.comb.row(level);
  }
  // Two windows: a short one follows moving speed, a long one parts the lines of slow engines.
  s.spectrum.clear();
  const bool both = s.windows == Windows::both;
  if (both) s.add(time_s, s.brief, 1.0F, 0.0);
  s.add(time_s, s.wide, both ? 1.0F : alone, 0.0);
  if (shared) s.remembered->spectra.keep(s.remembered->begin + centre, s.spectrum.level());
  return s.comb.row(s.spectrum.level());
}

std::vector<float> CombSearch::row(double time_s, double rate) {
  State& s = *state_;
  s.spectrum.clear();
  s.add(time_s, s.moving, alone, rate);
  return s.comb.row(s.spectrum.level());
}

std::vector<std::size_t> best_path(const SalienceMap& map, double centre_hz, double pull, const std::vector<bool>& lively) {
  const std::size_t F = map.rows.size();
  const std::size_t C = map.cycle_hz.size();
  std::vector<float> prior(C);
  for (std::size_t c = 0; c < C; ++c) {
    const double x = std::log(map.cycle_hz[c] / centre_hz);
    prior[c] = static_cast<float>(-pull * x * x);
  }
  std::vector<std::uint16_t> from(F * C, 0);
  std::vector<float> score(C);
  std::vector<float> moved(C);
  BestMove best_move{C};
  for (std::size_t c = 0; c < C; ++c) score[c] = map.rows[0][c] + prior[c];
  for (std::size_t f = 1; f < F; ++f) {
    const bool fast = !lively.empty() && lively[f];
    // A row that stands for several frames counts as often, and a move has as many frames to be made in.
    const auto step = static_cast<float>(map.frame_of(f) - map.frame_of(f - 1));
    best_move.find(score, (fast ? 0.25F * moving_cost : moving_cost) / step, moved, std::span{from}.subspan(f * C, C));
    for (std::size_t c = 0; c < C; ++c) score[c] = moved[c] + step * map.rows[f][c] + step * prior[c];
  }
  std::vector<std::size_t> path(F);
  auto c = static_cast<std::size_t>(std::max_element(score.begin(), score.end()) - score.begin());
  for (std::size_t f = F; f-- > 0;) {
    path[f] = c;
    c = from[f * C + c];
  }
  return path;
}

}  // namespace pipebeat::core
