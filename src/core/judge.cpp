#include "core/judge.hpp"

#include <algorithm>
#include <cmath>

namespace pipebeat::core {

namespace {

double median(std::vector<double> v) {
  if (v.empty()) return 0.0;
  const auto mid = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), mid, v.end());
  return *mid;
}

}  // namespace

Judgement judge_events(const PulseFit& pulses, const std::vector<bool>& running) {
  const std::size_t C = pulses.cycles;
  const std::size_t P = pulses.positions;
  Judgement out;
  out.missing.assign(C * P, 0.0F);
  // Level of every event below the running median of its own position, in units of the scatter.
  constexpr std::size_t reach = 10;
  std::vector<double> drop(C * P, 0.0);
  std::vector<double> all;
  for (std::size_t p = 0; p < P; ++p) {
    for (std::size_t c = 0; c < C; ++c) {
      if (!running[c]) continue;
      std::vector<double> near;
      for (std::size_t q = c >= reach ? c - reach : 0; q <= std::min(C - 1, c + reach); ++q) {
        if (running[q]) near.push_back(pulses.event_level[q * P + p]);
      }
      drop[c * P + p] = median(near) - pulses.event_level[c * P + p];
      all.push_back(std::abs(drop[c * P + p]));
    }
  }
  if (all.size() < 8) return out;
  const double scatter = std::max(1e-3, 1.4826 * median(all));
  double low_sum = 0.0;
  double low_count = 0.0;
  double cube = 0.0;
  std::vector<double> by_position(P, 0.0);
  double pairs = 0.0;
  constexpr double threshold = 3.5;
  for (std::size_t c = 0; c < C; ++c) {
    if (!running[c]) continue;
    for (std::size_t p = 0; p < P; ++p) {
      const double z = drop[c * P + p] / scatter;
      cube += std::pow(std::clamp(z, -8.0, 8.0), 3.0) / static_cast<double>(all.size());
      out.missing[c * P + p] = static_cast<float>(1.0 / (1.0 + std::exp(-2.0 * (z - threshold))));
      if (z < threshold) continue;
      low_count += 1.0;
      low_sum += z;
      by_position[p] += 1.0;
      if (c > 0 && drop[(c - 1) * P + p] / scatter > threshold) pairs += 1.0;
    }
  }
  std::sort(by_position.begin(), by_position.end(), std::greater<>());
  const double top = by_position[0] + (P > 2 ? by_position[1] : 0.0);
  out.crowd.tail = std::clamp(cube, -20.0, 50.0);
  out.crowd.gap = low_count > 0.0 ? std::min(low_sum / low_count, 20.0) : 0.0;
  out.crowd.share = low_count / static_cast<double>(all.size());
  out.crowd.focus = low_count > 0.0 ? top / low_count - std::min(1.0, 2.0 / static_cast<double>(P)) : 0.0;
  out.crowd.pairs = low_count > 0.0 ? pairs / low_count : 0.0;
  return out;
}

}  // namespace pipebeat::core
