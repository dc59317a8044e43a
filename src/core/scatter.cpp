#include "core/scatter.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

namespace pipebeat::core {

std::vector<float> level_deviations(const PulseFit& pulses, std::size_t signal, const std::vector<bool>& use) {
  constexpr std::size_t reach = 4;  // cycles either side: speed and load change slower
  constexpr float fewest = 4.0F;
  constexpr float limit = 1.5F;  // of a pulse: a bang is not scatter
  const std::vector<float>& level = pulses.signal[signal].event_level;
  const std::size_t C = pulses.cycles;
  const std::size_t P = pulses.positions;
  std::vector<float> out(C * P, 0.0F);
  std::vector<float> sum(P);
  for (std::size_t c = 0; c < C; ++c) {
    if (!use[c]) continue;
    std::fill(sum.begin(), sum.end(), 0.0F);
    float count = 0.0F;
    for (std::size_t q = c >= reach ? c - reach : 0; q <= std::min(C - 1, c + reach); ++q) {
      if (q == c || !use[q]) continue;
      count += 1.0F;
      for (std::size_t p = 0; p < P; ++p) sum[p] += level[q * P + p];
    }
    if (count < fewest) continue;
    for (std::size_t p = 0; p < P; ++p) out[c * P + p] = std::clamp(level[c * P + p] - sum[p] / count, -limit, limit);
  }
  return out;
}

AgreedScatter agreed_scatter(const std::vector<float>& one, const std::vector<float>& other, std::size_t positions) {
  double power_one = 1e-9;
  double power_other = 1e-9;
  std::vector<double> common(positions, 0.0);
  for (std::size_t i = 0; i < one.size(); ++i) {
    power_one += static_cast<double>(one[i]) * one[i];
    power_other += static_cast<double>(other[i]) * other[i];
    common[i % positions] += static_cast<double>(one[i]) * other[i];
  }
  const double both = std::sqrt(power_one * power_other);
  return {std::accumulate(common.begin(), common.end(), 0.0) / both,
          *std::max_element(common.begin(), common.end()) * static_cast<double>(positions) / both};
}

}  // namespace pipebeat::core
