#include "core/pair_cycles.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <numeric>
#include <vector>

#include "core/signals.hpp"
#include "core/statistics.hpp"

namespace pipebeat::core {

namespace {

using Line = std::complex<double>;

constexpr std::size_t fewest_cycles = 12;
constexpr std::size_t gain_reach =
    6;  // cycles either side over which a signal's strength is levelled
constexpr std::size_t drift_reach = 10;  // what is slower than so many cycles is no miss

/// One side, every signal levelled so that a gain control or another distance leaves nothing
/// behind.
struct Cycles {
  std::size_t count = 0;
  std::size_t lines = 0;
  std::vector<Line> value;  ///< as in HeardCycles
  std::vector<double>
      noise;  ///< power that changes from one cycle to the next, [m * lines + k - 1]

  [[nodiscard]] std::size_t width() const { return signal_count * lines; }
};

Cycles levelled(const HeardCycles& heard, std::size_t lines) {
  Cycles out{heard.count, lines, {}, {}};
  const std::size_t C = out.count;
  out.value.resize(C * out.width());
  for (std::size_t m = 0; m < signal_count; ++m) {
    const auto line = [&](std::size_t c, std::size_t k) {
      return Line{heard.value[(c * signal_count + m) * heard.lines + k]};
    };
    std::vector<double> sum(C + 1, 0.0);
    for (std::size_t c = 0; c < C; ++c) {
      double power = 0.0;
      for (std::size_t k = 0; k < lines; ++k) power += std::norm(line(c, k));
      sum[c + 1] = sum[c] + std::sqrt(power);
    }
    for (std::size_t c = 0; c < C; ++c) {
      const std::size_t low = c - std::min(c, gain_reach);
      const std::size_t high = std::min(C, c + gain_reach + 1);
      const double strength = (sum[high] - sum[low]) / static_cast<double>(high - low) + 1e-12;
      for (std::size_t k = 0; k < lines; ++k)
        out.value[c * out.width() + m * lines + k] = line(c, k) / strength;
    }
  }
  for (std::size_t i = 0; i < out.width(); ++i) {
    std::vector<double> change;
    for (std::size_t c = 0; c + 1 < C; ++c)
      change.push_back(
          std::norm(out.value[(c + 1) * out.width() + i] - out.value[c * out.width() + i]));
    // Half of what two cycles differ by; the median of an exponential law is ln 2 of its mean.
    out.noise.push_back(0.5 * median(std::move(change)) / std::numbers::ln2 + 1e-12);
  }
  return out;
}

/// Mean over the cycles whose number leaves `rest` when halved; 2: over all.
std::vector<Line> mean_of(const Cycles& cycles, std::size_t rest) {
  std::vector<Line> out(cycles.width());
  double count = 0.0;
  for (std::size_t c = 0; c < cycles.count; ++c) {
    if (rest < 2 && c % 2 != rest) continue;
    count += 1.0;
    for (std::size_t i = 0; i < out.size(); ++i) out[i] += cycles.value[c * out.size() + i];
  }
  for (Line& v : out) v /= count;
  return out;
}

/// Turns `after` to where its mean cycle lies best on that of `before`.
void turn_on(const Cycles& before, Cycles& after, std::size_t positions) {
  const std::vector<Line> b = mean_of(before, 2);
  const std::vector<Line> a = mean_of(after, 2);
  const std::size_t K = before.lines;
  std::vector<Line> product(K);
  for (std::size_t i = 0; i < a.size(); ++i)
    product[i % K] += a[i] * std::conj(b[i]) / (before.noise[i] + after.noise[i]);
  const auto steps = static_cast<int>(64 * positions);
  double best = -1e300;
  double turn = 0.0;
  for (int s = 0; s < steps; ++s) {
    const double angle = 2.0 * std::numbers::pi * s / steps;
    double like = 0.0;
    for (std::size_t k = 0; k < K; ++k)
      like += (product[k] * std::polar(1.0, angle * static_cast<double>(k + 1))).real();
    if (like > best) {
      best = like;
      turn = angle;
    }
  }
  for (std::size_t i = 0; i < after.value.size(); ++i)
    after.value[i] *= std::polar(1.0, turn * static_cast<double>(i % K + 1));
}

/// Where every cycle of a side lies on the way from the mean of `before` to that of `after`, in
/// standard deviations of the noise, 0 half way. The way is learned from the other half of the
/// cycles.
struct Places {
  std::vector<double> before;
  std::vector<double> after;
};

Places places(const Cycles& before, const Cycles& after, std::size_t first_signal,
              std::size_t last_signal) {
  const std::size_t width = before.width();
  const std::size_t from = first_signal * before.lines;
  const std::size_t to = last_signal * before.lines;
  Places out{std::vector<double>(before.count), std::vector<double>(after.count)};
  for (std::size_t half = 0; half < 2; ++half) {
    const std::vector<Line> b = mean_of(before, half);
    const std::vector<Line> a = mean_of(after, half);
    const double doubt =
        2.0 / static_cast<double>(before.count) + 2.0 / static_cast<double>(after.count);
    std::vector<Line> way(width);
    std::vector<Line> half_way(width);
    double length = 1e-9;
    for (std::size_t i = from; i < to; ++i) {
      const double noise = 0.5 * (before.noise[i] + after.noise[i]);
      const Line apart = a[i] - b[i];
      half_way[i] = 0.5 * (a[i] + b[i]);
      // Lines that differ by no more than chance are left out (W. James and C. Stein, 1961).
      way[i] = apart * std::max(0.0, 1.0 - noise * doubt / (std::norm(apart) + 1e-30)) / noise;
      length += 0.5 * std::norm(way[i]) * noise;
    }
    const auto place = [&](const Cycles& cycles, std::vector<double>& at) {
      for (std::size_t c = 1 - half; c < cycles.count; c += 2) {
        double sum = 0.0;
        for (std::size_t i = from; i < to; ++i)
          sum += ((cycles.value[c * width + i] - half_way[i]) * std::conj(way[i])).real();
        at[c] = sum / std::sqrt(length);
      }
    };
    place(before, out.before);
    place(after, out.after);
  }
  return out;
}

/// Takes out what changes slowly and leaves the middle where it is.
void without_drift(std::vector<double>& values) {
  const double middle = median(values);
  const std::vector<double> whole = values;
  const auto last = static_cast<std::ptrdiff_t>(whole.size()) - 1;
  constexpr auto reach = static_cast<std::ptrdiff_t>(drift_reach);
  for (std::ptrdiff_t c = 0; c <= last; ++c) {
    std::vector<double> near;
    for (std::ptrdiff_t d = std::max<std::ptrdiff_t>(0, c - reach); d <= std::min(last, c + reach);
         ++d)
      near.push_back(whole[static_cast<std::size_t>(d)]);
    values[static_cast<std::size_t>(c)] -= median(std::move(near)) - middle;
  }
}

/// The five numbers of a side; `other`: the middle of the other side.
std::array<double, 5> numbers(const std::vector<double>& place, double other) {
  constexpr double least = 0.05;  // of the noise; a way of no length has no spread
  const auto n = static_cast<double>(place.size());
  const double middle = median(place);
  const double sign = other > middle ? 1.0 : -1.0;
  const double mean = std::accumulate(place.begin(), place.end(), 0.0) / n;
  double square = 0.0;
  double cube = 0.0;
  double across = 0.0;
  std::vector<double> far;
  std::vector<double> size;
  for (double p : place) {
    square += (p - mean) * (p - mean) / n;
    cube += std::pow(p - mean, 3.0) / n;
    far.push_back(sign * (p - middle));
    size.push_back(std::abs(p - middle));
    across += far.back() > 0.5 * std::abs(other - middle) + 1e-9 ? 1.0 / n : 0.0;
  }
  const double spread = std::sqrt(square);
  const double usual = 1.4826 * median(std::move(size)) + least;
  std::partial_sort(far.begin(), far.begin() + 3, far.end(), std::greater<>{});
  return {std::clamp(sign * cube / (std::pow(spread, 3.0) + 1e-9), -5.0, 5.0),
          std::log((spread + least) / usual),
          std::log(1.0 + (far[0] + far[1] + far[2]) / 3.0 / usual), across, std::log(spread + 0.1)};
}

/// The mean cycle of one signal over the crank angle, as coarse as a firing place is long.
struct Wave {
  std::vector<double> value;
  double error = 0.0;    ///< standard deviation
  double between = 0.0;  ///< log ratio of the lines between the firing lines to those
};

constexpr std::size_t samples_per_place = 16;

Wave wave_of(const Cycles& cycles, const std::vector<Line>& mean, std::size_t signal,
             std::size_t positions) {
  const std::size_t K = cycles.lines;
  const auto n = static_cast<double>(cycles.count);
  Wave out{std::vector<double>(samples_per_place * positions), 0.0, 0.0};
  double firing = 1e-3;
  double others = 1e-3;
  std::vector<Line> line(K);
  for (std::size_t k = 0; k < K; ++k) {
    const double at = static_cast<double>(k + 1) /
                      (1.2 * static_cast<double>(std::max<std::size_t>(positions, 4)));
    const double taper = std::exp(-0.5 * at * at);
    const double noise = cycles.noise[signal * K + k] / n;
    line[k] = mean[signal * K + k] * taper;
    out.error += 2.0 * noise * taper * taper;
    const bool is_firing = (k + 1) % positions == 0;
    (is_firing ? firing : others) +=
        std::max(0.0, std::norm(mean[signal * K + k]) - noise) * taper * taper;
  }
  out.error = std::sqrt(out.error);
  out.between = std::log(others / firing);
  const auto size = out.value.size();
  for (std::size_t i = 0; i < size; ++i) {
    for (std::size_t k = 0; k < K; ++k) {
      const double angle = 2.0 * std::numbers::pi * static_cast<double>((k + 1) * i % size) /
                           static_cast<double>(size);
      out.value[i] += 2.0 * (line[k] * std::polar(1.0, angle)).real();
    }
  }
  return out;
}

double standard_deviation(const std::vector<double>& values) {
  const auto n = static_cast<double>(values.size());
  const double mean = std::accumulate(values.begin(), values.end(), 0.0) / n;
  double square = 0.0;
  for (double v : values) square += (v - mean) * (v - mean) / n;
  return std::sqrt(square);
}

double correlation(const std::vector<double>& x, const std::vector<double>& y) {
  double xx = 1e-12;
  double yy = 1e-12;
  double xy = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {  // waves have no mean
    xx += x[i] * x[i];
    yy += y[i] * y[i];
    xy += x[i] * y[i];
  }
  return xy / std::sqrt(xx * yy);
}

/// `to` less `from`, where most of the cycle is alike: scale and offset by least absolute
/// deviations (reweighted least squares), so that one pulse more or less stays what it is.
std::vector<double> left_over(const std::vector<double>& from, const std::vector<double>& to) {
  constexpr int rounds = 12;
  constexpr double widest_gain = 5.0;
  const std::size_t size = from.size();
  std::vector<double> left(size);
  std::vector<double> weight(size, 1.0);
  for (int round = 0; round < rounds; ++round) {
    double w = 0.0;
    double x = 0.0;
    double y = 0.0;
    for (std::size_t i = 0; i < size; ++i) {
      w += weight[i];
      x += weight[i] * from[i];
      y += weight[i] * to[i];
    }
    double xy = 0.0;
    double xx = 1e-9;
    for (std::size_t i = 0; i < size; ++i) {
      xy += weight[i] * (from[i] - x / w) * (to[i] - y / w);
      xx += weight[i] * (from[i] - x / w) * (from[i] - x / w);
    }
    const double gain = std::clamp(xy / xx, 1.0 / widest_gain, widest_gain);
    const double offset = (y - gain * x) / w;
    std::vector<double> size_of(size);
    for (std::size_t i = 0; i < size; ++i) {
      left[i] = to[i] - gain * from[i] - offset;
      size_of[i] = std::abs(left[i]);
    }
    const double usual = median(size_of);
    for (std::size_t i = 0; i < size; ++i) weight[i] = 1.0 / (size_of[i] + 0.3 * usual + 1e-6);
  }
  return left;
}

/// How far `other` stands above `own` at one place of the cycle rather than below it.
double lacks(const Wave& own, const Wave& other) {
  const std::vector<double> left = left_over(own.value, other.value);
  std::vector<double> size;
  for (double v : left) size.push_back(std::abs(v));
  const double usual = 1.4826 * median(std::move(size)) + 2.0 * std::hypot(own.error, other.error) +
                       0.02 * standard_deviation(own.value);
  const auto [low, high] = std::minmax_element(left.begin(), left.end());
  return std::log1p(std::max(0.0, *high) / usual) - std::log1p(std::max(0.0, -*low) / usual);
}

/// Log ratio of the least swing over one firing place to the usual one.
double emptiest(const Wave& wave) {
  const std::size_t size = wave.value.size();
  std::vector<double> swing;
  for (std::size_t first = 0; first < size; first += 2) {
    double low = wave.value[first];
    double high = low;
    for (std::size_t i = 1; i < samples_per_place; ++i) {
      low = std::min(low, wave.value[(first + i) % size]);
      high = std::max(high, wave.value[(first + i) % size]);
    }
    swing.push_back(high - low);
  }
  std::sort(swing.begin(), swing.end());
  const double least = 0.05 * swing.back() + 1e-9;
  return std::log((swing.front() + least) / (swing[swing.size() / 2] + least));
}

}  // namespace

std::optional<CyclePair> pair_cycles(const Engine& engine, const HeardCycles& before,
                                     const HeardCycles& after) {
  if (std::min(before.count, after.count) < fewest_cycles) return std::nullopt;
  const std::size_t lines = std::min(before.lines, after.lines);
  const Cycles b = levelled(before, lines);
  Cycles a = levelled(after, lines);
  turn_on(b, a, engine.positions().size());
  CyclePair out;
  constexpr std::array<std::array<std::size_t, 2>, 3> ranges{
      {{0, signal_count}, {0, 1}, {1, signal_count}}};
  for (std::size_t r = 0; r < ranges.size(); ++r) {
    Places at = places(b, a, ranges[r][0], ranges[r][1]);
    without_drift(at.before);
    without_drift(at.after);
    const double middle_before = median(at.before);
    const double middle_after = median(at.after);
    const auto of_before = numbers(at.before, middle_after);
    const auto of_after = numbers(at.after, middle_before);
    std::copy(of_before.begin(), of_before.end(),
              out.before.begin() + static_cast<std::ptrdiff_t>(r * of_before.size()));
    std::copy(of_after.begin(), of_after.end(),
              out.after.begin() + static_cast<std::ptrdiff_t>(r * of_after.size()));
    out.apart[r] = std::log(std::abs(middle_after - middle_before) + 0.3);
  }
  const std::vector<Line> mean_before = mean_of(b, 2);
  const std::vector<Line> mean_after = mean_of(a, 2);
  const std::size_t positions = engine.positions().size();
  for (std::size_t m = 0; m < signal_count; ++m) {
    const Wave x = wave_of(b, mean_before, m, positions);
    const Wave y = wave_of(a, mean_after, m, positions);
    const std::size_t first = 15 + 3 * m;
    const std::array of_before{lacks(x, y), x.between, emptiest(x)};
    const std::array of_after{lacks(y, x), y.between, emptiest(y)};
    std::copy(of_before.begin(), of_before.end(),
              out.before.begin() + static_cast<std::ptrdiff_t>(first));
    std::copy(of_after.begin(), of_after.end(),
              out.after.begin() + static_cast<std::ptrdiff_t>(first));
    const std::vector<double> left = left_over(x.value, y.value);
    const double strength = standard_deviation(x.value) + standard_deviation(y.value) + 1e-9;
    out.apart[3 + 2 * m] =
        std::log((standard_deviation(left) + std::hypot(x.error, y.error)) / strength);
    out.apart[4 + 2 * m] = correlation(x.value, y.value);
  }
  return out;
}

}  // namespace pipebeat::core
