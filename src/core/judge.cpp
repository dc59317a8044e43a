#include "core/judge.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

namespace pipebeat::core {

namespace {

// Fitted by tools/fit on single events: intercept and weights of EventFeatures.
#include "core/event_table.inc"

constexpr std::size_t template_reach = 7;  // cycles either side that make a local template
constexpr std::size_t level_reach = 10;

template <class T>
double median(std::vector<T> v) {
  if (v.empty()) return 0.0;
  const auto mid = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), mid, v.end());
  return static_cast<double>(*mid);
}

double upper_quarter(std::vector<float>& v) {
  if (v.empty()) return 0.0;
  const auto at = v.begin() + static_cast<std::ptrdiff_t>(3 * v.size() / 4);
  std::nth_element(v.begin(), at, v.end());
  return *at;
}

/// Delay of the sound against its local template, per event, in slots; positive is late. Least
/// squares on the template's slope, all signals together, each weighted by its own noise.
std::vector<double> event_delays(const Folded& folded, const Engine& engine, const PulseFit& pulses) {
  const std::size_t C = folded.cycles;
  const std::size_t M = folded.per_cycle;
  const std::size_t P = engine.positions().size();
  const double slot = static_cast<double>(M) / static_cast<double>(P);
  const auto blur = std::max<std::size_t>(1, static_cast<std::size_t>(std::lround(slot / 12.0)));
  std::vector<double> numerator(C * M, 0.0);
  std::vector<double> denominator(C * M, 0.0);
  std::vector<float> column;
  for (std::size_t m = 0; m < folded.value.size(); ++m) {
    // Cycles in units of their local strength, smoothed over a twelfth of a slot.
    std::vector<double> cumulative(C * M + 1, 0.0);
    for (std::size_t c = 0; c < C; ++c) {
      const double scale = pulses.signal[m].scale[c];
      const double mean = pulses.signal[m].mean[c];
      for (std::size_t i = 0; i < M; ++i) {
        cumulative[c * M + i + 1] = cumulative[c * M + i] + (folded.value[m][c * M + i] - mean) / scale;
      }
    }
    std::vector<float> y(C * M);
    for (std::size_t i = 0; i < C * M; ++i) {
      const std::size_t low = i >= blur ? i - blur : 0;
      const std::size_t high = std::min(C * M, i + blur + 1);
      y[i] = static_cast<float>((cumulative[high] - cumulative[low]) / static_cast<double>(high - low));
    }
    std::vector<float> model(C * M);
    for (std::size_t i = 0; i < M; ++i) {
      for (std::size_t c = 0; c < C; ++c) {
        column.clear();
        const std::size_t low = c >= template_reach ? c - template_reach : 0;
        for (std::size_t q = low; q <= std::min(C - 1, c + template_reach); ++q) column.push_back(y[q * M + i]);
        const auto mid = column.begin() + static_cast<std::ptrdiff_t>(column.size() / 2);
        std::nth_element(column.begin(), mid, column.end());
        model[c * M + i] = *mid;
      }
    }
    std::vector<double> square;
    square.reserve(C * M / 3 + 1);
    for (std::size_t i = 0; i < C * M; i += 3) square.push_back((y[i] - model[i]) * (y[i] - model[i]));
    const double noise = median(std::move(square)) + 1e-9;
    for (std::size_t i = 1; i + 1 < C * M; ++i) {
      const double slope = 0.5 * (model[i + 1] - model[i - 1]);
      numerator[i] -= (y[i] - model[i]) * slope / noise;
      denominator[i] += slope * slope / noise;
    }
  }
  const double ridge = 0.1 * median(denominator) + 1e-9;
  std::vector<double> num(C * M + 1, 0.0);
  std::vector<double> den(C * M + 1, 0.0);
  for (std::size_t i = 0; i < C * M; ++i) {
    num[i + 1] = num[i] + numerator[i];
    den[i + 1] = den[i] + denominator[i];
  }
  const double half = 0.8 * slot;
  std::vector<double> delay(C * P, 0.0);
  for (std::size_t c = 0; c < C; ++c) {
    for (std::size_t p = 0; p < P; ++p) {
      const double centre = static_cast<double>(c * M) + pulses.offset + 0.5 * slot +
                            engine.positions()[p].angle.value() / engine.cycle().value() * static_cast<double>(M);
      const auto low = static_cast<std::size_t>(std::clamp(centre - half, 0.0, static_cast<double>(C * M)));
      const auto high = static_cast<std::size_t>(std::clamp(centre + half, 0.0, static_cast<double>(C * M)));
      if (high <= low) continue;
      delay[c * P + p] = (num[high] - num[low]) / (den[high] - den[low] + ridge * static_cast<double>(high - low)) / slot;
    }
  }
  return delay;
}

double skewness(const std::vector<double>& z) {
  double cube = 0.0;
  for (double x : z) cube += std::pow(std::clamp(x, -8.0, 8.0), 3.0);
  return z.empty() ? 0.0 : std::clamp(std::cbrt(cube / static_cast<double>(z.size())), -6.0, 6.0);
}

}  // namespace

Judgement judge_events(const Folded& folded, const Engine& engine, const PulseFit& pulses,
                       const std::vector<bool>& running) {
  const std::size_t C = pulses.cycles;
  const std::size_t P = pulses.positions;
  Judgement out;
  out.missing.assign(C * P, 0.0F);
  out.features.assign(C * P, EventFeatures{});
  const auto used = static_cast<std::size_t>(std::count(running.begin(), running.end(), true));
  if (used < 6) return out;

  // Raw measures, then robust standard deviations of the recording.
  const std::vector<double> delay = event_delays(folded, engine, pulses);
  const auto n = static_cast<std::ptrdiff_t>(C * P);
  const auto at = [&](std::ptrdiff_t e) { return delay[static_cast<std::size_t>(std::clamp<std::ptrdiff_t>(e, 0, n - 1))]; };
  std::array<double, event_feature_count> scatter{};
  std::array<std::vector<double>, event_feature_count> raw;
  for (std::size_t f = 0; f < event_feature_count; ++f) {
    raw[f].assign(C * P, 0.0);
    for (std::size_t p = 0; p < P; ++p) {
      std::vector<float> near;
      for (std::size_t c = 0; c < C; ++c) {
        const std::size_t e = c * P + p;
        if (!running[c]) continue;
        if (f < 3) {
          const auto a = static_cast<std::ptrdiff_t>(f + 1);
          const auto i = static_cast<std::ptrdiff_t>(e);
          raw[f][e] = (at(i + a) - at(i)) - (at(i) - at(i - a));
          continue;
        }
        const auto& level = pulses.signal[f - 3].event_level;
        near.clear();
        for (std::size_t q = c >= level_reach ? c - level_reach : 0; q <= std::min(C - 1, c + level_reach); ++q) {
          if (running[q]) near.push_back(level[q * P + p]);
        }
        // Against the upper quarter: a position that misses half its events still shows fired ones.
        raw[f][e] = upper_quarter(near) - level[e];
      }
    }
    std::vector<double> values;
    for (std::size_t e = 0; e < C * P; ++e) {
      if (running[e / P]) values.push_back(raw[f][e]);
    }
    const double centre = median(values);
    for (double& v : values) v = std::abs(v - centre);
    scatter[f] = 1.4826 * median(std::move(values)) + 1e-6;
    for (std::size_t e = 0; e < C * P; ++e) raw[f][e] -= centre;
  }
  std::array<std::vector<double>, event_feature_count> z;
  std::vector<double> score(C * P, 0.0);
  for (std::size_t e = 0; e < C * P; ++e) {
    if (!running[e / P]) continue;
    double s = event_intercept;
    for (std::size_t f = 0; f < event_feature_count; ++f) {
      const double x = std::clamp(raw[f][e] / scatter[f], -8.0, 8.0);
      out.features[e][f] = static_cast<float>(x);
      z[f].push_back(x);
      s += event_weight[f] * x;
    }
    score[e] = s;
    out.missing[e] = static_cast<float>(1.0 / (1.0 + std::exp(-s)));
  }

  EventCrowd& crowd = out.crowd;
  crowd.kink_tail = skewness(z[1]);
  crowd.low_tail = skewness(z[3]);
  crowd.e1_tail = skewness(z[4]);
  crowd.e4_tail = skewness(z[7]);
  double count = 0.0;
  double sum = 0.0;
  double pairs = 0.0;
  double high = 0.0;
  std::vector<double> by_position(P, 0.0);
  for (std::size_t c = 0; c < C; ++c) {
    if (!running[c]) continue;
    for (std::size_t p = 0; p < P; ++p) {
      const double s = score[c * P + p];
      high += s - event_intercept < event_intercept ? 1.0 : 0.0;
      if (s < 0.0) continue;
      count += 1.0;
      sum += s;
      by_position[p] += 1.0;
      if (c > 0 && running[c - 1] && score[(c - 1) * P + p] > 0.0) pairs += 1.0;
    }
  }
  const double events = static_cast<double>(used * P);
  crowd.share = std::sqrt(count / events);
  crowd.excess = (count - high) / events;
  if (count > 0.0) {
    crowd.gap = std::min(sum / count, 10.0);
    crowd.focus = *std::max_element(by_position.begin(), by_position.end()) / count - 1.0 / static_cast<double>(P);
    crowd.pairs = pairs / count;
  }
  // How much more one position scatters than the others: an intermittent one does, whatever the
  // share of its misses.
  const auto spread = [&](std::size_t f) {
    std::vector<double> by(P, 0.0);
    for (std::size_t p = 0; p < P; ++p) {
      double square = 0.0;
      for (std::size_t c = 0; c < C; ++c) {
        if (running[c]) square += out.features[c * P + p][f] * out.features[c * P + p][f];
      }
      by[p] = std::sqrt(square / static_cast<double>(used)) + 1e-3;
    }
    const double top = *std::max_element(by.begin(), by.end());
    std::sort(by.begin(), by.end());
    return std::log(top / by[(P - 1) / 2]);
  };
  crowd.kink_spread = spread(1);
  crowd.low_spread = spread(3);
  crowd.e1_spread = spread(4);
  crowd.e3_spread = spread(6);
  crowd.e4_spread = spread(7);
  return out;
}

}  // namespace pipebeat::core
